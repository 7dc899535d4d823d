"""Laps: boundaries from marks, wheels and signals, what a lap took, and how many a charge gives."""

from __future__ import annotations

import functools
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.laps import per_charge as lap_charge
from amptally.analysis.laps.circuits import find_laps
from amptally.analysis.laps.frames import Frames, bin_means, last_values, pieces, run_frames, steps_of
from amptally.analysis.laps.laps import Laps, assess_laps, laps_per_charge
from amptally.analysis.laps.marks import (
    Boundaries,
    Progress,
    from_distance,
    from_marks,
    press_times,
    settled,
    typical_s,
    wheel_distance,
)
from amptally.analysis.laps.per_charge import charge_of_a_lap, laps_in, trend
from amptally.analysis.laps.signal import SURE, SignalLaps
from amptally.analysis.laps.table import cut, lap_table
from amptally.analysis.quality.doubts import Doubt, Doubts
from amptally.analysis.report.json_form import lap_json, laps_json
from amptally.analysis.results.estimate import UNDECLARED, Estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run, Series
from amptally.analysis.signals.series import cut as samples_of
from amptally.analysis.signals.series import together
from amptally.analysis.wording.results import refusal
from amptally.logger.simulator import Drive, draw_scenario, simulate
from amptally.logger.storage.edits import Edits, write_edits
from tests.analysis.build_runs import CART, Floats, consistent, sides, value_of, write_run
from tests.strategies import examples
from tests.studies.lap_runs import NOTHINGS, Truth, count, stored

HZ = 10.0


def codes(laps: Laps) -> list[str]:
    return [reason.code for reason in laps.reasons]


def series(time_s: object, value: object, gaps: tuple[int, ...] = ()) -> Series:
    times = np.asarray(time_s, float)
    gap_after = np.zeros(len(times) - 1, bool)
    gap_after[list(gaps)] = True
    return Series(times, np.asarray(value, float), gap_after)


def frames(values: Floats, interval_s: float = 1 / HZ) -> Frames:
    return Frames(0.0, interval_s, tuple(f"channel {row}" for row in range(len(values))), values)


def test_a_press_is_a_step_of_the_count_wherever_it_starts() -> None:
    found, lost = press_times([series(range(8), [41, 41, 42, 42, 42, 44, 44, 45])])
    assert found.tolist() == [2.0, 5.0, 7.0]
    assert lost == 0


def test_a_board_that_starts_anew_is_no_press() -> None:
    found, lost = press_times([series(range(7), [7, 8, 8, 0, 0, 1, 1])])
    assert found.tolist() == [1.0, 5.0]
    assert lost == 0


def test_presses_while_nothing_was_recorded_have_no_moment() -> None:
    found, lost = press_times([series([0, 1, 2, 60, 61, 62], [0, 1, 1, 3, 3, 4], gaps=(2,))])
    assert found.tolist() == [1.0, 62.0]
    assert lost == 2
    assert press_times([series([0, 1, 60, 61], [5, 5, 2, 2], gaps=(1,))])[1] == 2


@given(
    st.lists(st.floats(18.0, 26.0), min_size=1, max_size=20),
    st.lists(st.floats(0.05, 0.95), min_size=21, max_size=21),
    st.integers(0, 2**21 - 1),
)
def test_double_presses_change_nothing(lengths: list[float], again_s: list[float], which: int) -> None:
    """Any marks pressed twice within a second: the boundaries are those of the first presses."""
    marks = np.concatenate(([3.0], 3.0 + np.cumsum(lengths)))
    seconds = [mark + again_s[place] for place, mark in enumerate(marks.tolist()) if which >> place & 1]
    found = from_marks(np.sort(np.concatenate((marks, seconds))))
    assert found.times_s == pytest.approx(tuple(marks.tolist()))
    assert found.doubled == len(seconds)
    assert (found.stray, found.doubtful) == (0, ())


def test_a_press_in_the_middle_of_a_lap_is_left_out() -> None:
    found = from_marks(np.array([0.0, 30, 60, 74, 90, 120, 150]))
    assert found.times_s == (0, 30, 60, 90, 120, 150)
    assert (found.doubled, found.stray) == (0, 1)


def test_short_laps_are_kept_where_nothing_is_typical() -> None:
    assert from_marks(np.array([0.0, 10.0, 30.0])).times_s == (0.0, 10.0, 30.0)


