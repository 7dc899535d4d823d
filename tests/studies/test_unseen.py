"""The generators of the unseen drives know the truth that they claim, and a few of their cases hold today.

The whole of it is `python -m benchmarks.unseen_drives`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.studies import coverage_cases, unseen_forecasts, unseen_laps, unseen_logs, unseen_margins
from tests.studies.unseen_battery import CELLS, Pack, draw_pack
from tests.studies.unseen_circuits import odd_loop, square
from tests.studies.unseen_laps import LapOutcome, boundary_error
from tests.studies.unseen_machine import Board, Leg, Stretch, Vehicle, Wait, drive, lay, record
from tests.studies.unseen_margins import MarginOutcome

PACK = Pack("agm", 12, 20.0)


@pytest.mark.parametrize("chemistry", CELLS)
def test_a_step_drops_the_voltage_by_the_known_resistance(chemistry: str) -> None:
    pack = draw_pack(np.random.default_rng(3), chemistry, 20.0)
    step_s, at = 0.01, 2000
    amps = np.where(np.arange(6000) < at, 0.0, 10.0)
    volts = pack.volts(amps, step_s, 4.0)
    for scale_s in (0.1, 1.0, 10.0):
        place = at + round(scale_s / step_s)
        moved = float(pack.open_v(4.0) - pack.open_v(4.0 + 10.0 * scale_s / 3600))
        assert (volts[0] - volts[place] - moved) / 10.0 == pytest.approx(pack.after_ohm(scale_s, 4.0), rel=0.01)


def test_a_faster_discharge_gives_less_and_ends_at_the_end_voltage() -> None:
    assert 0.2 * PACK.capacity_ah < PACK.sheet_ah(1.0) < PACK.sheet_ah(5.0) < PACK.sheet_ah(20.0) < PACK.capacity_ah
    amps = np.full(20_000, PACK.sheet_ah(1.0))
    assert PACK.ends_s(amps, 1.0, 0.0) == pytest.approx(3600, rel=0.02)
    assert PACK.ends_s(np.full(100, 1.0), 1.0, 0.0) == math.inf


def test_a_machine_is_where_its_wheels_took_it() -> None:
    rng = np.random.default_rng(1)
    laid = lay(odd_loop(rng), rng)
    trip = drive([Wait(5.0), Leg(laid, 0.0, 3.25 * laid.length_m), Wait(5.0)], Vehicle(), PACK, rng)
    (stretch,) = trip.stretches
    assert stretch.count == pytest.approx(3.25)
    gone_m = 0.5 * (trip.truth["left_wheel_m"] + trip.truth["right_wheel_m"])
    at = np.searchsorted(trip.time_s, stretch.passed_s(np.array([1.0, 2.0, 3.0])))
    assert gone_m[at] / laid.length_m == pytest.approx([1.0, 2.0, 3.0], abs=0.05)
    made = record(trip, PACK, Board(rate_hz=50), rng)
    assert float(np.median(np.diff(made["t_s"]))) == pytest.approx(0.02)
    added = made["left_current_a"] + made["right_current_a"] + Vehicle().standby_a
    assert float(np.median(made["battery_current_a"] - added)) == pytest.approx(0.0, abs=0.3)
    with pytest.raises(ValueError, match="finer grid"):
        record(trip, PACK, Board(rate_hz=1000), rng)


def test_only_the_floor_tells_the_sides_of_a_square_apart() -> None:
    laid = lay(square(6.0), np.random.default_rng(2))
    sides = [np.array_split(values, 4) for values in (laid.speed, laid.curvature, laid.floor)]
    for same in sides[:2]:
        assert np.corrcoef(same[0][: len(same[3])], same[3])[0, 1] > 0.9
    assert abs(np.corrcoef(sides[2][0][: len(sides[2][3])], sides[2][3])[0, 1]) < 0.6


# The slow ones are left to the benchmark.
QUICK = [family for family in unseen_laps.FAMILIES if family.name not in unseen_laps.SLOW]


@pytest.mark.parametrize("family", QUICK, ids=lambda family: family.name)
def test_every_family_of_drives_is_the_same_again_and_says_its_laps(family: unseen_laps.LapFamily) -> None:
    one, other = family.make(5), family.make(5)
    assert all(np.array_equal(one.record[name], other.record[name]) for name in one.record)
    assert (one.laps == 0) == family.name.startswith("none")
    assert one.laps == 0 or one.laps >= 2
    assert (np.diff(one.record["t_s"]) > 0).all()


def test_boundaries_are_held_against_the_true_passages() -> None:
    time_s = np.linspace(0, 100, 1001)
    first = Stretch(time_s, time_s / 20)
    laps = [(3.0 + 20 * k, 23.0 + 20 * k) for k in range(4)]
    assert boundary_error(laps, [first]) == pytest.approx(0.0, abs=1e-6)
    assert boundary_error([*laps[:3], (63.0, 85.0)], [first]) == pytest.approx(0.08, abs=0.03)
    second = Stretch(time_s + 110, time_s / 25)
    assert boundary_error([*laps, (83.0, 130.0)], [first, second]) == math.inf
    assert boundary_error([], [first]) is None


def test_a_boundary_while_the_machine_stands_at_the_line_is_no_error() -> None:
    """It stands for 4 s after every lap of 16 s: any moment of them is the end of the lap."""
    time_s = np.linspace(0, 100, 1001)
    shuttle = Stretch(time_s, np.minimum(np.floor(time_s / 20) + np.mod(time_s, 20) / 16, np.floor(time_s / 20) + 1))
    assert boundary_error([(0.0, 16.5), (16.5, 39.5), (39.5, 57.0)], [shuttle]) == 0.0
    assert (boundary_error([(0.0, 16.5), (16.5, 39.5), (39.5, 54.0)], [shuttle]) or 0.0) > 2 / 20


def test_verdicts_on_counts() -> None:
    told = [LapOutcome("x", 0, true, found, None).verdict for true, found in ((4, 4), (4, 3), (4, 8), (4, 1), (4, 0))]
    assert told == ["right", "off by one", "over", "under", "refused"]
    assert [LapOutcome("x", 0, 0, found, None).verdict for found in (0, 7)] == ["right", "false"]


@pytest.mark.parametrize("name", ["odd loop", "line to line", "none: constant load"])
def test_what_is_counted_right_today(name: str) -> None:
    assert unseen_laps.judge(unseen_laps.BY_NAME[name], 0).verdict == "right"


def test_a_log_s_findings_are_held_against_its_truth() -> None:
    good = unseen_logs.judge(unseen_logs.BY_NAME["drive, 1 Hz"], 0)
    assert (good.false, good.hit) == (frozenset(), None)
    typed = unseen_logs.judge(unseen_logs.BY_NAME["typed: one number, drive at 1 Hz"], 0)
    assert typed.hit
    assert not typed.false
    half = unseen_logs.judge(unseen_logs.BY_NAME["40:60 balance"], 0)
    assert half.share_error == pytest.approx(0.0, abs=0.02)


def test_the_typed_current_has_no_step_where_the_voltage_jumps() -> None:
    log = unseen_logs.BY_NAME["typed: by pieces, stepped load at 1 Hz"].make(1)
    jumps = np.flatnonzero(np.abs(np.diff(log.record["battery_voltage_v"])) > 0.1)
    steps = np.flatnonzero(np.diff(log.record["battery_current_a"]))
    assert len(jumps)
    assert not set(jumps) & set(steps)


def test_slow_boards_and_gaps_are_held_against_1_khz() -> None:
    found = unseen_margins.study(1, (100,), (0.5,))
    assert {each.case for each in found} == {"100 Hz", "gap of 0.5 s"}
    assert all(abs(each.error or 0.0) < 0.05 for each in found if each.case == "100 Hz")
    above = MarginOutcome("x", 0, "left", 1.0, "near", 1.2, 1.1, "estimate", "below")
    assert (above.too_high, above.low_above, above.unsafe) == (True, True, True)
    open_below = MarginOutcome("x", 0, "left", 1.0, "near", 1.2, None, "at_most", "unknown")
    assert (open_below.too_high, open_below.low_above, open_below.unsafe) == (False, False, False)


def test_figures_of_a_known_battery() -> None:
    found = {each.what: each for each in unseen_forecasts.known(1, "agm", rested=True)}
    assert found["open-circuit V, agm, from rest"].holds
    assert found["resistance 10 s, agm"].holds
    assert not any(each.value for each in unseen_forecasts.slow_rows(1, 60.0))
    laps = unseen_forecasts.laps_ahead(1)[0]
    assert laps.truth is not None
    assert laps.width is not None
    assert not unseen_forecasts.Figure("x", 0, 1.0, 2.0, 1.5, 3.0).holds
    assert unseen_forecasts.Figure("x", 0, 1.0, 2.0, 1.5, 3.0).below


@pytest.mark.parametrize("name", ["50 Hz", "parallel blocks", "sensors in the motor leads"])
def test_a_coverage_case_s_truth_is_that_of_its_record(name: str) -> None:
    """Within the errors of its sensors: 0.5 % and 0.04 A or 3 mV, 1 σ."""
    case = coverage_cases.CASES[name](1)
    for lead, channel in coverage_cases.LEADS.items():
        true_a = case.truth[f"current.{lead}.mean_a"]
        assert float(case.record[channel].mean()) == pytest.approx(true_a, abs=0.15 + 0.02 * abs(true_a))
    power = case.record["battery_current_a"] * case.record["battery_voltage_v"]
    energy_wh = float(power.sum() * np.diff(case.record["t_s"])[0]) / 3600
    assert energy_wh == pytest.approx(case.truth["energy.net_wh"], rel=0.05)
    assert float(case.record["battery_voltage_v"].min()) == pytest.approx(case.truth["battery.min_voltage_v"], rel=0.01)