def test_typical_is_what_most_of_the_time_is_spent_in() -> None:
    assert typical_s(np.array([0, 0.2, 30, 30.2, 60, 60.2, 90])) == pytest.approx(29.8)


def test_a_lap_of_twice_the_length_is_doubtful() -> None:
    found = from_marks(np.array([0.0, 30, 61, 122, 152, 181]))
    assert found.times_s == (0, 30, 61, 122, 152, 181)
    assert found.doubtful == (2,)


@pytest.mark.parametrize(
    ("gone", "times", "doubtful"),
    [
        (2.0, (0.0, 30.0, 60.0, 90.0, 120.0, 150.0), ()),  # came round twice: the mark is put in
        (1.0, (0.0, 30.0, 60.0, 120.0, 150.0), ()),  # came round once, slowly
        (1.5, (0.0, 30.0, 60.0, 120.0, 150.0), (2,)),  # neither
        (math.nan, (0.0, 30.0, 60.0, 120.0, 150.0), (2,)),  # not known
    ],
)
def test_a_skipped_mark_is_put_in_only_where_the_machine_came_round(
    gone: float, times: tuple[float, ...], doubtful: tuple[int, ...]
) -> None:
    found = from_marks(np.array([0.0, 30, 60, 120, 150]))
    moments = np.arange(0.0, 151.0)
    laps = np.interp(moments, [0, 30, 60, 120, 150], np.cumsum([0, 1, 1, 0 if math.isnan(gone) else gone, 1]))
    if math.isnan(gone):
        laps[80] = math.nan
    after = settled(found, Progress(moments, laps * 32.7, "wheel_counts"))
    assert after.times_s == pytest.approx(times)
    assert after.doubtful == doubtful
    assert after.placed == pytest.approx((90.0,) if gone == 2.0 else ())


def test_distance_is_the_mean_of_both_wheels_and_survives_a_reset() -> None:
    left = series(range(6), [100, 100, 124, 148, 0, 24])
    right = series(range(6), [0, 0, 48, 96, 96, 144])
    found = wheel_distance([together(left, right)], 0.5)
    assert found is not None
    assert found.amount.tolist() == [0, 0, 18, 36, 36, 54]
    first, then = ([together(samples_of(left, *part), samples_of(right, *part))] for part in ((0, 3), (2, 6)))
    in_parts = wheel_distance(first + then, 0.5)
    assert in_parts is not None
    assert (in_parts.time_s == found.time_s).all()
    assert (in_parts.amount == found.amount).all()


def test_laps_by_distance_begin_where_the_wheels_do() -> None:
    moments = np.arange(0.0, 101.0)
    metres = np.clip(moments - 10.0, 0.0, 85.0)  # stands until 10 s, then 1 m/s for 85 m
    found = from_distance(Progress(moments, metres, "wheel_counts"), 20.0)
    assert found.times_s == (10.0, 30.0, 50.0, 70.0, 90.0)
    assert from_distance(Progress(moments, metres, "wheel_counts"), 85.9).times_s == (10.0, 95.0)  # lacks 1 %
    assert from_distance(Progress(moments, metres, "wheel_counts"), 90.0).times_s == ()
    assert from_distance(Progress(moments, np.zeros(101), "wheel_counts"), 20.0).times_s == ()


@given(st.lists(st.floats(0.5, 99.5), min_size=1, max_size=8, unique=True), st.integers(0, 10**6))
def test_laps_add_up_to_the_whole(inner: list[float], seed: int) -> None:
    """Charge from a to c is that from a to b and from b to c, gaps included."""
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.uniform(0.2, 3.0, 60))
    whole = series(times, rng.normal(size=60), gaps=(7, 8, 30))
    bounds = [0.0, *sorted(inner), 200.0]

    def charge(start: float, end: float) -> float:
        part = cut(whole, start, end)
        return 0.0 if part is None else part.integral

    steps = sum(charge(a, b) for a, b in itertools.pairwise(bounds))
    value = whole.value
    twin = sum(0.5 * (value[i] + value[i + 1]) * (times[i + 1] - times[i]) for i in range(59) if i not in (7, 8, 30))
    assert steps == pytest.approx(twin)


def test_figures_of_a_lap(tmp_path: Path) -> None:
    time_s = np.arange(0, 101.0)
    amps = np.where(time_s < 10, 0.0, 36.0)
    amps[40] = -50.0
    volts = np.where(time_s < 10, 25.0, 24.0)
    channels = {"battery_current_a": amps, "battery_voltage_v": volts, "left_current_a": amps / 4,
                "right_current_a": amps * 3 / 4}  # fmt: skip
    run = Run.open(write_run(tmp_path / "r.parquet", time_s, channels, machine=CART))
    first, second = lap_table(run, (20.0, 38.0, 60.0), doubtful=[1])
    assert first.net_ah == pytest.approx(36 * 18 / 3600)
    assert first.net_wh == pytest.approx(36 * 24 * 18 / 3600, rel=1e-6)
    assert (first.peak_a, second.peak_a) == (pytest.approx(36.0), pytest.approx(50.0))
    assert first.duration_s == 18.0
    assert first.sag_v == pytest.approx(1.0)
    assert first.left_share == pytest.approx(0.25)
    assert (first.doubtful, second.doubtful) == (False, True)
    # The triangle around the dip: 86 A deep, 2 s wide.
    assert second.net_ah == pytest.approx((36 * 22 - 86) / 3600)


def test_a_gap_in_a_lap_is_told_and_its_charge_left_out(tmp_path: Path) -> None:
    time_s = np.concatenate((np.arange(0, 40.0), np.arange(60, 121.0)))
    run = Run.open(write_run(tmp_path / "r.parquet", time_s, {"battery_current_a": np.full(101, 18.0)}))
    before, across = lap_table(run, (0.0, 30.0, 90.0))
    assert (before.gap_s, across.gap_s) == (0.0, pytest.approx(21.0))
    assert across.net_ah == pytest.approx(18 * 39 / 3600)
    assert (before.net_wh, before.sag_v, before.left_ah) == (None, None, None)


@pytest.fixture
def alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """Laps to come are like those seen, so that each of the other terms can be followed by hand."""
    monkeypatch.setattr(lap_charge, "UNLIKE_U", 0.0)


def test_later_laps_are_not_these_over_again() -> None:
    """Equal laps leave 1.96 × 4.5 % all the same: set on simulated drives, no source."""
    low, value, high = sides(charge_of_a_lap(np.full(9, 0.1), math.inf, 0.0, 0.0))
    assert (high - value, value - low) == pytest.approx((0.1 * 1.96 * 0.045,) * 2)


@pytest.mark.usefixtures("alike")
def test_laps_in_a_charge_by_hand() -> None:
    # Laps of 0.9, 1.0, 1.1 Ah: mean 1, s 0.1, t(2) = 4.303 (JCGM 100, table G.2, 95 %: 4.30).
    # 20 Ah give 20 laps; half-width of a lap 4.303 × 0.1 × √(1/3 + 1/20) = 0.2664.
    low, value, high = sides(laps_in(Estimate(20, 20, 20, "Ah"), np.array([0.9, 1.1, 1.0]), 0.0, 0.0))
    assert value == pytest.approx(20.0)
    assert (low, high) == (pytest.approx(20 / 1.2664, rel=1e-3), pytest.approx(20 / 0.7336, rel=1e-3))


@pytest.mark.usefixtures("alike")
def test_two_laps_that_differ_leave_the_top_open() -> None:
    found = laps_in(Estimate(20, 18, 22, "Ah"), np.array([0.9, 1.1]))
    assert (found.bound, found.high) == ("at_least", None)
    assert value_of(found) == pytest.approx(20.0)
    consistent(found)
    alike = laps_in(Estimate(20, 18, 22, "Ah"), np.array([0.999, 1.001]))
    assert sides(alike) == (pytest.approx(18.0, abs=0.1), pytest.approx(20.0), pytest.approx(22.0, abs=0.1))


def test_how_little_two_laps_tell() -> None:
    """Laps that scatter by 4 %: two hold what comes as often as ten do, in an interval several times as wide."""
    rng = np.random.default_rng(6)
    width: dict[int, list[float]] = {2: [], 5: [], 10: []}
    held = dict.fromkeys(width, 0)
    for _ in range(300):
        charges = 0.1 * (1 + 0.04 * rng.normal(size=60))
        for seen, widths in width.items():
            ahead = float(charges[10:].sum())
            found = laps_in(Estimate(ahead, ahead, ahead, "Ah"), charges[:seen], 0.0, 0.0)
            held[seen] += (found.low or 0.0) <= 50 and (found.high is None or found.high >= 50)
            widths.append(math.inf if found.high is None else found.high - (found.low or 0.0))
    assert all(count >= 0.93 * 300 for count in held.values())
    two, five, ten = (float(np.median(widths)) for widths in width.values())
    assert two > 2 * five
    assert two > 2.5 * ten
    # In a few draws two laps differ so much that nothing bounds the answer from above.
    assert 0 < np.isinf(width[2]).mean() < 0.2
    assert not np.isinf(width[5]).any()


def test_laps_to_come_take_more_as_the_voltage_falls() -> None:
    same, more = (
        sides(laps_in(Estimate(20, 18, 22, "Ah"), np.full(6, 0.5), 0.0, 0.0, growth)) for growth in (1.0, 1.1)
    )
    assert more == tuple(pytest.approx(side / 1.1, rel=0.01) for side in same)


def test_one_lap_none_and_laps_that_give_charge_are_refused() -> None:
    full = Estimate(20, 18, 22, "Ah")
    assert "one lap with battery current: two are needed" in (refusal(laps_in(full, np.array([1.0]))) or "")
    assert "no lap" in (refusal(laps_in(full, np.array([]))) or "")
    assert laps_in(full, np.array([-0.1, 0.05])).reasons == (Reason("laps_uncharged"),)
    sheet = Reason("sheet_incomplete")
    assert laps_in(refuse("Ah", sheet), np.array([1.0, 1.1])).reasons == (sheet,)


@pytest.mark.usefixtures("alike")
def test_the_sensor_error_is_the_same_on_every_lap() -> None:
    charges = np.full(50, 1.0)
    low, value, high = sides(charge_of_a_lap(charges, math.inf, gain_u=0.01, offset_u_ah=0.0))
    assert (value - low, high - value) == (pytest.approx(0.0196), pytest.approx(0.0196))
    assert UNDECLARED in charge_of_a_lap(charges, math.inf).reasons


@pytest.mark.usefixtures("alike")
def test_a_sure_trend_is_a_doubt_on_its_side() -> None:
    rising = 1.0 + 0.01 * np.arange(12) + 0.002 * np.random.default_rng(3).normal(size=12)
    slope = trend(rising, "Ah")
    assert sides(slope)[0] > 0
    low, value, high = sides(charge_of_a_lap(rising, 100.0))
    # Twelve laps on, the mean lies 12 × 0.01 higher: the doubt reaches there.
    assert high - value > 0.11
    assert value - low < 0.06
    assert trend(rising[:3], "Ah").is_refused


def test_the_interval_of_laps_holds_what_comes() -> None:
    """Laps that scatter by 5 % and follow their neighbours a little: 95 % intervals, counted over 400 draws."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        off = rng.normal(size=40)
        off[1:] += 0.4 * off[:-1]
        charges = 0.1 * (1 + 0.05 * off)
        ahead = float(charges[10:].sum())
        low, _, high = sides(laps_in(Estimate(ahead, ahead, ahead, "Ah"), charges[:10]))
        held += low <= 30 <= high
    # 0.95 is meant; ten laps that follow their neighbours leave the correlation itself open.
    assert held / 400 >= 0.92


def test_frames_are_means_and_last_values_of_their_samples() -> None:
    edges = np.array([0, 3, 3, 5])
    value, valid = np.array([1.0, 2, 6, 7, 9]), np.array([True, True, False, True, True])
    assert bin_means(edges, value, valid) == pytest.approx([1.5, math.nan, 8.0], nan_ok=True)
    assert last_values(edges, value, valid) == pytest.approx([2.0, math.nan, 9.0], nan_ok=True)
    assert steps_of(np.array([5.0, 7, math.nan, 11, 0, 3])) == pytest.approx(
        [2, 2, math.nan, 2, math.nan, 3], nan_ok=True
    )


def test_pieces_leave_out_breaks_and_rest() -> None:
    rng = np.random.default_rng(1)
    moving = rng.normal(size=(2, 300))
    rest = np.full((2, 100), -2.0)
    values = np.concatenate((rest, moving[:, :100], np.full((2, 80), np.nan), moving[:, 100:], rest), axis=1)
    found = pieces(frames(values), 1.0, 1.0)
    assert len(found.starts) == 3
    assert (found.kept >= 95).all()
    assert not ((found.kept >= 200) & (found.kept < 280)).any()
    assert found.rests_before.tolist() == [True, False]
    assert found.rests_after.tolist() == [False, True]
    assert found.starts.tolist()[-1] == pytest.approx(300, abs=20)


def lapped(
    seed: int, *, laps: int, before: float = 0.0, after: float = 0.0, stall: bool = True
) -> tuple[Floats, Floats]:
    """Signals of a made-up machine that repeats itself, 10 frames a second, and the true moments of its lap starts.

    Three channels of smooth random shape; pace that drifts from lap to lap and within one; two halts of changing
    length; one stall; noise; rest at both ends; a part of a lap before and after.
    """
    rng = np.random.default_rng([seed, 0x5E])
    length = int(rng.integers(180, 420))
    smooth = np.exp(-0.5 * (np.arange(-15, 16) / rng.uniform(3, 7)) ** 2)
    shape = np.array(
        [np.convolve(np.tile(rng.normal(size=length), 3), smooth, "same")[length : 2 * length] for _ in range(3)]
    )
    shape /= shape.std()
    halts = rng.uniform(0.05, 0.95, 2)
    at, pace, steps = -before, 1.0, []
    stalled = rng.uniform(0.2, laps - 0.2) if stall else math.inf
    while at < laps + after:
        if not steps or math.floor(at) != math.floor(steps[-1]):
            pace = 1 + 0.6 * (pace - 1) + 0.03 * rng.normal()
        following = at + pace * (1 + 0.1 * math.sin(7 * at)) / length
        if any(at % 1 <= halt < following % 1 for halt in halts):
            steps += [at] * int(rng.uniform(5, 25))
        if at <= stalled < following:
            steps += [at] * 40
        steps.append(at)
        at = following
    place = np.array(steps)
    driven = np.array([np.interp(place % 1, np.arange(length + 1) / length, np.append(row, row[0])) for row in shape])
    rest = np.full((3, 80), -3.0)
    values = np.concatenate((rest, driven, rest), axis=1)
    starts = np.searchsorted(place, np.arange(laps + 1) - 1e-9)
    return values + 0.1 * rng.normal(size=values.shape), (80 + np.minimum(starts, len(place))) / HZ


@pytest.mark.parametrize("seed", range(12))
def test_laps_of_a_made_up_machine(seed: int) -> None:
    """Count exact, and lap lengths right to 2 %: partial laps before and after, drift, halts, one stall."""
    laps = 3 + seed % 7
    values, starts_s = lapped(seed, laps=laps, before=0.1, after=0.15)
    found = find_laps(frames(values))
    assert count(found) == laps, found.reason
    assert found.confidence >= SURE
    (times,) = found.boundaries_s
    off = np.array(times) - starts_s
    # Where a lap begins is arbitrary, so what counts is that all begin at one place; halts and the stall move the
    # moments of two places against one another, which 15 % of a lap leaves room for only in single laps.
    assert np.abs(off - np.median(off)).max() < 0.25 * float(np.median(np.diff(starts_s)))
    assert float(np.median(np.abs(off - np.median(off)))) < 0.02 * float(np.median(np.diff(starts_s)))


@functools.cache
def drive(seed: int) -> Drive:
    return simulate(seed, scenario=draw_scenario(seed, laps=3 + seed % 3), interval_us=10_000)


def drive_run(seed: int, folder: Path, machine: str | None = CART, drop: tuple[str, ...] = ()) -> Run:
    done = drive(seed)
    channels = {name: values for name, values in done.measured.items() if name != "t_s" and name not in drop}
    return Run.open(write_run(folder / f"{seed}.parquet", done.measured["t_s"], channels, machine=machine))


def test_laps_of_simulated_drives(tmp_path: Path) -> None:
    """Of six drives at most one is refused; what is found is exact, each boundary within 2 % of a lap of where the cart
    came past. 100 seeds: docs/methods.md."""
    refused = []
    for seed in range(2, 8):
        table = run_frames(drive_run(seed, tmp_path, machine=None))
        assert table is not None
        found, truth = find_laps(table), Truth.of(drive(seed))
        if not found.boundaries_s:
            refused.append(found.reason)
            continue
        assert count(found) == len(drive(seed).crossings_s) - 1, seed
        error = truth.error(found.boundaries_s)
        assert error is not None
        assert error < 0.02
    assert len(refused) <= 1, refused


@pytest.mark.parametrize("what", NOTHINGS)
def test_no_laps_where_there_are_none(what: str, tmp_path: Path) -> None:
    """At most one of eight seeds shows laps where there are none; 100 seeds: docs/methods.md."""
    seen = 0
    for seed in range(8):
        columns = stored(NOTHINGS[what](np.random.default_rng([seed, 0x1C])))
        channels = {
            "battery_current_a": columns["battery_current_ua"] * 1e-6,
            **{
                f"{side}_current_a": columns[f"{side}_current_ua"] * 1e-6
                for side in ("left", "right")
                if "left_current_ua" in columns
            },
        }
        run = Run.open(write_run(tmp_path / f"{seed}.parquet", columns["t_us"] * 1e-6, channels))
        laps = assess_laps(run, Doubts())
        seen += bool(laps.each)
        assert laps.each or laps.reasons
        assert bool(laps.each) == (laps.method == "signal")
    assert seen <= 1


def _reason(values: Floats) -> str:
    found = find_laps(frames(values))
    assert count(found) == 0
    assert found.reason is not None
    return found.reason.code


def test_every_refusal_has_its_reason() -> None:
    rng = np.random.default_rng(2)
    assert _reason(rng.normal(size=(2, 40))) == "signals_short"
    assert _reason(np.full((2, 3000), 7.0)) == "signals_constant"
    assert _reason(rng.normal(size=(4, 3000))) == "signals_unrepeating"
    assert _reason(lapped(1, laps=1, before=0.05, after=0.1, stall=False)[0])
    # What repeats each second is no lap, and no five of it are.
    ticking = np.sin(2 * np.pi * np.arange(3000) / HZ / 1.25)[None] + 0.02 * rng.normal(size=(1, 3000))
    assert _reason(ticking) == "contrast_low"


def test_two_equal_halves_cannot_be_told_from_laps() -> None:
    """A lap whose halves are alike in every channel is reported as two: nothing in the signals says otherwise."""
    values, _ = lapped(5, laps=8, before=0.05, after=0.1, stall=False)
    assert count(find_laps(frames(values))) == 8  # eight halves or eight laps: the same signals


def test_halves_that_differ_in_one_channel_are_one_lap() -> None:
    values, starts_s = lapped(5, laps=8, before=0.05, after=0.1, stall=False)
    rng = np.random.default_rng(6)
    moments = np.arange(values.shape[1]) / HZ
    half = np.searchsorted(starts_s, moments) % 2  # every second one climbs
    hill = np.convolve(np.where(half == 1, 1.0, -1.0), np.ones(30) / 30, "same") + 0.1 * rng.normal(size=len(half))
    assert count(find_laps(frames(np.vstack((values, hill))))) == 4


def test_laps_do_not_reach_across_what_was_not_measured() -> None:
    values, starts_s = lapped(8, laps=8, before=0.05, after=0.1, stall=False)
    first, last = (int(starts_s[3] * HZ) + 20, int(starts_s[4] * HZ) + 20)
    values[:, first:last] = np.nan
    found = find_laps(frames(values))
    assert len(found.boundaries_s) == 2
    # A little over three laps before and over four after: seven from a place early on the lap, six from one late on it.
    assert count(found) in (6, 7)
    for part in found.boundaries_s:
        assert part[-1] <= first / HZ + 0.2 or part[0] >= last / HZ - 0.2


def test_a_pause_of_five_minutes_is_part_of_one_lap() -> None:
    values, _ = lapped(9, laps=6, before=0.05, after=0.1, stall=False)
    middle = values.shape[1] // 2
    rest = -3.0 + 0.1 * np.random.default_rng(1).normal(size=(3, 3000))
    found = find_laps(frames(np.concatenate((values[:, :middle], rest, values[:, middle:]), axis=1)))
    assert count(found) == 6
    assert max(np.diff(found.boundaries_s[0])) > 300


def test_a_long_run_is_aligned_in_segments() -> None:
    """Four hours: every lap counted, none lost where segments meet."""
    values, starts_s = lapped(3, laps=20, stall=False)
    first, last = int(starts_s[0] * HZ), int(starts_s[-1] * HZ)
    often = 144_000 // (last - first)
    rng = np.random.default_rng(4)
    whole = np.concatenate([values[:, :first], *[values[:, first:last]] * often, values[:, last:]], axis=1)
    found = find_laps(frames(whole + 0.05 * rng.normal(size=whole.shape)))
    assert abs(count(found) - 20 * often) <= 1


def test_ways_to_tell_laps_apart(tmp_path: Path) -> None:
    """The same drive by marks, by distance, by the signals, by marks put in later; none where the file says so."""
    crossings_s = np.array(drive(3).crossings_s)
    length_m = drive(3).scenario.drive.course.length_m
    found = {}
    for way in ("marker", "distance", "signal", "none"):
        (tmp_path / way).mkdir()
        text = f'{CART}[lap]\nlength_m = {length_m:.2f}\nmarked_by = "{way}"\n'
        found[way] = assess_laps(drive_run(3, tmp_path / way, text), Doubts())
    for way in ("marker", "distance", "signal"):
        assert found[way].method == way
        assert len(found[way].each) == len(crossings_s) - 1
        assert found[way].reasons == ()
    marks = np.array([lap.start_s for lap in found["marker"].each])
    assert marks == pytest.approx(crossings_s[:-1], abs=0.4)  # the operator's press comes up to 0.3 s late
    assert found["marker"].before_s == (0.0, pytest.approx(marks[0]))
    assert found["marker"].after_s == (pytest.approx(crossings_s[-1], abs=0.4), pytest.approx(drive(3).duration_s))
    assert (found["none"].method, found["none"].each) == (None, ())
    assert codes(found["none"]) == ["laps_unwanted"]

    run = drive_run(3, tmp_path)
    write_edits(run.path, Edits(lap_marks_s=(20.0, 31.0, 30.0, 1e6)))
    edited = assess_laps(Run.open(run.path), Doubts())
    assert (edited.method, [(lap.start_s, lap.end_s) for lap in edited.each]) == ("marker", [(20, 30), (30, 31)])
    write_edits(run.path, Edits(lap_marks_s=(20.0,)))
    assert codes(assess_laps(Run.open(run.path), Doubts())) == ["lap_marks_few"]


def test_distance_counts_without_the_signals_agreeing(tmp_path: Path) -> None:
    """A loop of another length than the signals': every length_m of the wheels from where they start."""
    run = drive_run(3, tmp_path, f'{CART}[lap]\nlength_m = 11.3\nmarked_by = "distance"\n')
    laps = assess_laps(run, Doubts())
    assert laps.method == "distance"
    table = run.series("left_wheel_count"), run.series("right_wheel_count")
    assert table[0] is not None
    assert table[1] is not None
    metres = np.pi * 0.254 / 24 * 0.5 * (table[0].value[-1] + table[1].value[-1])
    assert len(laps.each) == math.floor(metres / 11.3 + 0.02)


def test_without_marks_or_geometry_the_signals_decide(tmp_path: Path) -> None:
    laps = assess_laps(drive_run(3, tmp_path, machine=None, drop=("mark",)), Doubts())
    assert laps.method == "signal"
    assert [finding.code for finding in laps.findings] == ["laps_from_signal"]
    (tmp_path / "one").mkdir()
    bare = assess_laps(
        Run.open(
            write_run(tmp_path / "one" / "r.parquet", np.arange(0.0, 60.0), {"ambient_temp_c": np.full(60, 20.0)})
        ),
        Doubts(),
    )
    assert (bare.method, codes(bare)) == (None, ["lap_channels_absent"])


def test_a_part_of_a_run_has_the_laps_that_lie_in_it(tmp_path: Path) -> None:
    whole = assess_laps(drive_run(3, tmp_path), Doubts())
    part = assess_laps(
        Run.open(tmp_path / "3.parquet", from_s=whole.each[1].start_s - 1, to_s=whole.each[2].end_s + 1), Doubts()
    )
    assert [lap.start_s for lap in part.each] == [lap.start_s for lap in whole.each[1:3]]


def test_json_and_laps_per_charge(tmp_path: Path) -> None:
    laps = assess_laps(drive_run(5, tmp_path), Doubts())
    found = laps_json(laps)
    assert set(found) == {"method", "found", "each"}
    assert found["found"] == len(laps.each) == 5
    assert list(lap_json(laps.each[0])) == ["start_s", "end_s", "duration_s", "net_wh", "net_ah", "peak_a"]
    assert all(isinstance(value, float) for value in lap_json(laps.each[0]).values())
    full, left = laps_per_charge(laps, Estimate(20, 15, 22, "Ah"), refuse("Ah", Reason("start_unknown")), 1.0, Doubts())
    mean = np.mean([lap.net_ah for lap in laps.each if lap.net_ah is not None])
    assert value_of(full) == pytest.approx(20 / mean)
    consistent(full)
    assert left.reasons == (Reason("start_unknown"),)


@examples(0.25)
@given(st.integers(0, 10**6), st.integers(1, 4), st.integers(1, 1500), st.integers(0, 3))
def test_nothing_breaks_the_finder(seed: int, channels: int, length: int, holes: int) -> None:
    """Any signals with any holes: laps that grow within the run, or a reason."""
    rng = np.random.default_rng(seed)
    values = np.repeat(rng.normal(size=(channels, -(-length // 7))), 7, axis=1)[:, :length]
    for _ in range(holes):
        begin = int(rng.integers(0, length))
        values[:, begin : begin + int(rng.exponential(50))] = np.nan
    if not np.isfinite(values).any():
        return
    found: SignalLaps = find_laps(frames(values))
    assert found.boundaries_s or found.reason
    for part in found.boundaries_s:
        assert (np.diff(part) > 0).all()
        assert part[0] >= 0
        assert part[-1] <= length / HZ


def test_boundaries_default_to_nothing_left_out() -> None:
    assert Boundaries((1.0, 2.0)).doubtful == ()


DOUBTED = {
    ("current_sign", "", "battery_current_a"): ("net_ah", "net_wh"),
    ("channel_stuck", "", "battery_current_a"): ("net_ah", "net_wh", "peak_a"),
    ("channel_stuck", "voltage", "battery_voltage_v"): ("net_wh", "min_voltage_v", "sag_v"),
    ("time_bases_differ", "voltage", "battery_voltage_v"): ("net_wh",),
    ("channels_disagree", "left", "left_current_a"): ("left_ah",),
    ("cut_top", "", "battery_current_a"): (),
}
"""What a lap loses to a doubt (code, variant, channel). docs/methods.md, Bad data."""


@pytest.mark.parametrize(("doubted", "lost"), DOUBTED.items(), ids=["-".join(filter(None, each)) for each in DOUBTED])
def test_a_doubted_channel_takes_its_figures_of_each_lap_away(
    tmp_path: Path, doubted: tuple[str, str, str], lost: tuple[str, ...]
) -> None:
    code, variant, channel = doubted
    run = drive_run(3, tmp_path)
    plain = assess_laps(run, Doubts()).each
    held = assess_laps(run, doubts_of(code, variant, channel)).each
    assert plain
    for before, after in zip(plain, held, strict=True):
        figures = ("net_ah", "net_wh", "peak_a", "min_voltage_v", "sag_v", "left_ah", "right_ah")
        assert all(getattr(before, name) is not None for name in figures)
        assert tuple(name for name in figures if getattr(after, name) is None) == tuple(
            name for name in figures if name in lost
        )
        assert (after.start_s, after.end_s) == (before.start_s, before.end_s)


def doubts_of(code: str, variant: str, *channels: str) -> Doubts:
    return Doubts.of([Doubt(Reason(code, "danger"), channels, variant)])


def test_laps_per_charge_under_a_doubt(tmp_path: Path) -> None:
    run = drive_run(3, tmp_path)
    full_ah, left_ah = Estimate(20, 15, 22, "Ah"), refuse("Ah", Reason("start_unknown"))
    turned = doubts_of("current_sign", "", "battery_current_a")
    why = Reason("doubted", "danger", finding="current_sign")
    full, left = laps_per_charge(assess_laps(run, turned), full_ah, left_ah, 1.0, turned)
    assert full.reasons == (why,)
    assert left.reasons == (why, Reason("start_unknown"))
    # Without a trusted voltage the end may come sooner: an upper limit.
    elsewhere = doubts_of("voltage_unanswering", "", "battery_voltage_v")
    full, _ = laps_per_charge(assess_laps(run, elsewhere), full_ah, left_ah, 1.0, elsewhere)
    assert (full.bound, full.low) == ("at_most", None)


@pytest.mark.parametrize("laps", [6, 9, 15, 30])
def test_laps_of_one_load_that_comes_and_goes_are_not_taken_by_twos(tmp_path: Path, laps: int) -> None:
    """Between its two changes the load stands still and is like itself at any short lag: 20 s were read as 40."""
    rng = np.random.default_rng(laps)
    time_s = np.arange(0, 20.0 * laps, 0.1)
    amps = 12.5 + 8.0 * (time_s % 20 < 5)
    channels = {
        "battery_current_a": amps + rng.normal(0, 0.02, len(amps)),
        "battery_voltage_v": 25.6 - 0.03 * amps + rng.normal(0, 0.005, len(amps)),
    }
    found = assess_laps(Run.open(write_run(tmp_path / "laps.parquet", time_s, channels)), Doubts())
    assert laps - 1 <= len(found.each) <= laps
    assert [lap.end_s - lap.start_s for lap in found.each] == pytest.approx([20.0] * len(found.each), abs=0.25)
