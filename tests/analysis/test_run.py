"""Opening runs: corrections, delays, drift, gaps, parts of runs, and what is refused with one line."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.battery.state_of_charge import valid_fraction, valid_hours
from amptally.analysis.errors import RunContentError
from amptally.analysis.runs.folder import sibling_runs
from amptally.analysis.runs.run import Run, Series, together
from amptally.analysis.signals.gaps import find_gaps
from amptally.logger.errors import LoggerError
from amptally.logger.storage.edits import Edits, write_edits
from amptally.logger.storage.metadata import Gap, Metadata
from amptally.logger.storage.runfile import write_frame
from tests.analysis.build_runs import CART, Floats, frame_of, write_run
from tests.strategies import examples

T_S = np.arange(0, 20, 0.1)


def opened(folder: Path, channels: dict[str, Any], t_s: Floats = T_S, **metadata: Any) -> Run:
    """A run written as the next file of a folder."""
    name = f"run{len(list(folder.iterdir()))}.parquet"
    return Run.open(write_run(folder / name, t_s, channels, **metadata))


def values(run: Run, si_name: str) -> Floats:
    series = run.series(si_name)
    assert series is not None
    return series.value


def times(run: Run, si_name: str) -> Floats:
    series = run.series(si_name)
    assert series is not None
    return series.time_s


def test_values_are_si_and_nulls_are_left_out(tmp_path: Path) -> None:
    amps = np.where(T_S < 5, np.nan, 12.5)
    run = opened(tmp_path, {"battery_current_a": amps, "fuse_temp_c": 31.25, "pulse_a_us": 1500.0, "mark": 2.0})
    assert len(values(run, "battery_current_a")) == (T_S >= 5).sum()
    assert (values(run, "battery_current_a") == 12.5).all()
    assert times(run, "battery_current_a")[0] == pytest.approx(5.0)
    assert values(run, "fuse_temp_c")[0] == pytest.approx(31.25)
    assert (values(run, "pulse_a_us")[0], values(run, "mark")[0]) == (1500.0, 2.0)
    assert run.series("left_current_a") is None
    assert not run.has("receiver_voltage_v")
    assert run.columns == ("battery_current_a", "pulse_a_us", "fuse_temp_c", "mark")


def test_a_channel_of_nulls_is_not_measured(tmp_path: Path) -> None:
    assert opened(tmp_path, {"battery_current_a": np.full(200, np.nan)}).series("battery_current_a") is None


def test_corrections_of_the_machine_file(tmp_path: Path) -> None:
    # docs/nomenclature.md: corrected = (raw − offset) / (1 + gain); delay_s is taken off the time
    sensors = "[sensors.battery_current]\noffset = 0.5\ngain = 0.25\ndelay_s = 0.03\noffset_u = 0.02\ngain_u = 0.004\n"
    run = opened(tmp_path, {"battery_current_a": 10.5, "battery_voltage_v": 25.0}, machine=CART + sensors)
    assert values(run, "battery_current_a")[0] == pytest.approx(8.0)
    assert np.allclose(times(run, "battery_current_a"), T_S - 0.03)
    assert values(run, "battery_voltage_v")[0] == pytest.approx(25.0)
    assert np.array_equal(times(run, "battery_voltage_v"), run.time_s)
    assert (run.sensor("battery_current_a").offset_u, run.sensor("battery_current_a").gain_u) == (0.02, 0.004)
    assert run.sensor("battery_voltage_v").gain_u is None


def test_interval_extremes_share_their_lead_s_correction(tmp_path: Path) -> None:
    sensors = "[sensors.left_current]\noffset = 0.5\ngain = 0.25\ndelay_s = 0.03\n"
    channels = {"left_current_a": 10.5, "left_current_min_a": -4.5, "left_current_max_a": 20.5}
    run = opened(tmp_path, channels, machine=CART + sensors)
    assert values(run, "left_current_min_a")[0] == pytest.approx(-4.0)
    assert values(run, "left_current_max_a")[0] == pytest.approx(16.0)
    assert np.array_equal(times(run, "left_current_max_a"), times(run, "left_current_a"))
    own = opened(tmp_path, channels, machine=CART + sensors + "[sensors.left_current_max]\noffset = 1.5\n")
    assert values(own, "left_current_max_a")[0] == pytest.approx(19.0)


def test_interval_rms_loses_the_offset_as_squares_do(tmp_path: Path) -> None:
    # Within an interval i takes 3 and 7 A; the sensor reads (1 + 0.1) i + 2.
    true_a = np.array([3.0, 7.0])
    raw = 1.1 * true_a + 2
    channels = {"left_current_a": raw.mean(), "left_current_rms_a": np.sqrt((raw**2).mean())}
    run = opened(tmp_path, channels, machine=CART + "[sensors.left_current]\noffset = 2\ngain = 0.1\n")
    assert values(run, "left_current_rms_a")[0] == pytest.approx(np.sqrt((true_a**2).mean()), rel=1e-6)


def test_full_scale_and_corner_come_from_the_board_where_the_file_is_silent(tmp_path: Path) -> None:
    entry = {"channel": "left_current_ua", "full_scale": 200_000_000, "corner_mhz": 150_000}
    run = opened(tmp_path, {"left_current_a": 1.0}, board={"channels": [entry]})
    assert (run.sensor("left_current_a").full_scale, run.sensor("left_current_a").bandwidth_hz) == (200.0, 150.0)
    assert run.sensor("right_current_a").full_scale is None
    said = CART + "[sensors.left_current]\nfull_scale = 50\n"
    both = opened(tmp_path, {"left_current_a": 1.0}, machine=said, board={"channels": [entry]})
    assert (both.sensor("left_current_a").full_scale, both.sensor("left_current_a").bandwidth_hz) == (50.0, 150.0)


@pytest.mark.parametrize("board", [{}, {"channels": None}, {"channels": 7}, {"channels": [3, {"channel": "mark"}]}])
def test_a_strange_board_description_is_no_error(tmp_path: Path, board: dict[str, Any]) -> None:
    assert opened(tmp_path, {"left_current_a": 1.0}, board=board).sensor("left_current_a").full_scale is None


def test_drift_is_applied_where_it_is_known_and_believable(tmp_path: Path) -> None:
    # ../shared/design.md, Time: only while |drift| ≤ 1000 ppm
    cases = [(100.0, 1e-6, True), (1500.0, 1e-6, False), (100.0, 1e-3, False), (None, None, False)]
    for drift, rate_u, applied in cases:
        clock = {"drift_ppm": drift, "rate_u": rate_u, "rate": 1.0, "residual_us": 10.0}
        run = opened(tmp_path, {"battery_current_a": 1.0}, clock=clock)
        expected = T_S / 1.0001 if applied else T_S
        assert np.allclose(run.time_s, expected, rtol=1e-12)


def test_metadata_of_nan_are_refused(tmp_path: Path) -> None:
    # Python's JSON reader takes NaN; a file from elsewhere may hold it.
    described = Metadata("nan").to_json().replace('"clock": {}', '"clock": {"drift_ppm": NaN, "rate_u": 1e-7}')
    described = described.replace('"max_gap_s": null', '"max_gap_s": NaN').replace(
        '"gaps": []', '"gaps": [{"start_s": NaN, "end_s": null, "kind": "reset"}]'
    )
    described = described.replace('"start_charge": null', '"start_charge": NaN').replace(
        '"rested_h": null', '"rested_h": NaN'
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # polars marks its file metadata as experimental
        frame_of(T_S, {"battery_current_a": 1.0}).write_parquet(
            tmp_path / "nan.parquet", metadata={"amptally": described}
        )
    with pytest.raises(LoggerError) as caught:
        Run.open(tmp_path / "nan.parquet")
    assert "\n" not in str(caught.value)


def test_gaps_carry_the_reason_that_the_recorder_knew(tmp_path: Path) -> None:
    t_s = np.concatenate((np.arange(0, 10, 0.1), np.arange(20, 30, 0.1), np.arange(50, 60, 0.1)))
    gaps = (Gap(9.9, 20.0, "unplugged"),)
    found = opened(tmp_path, {"battery_current_a": 1.0}, t_s, gaps=gaps).gaps()
    assert [(gap.start_s, gap.end_s, gap.kind) for gap in found] == [
        (pytest.approx(9.9), pytest.approx(20.0), "unplugged"),
        (pytest.approx(29.9), pytest.approx(50.0), "source"),
    ]


@pytest.mark.parametrize("delay_s", [0.0, 0.03, 0.35])
@pytest.mark.parametrize("drift", [0.0, 900.0])
def test_a_reset_without_a_known_length_is_a_gap_at_its_own_place(tmp_path: Path, delay_s: float, drift: float) -> None:
    t_s = np.arange(0, 1000, 0.1)
    sensors = f"[sensors.battery_current]\ndelay_s = {delay_s}\n"
    clock = {"drift_ppm": drift, "rate_u": 1e-6}
    run = opened(
        tmp_path,
        {"battery_current_a": 1.0},
        t_s,
        gaps=(Gap(800.0, None, "reset"),),
        machine=CART + sensors,
        clock=clock,
    )
    found = run.gaps()
    assert [(gap.end_s, gap.kind) for gap in found] == [(None, "reset")]
    assert found[0].start_s == pytest.approx(800.0 / (1 + drift * 1e-6))
    current = run.series("battery_current_a")
    assert current is not None
    assert np.flatnonzero(current.gap_after).tolist() == [8000]
    assert run.gap_unknown


def test_max_gap_of_the_import_replaces_the_rule(tmp_path: Path) -> None:
    t_s = np.cumsum(np.where(np.arange(100) == 50, 0.5, 0.1)) - 0.1
    assert not opened(tmp_path, {"battery_current_a": 1.0}, t_s).gaps()
    run = opened(tmp_path, {"battery_current_a": 1.0}, t_s, max_gap_s=0.3)
    assert [gap.kind for gap in run.gaps()] == ["source"]


def test_many_gaps_are_named_quickly_and_in_order(tmp_path: Path) -> None:
    t_s = np.cumsum(np.where(np.arange(40_000) % 20 == 19, 1.0, 0.01))
    t_s -= t_s[0]
    starts = t_s[:-1][np.diff(t_s) > 0.5]
    gaps = tuple(Gap(float(start), float(start) + 1, "link") for start in starts[::-1])
    found = opened(tmp_path, {"battery_current_a": 1.0}, t_s, gaps=gaps).gaps()
    assert len(found) == len(starts)
    assert {gap.kind for gap in found} == {"link"}
    assert [gap.start_s for gap in found] == sorted(gap.start_s for gap in found)


def test_a_part_holds_its_own_samples_at_their_own_times(tmp_path: Path) -> None:
    path = write_run(tmp_path / "run.parquet", T_S, {"battery_current_a": T_S})
    part = Run.open(path, from_s=5.0, to_s=8.0)
    assert (part.time_s[0], part.time_s[-1]) == pytest.approx((5.0, 8.0))
    assert part.duration_s == pytest.approx(3.0)
    assert values(part, "battery_current_a").tolist() == pytest.approx(times(part, "battery_current_a").tolist())
    before = part.from_start()
    assert (before.time_s[0], before.time_s[-1]) == pytest.approx((0.0, 8.0))
    assert values(before, "battery_current_a")[0] == 0.0
    assert part.from_start() is before
    assert before.from_start() is before
    assert Run.open(path).from_start().rows == 200


@given(st.integers(0, 199), st.integers(0, 199))
@examples(0.3)
def test_any_part_equals_that_slice_of_the_whole(tmp_path_factory: pytest.TempPathFactory, a: int, b: int) -> None:
    first, last = sorted((a, b))
    path = tmp_path_factory.getbasetemp() / "parts.parquet"
    if not path.exists():
        write_run(path, T_S, {"battery_current_a": np.sin(T_S), "battery_voltage_v": 24 + np.cos(T_S)})
    whole = Run.open(path)
    part = Run.open(path, from_s=float(whole.time_s[first]), to_s=float(whole.time_s[last]))
    assert part.rows == last - first + 1
    for name in ("battery_current_a", "battery_voltage_v"):
        assert np.array_equal(values(part, name), values(whole, name)[first : last + 1])


def test_edits_are_merged(tmp_path: Path) -> None:
    path = write_run(tmp_path / "run.parquet", T_S, {"battery_current_a": 1.0}, notes=("first",))
    write_edits(path, Edits(notes=("second",), tags=("ramp",)))
    run = Run.open(path)
    assert (run.metadata.notes, run.metadata.tags) == (("first", "second"), ("ramp",))


@pytest.mark.parametrize(("said", "kept"), [(1.0, 1.0), (0.0, 0.0), (1.7, None), (-1.0, None), (None, None)])
def test_a_start_charge_that_is_no_fraction_is_not_believed(said: float | None, kept: float | None) -> None:
    assert valid_fraction(said) == kept
    assert valid_hours(said) == (said if said is not None and said >= 0 else None)


def refused(path: Path, **options: Any) -> str:
    """The one-line message of a run that cannot be used."""
    with pytest.raises(RunContentError) as caught:
        Run.open(path, **options)
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_an_empty_run_is_refused(tmp_path: Path) -> None:
    assert "holds no samples" in refused(write_run(tmp_path / "run.parquet", [], {"battery_current_a": []}))


@pytest.mark.parametrize("times_us", [[0, 10, 10, 20], [0, 20, 10], [0, None, 20], [0, 2**62], [-(2**63), 2**63 - 1]])
def test_times_that_cannot_be_times_are_refused(tmp_path: Path, times_us: list[int | None]) -> None:
    frame = pl.DataFrame({"t_us": pl.Series(times_us, dtype=pl.Int64)})
    write_frame(tmp_path / "run.parquet", frame, Metadata("run"))
    with pytest.raises((RunContentError, LoggerError)) as caught:
        Run.open(tmp_path / "run.parquet")
    assert "\n" not in str(caught.value)


def test_a_range_without_samples_is_refused_and_told_where_the_run_ends(tmp_path: Path) -> None:
    path = write_run(tmp_path / "run.parquet", T_S, {"battery_current_a": 1.0})
    message = refused(path, from_s=30.0)
    assert "it ends at 19.9 s" in message
    assert refused(path, from_s=-9.0, to_s=-5.0)


def test_a_machine_of_another_arrangement_is_refused_when_asked_for(tmp_path: Path) -> None:
    path = write_run(tmp_path / "run.parquet", T_S, {"battery_voltage_v": 12.6})
    machine = tmp_path / "cart.toml"
    machine.write_text(CART, encoding="utf-8")
    message = refused(path, machine=machine)
    assert "cart.toml does not fit this run" in message
    assert "24 V" in message
    machine.write_text(CART.replace('"series"', '"parallel"'), encoding="utf-8")
    run = Run.open(path, machine=machine)
    assert run.machine_replaced
    assert run.arrangement_mismatch() is None


def test_an_embedded_machine_of_another_arrangement_is_told_not_raised(tmp_path: Path) -> None:
    run = opened(tmp_path, {"battery_voltage_v": 12.6}, machine=CART)
    mismatch = run.arrangement_mismatch()
    assert mismatch is not None
    assert "parallel" in str(mismatch)


def test_files_that_are_no_runs_are_one_line_errors(tmp_path: Path) -> None:
    (tmp_path / "text.parquet").write_text("not a run", encoding="utf-8")
    pl.DataFrame({"a": [1]}).write_parquet(tmp_path / "other.parquet")
    good = write_run(tmp_path / "good.parquet", T_S, {"battery_current_a": 1.0}).read_bytes()
    (tmp_path / "short.parquet").write_bytes(good[: len(good) // 2])
    for name in ("text.parquet", "other.parquet", "short.parquet", "none.parquet"):
        with pytest.raises(LoggerError) as caught:
            Run.open(tmp_path / name)
        assert "\n" not in str(caught.value)


def test_siblings_are_in_order_of_their_start_without_unreadable_and_empty_ones(tmp_path: Path) -> None:
    for name, start in (("b", "2026-03-01T10:00:00+00:00"), ("c", "2026-02-01T10:00:00+00:00"), ("d", None)):
        write_run(tmp_path / f"{name}.parquet", T_S, {"battery_current_a": 1.0}, start_utc=start, machine=CART)
    mine = write_run(tmp_path / "a.parquet", T_S, {"battery_current_a": 1.0})
    write_run(tmp_path / "empty.parquet", [], {"battery_current_a": []})
    (tmp_path / "broken.parquet").write_bytes(b"PAR1 and nothing else")
    found = sibling_runs(mine)
    assert [path.stem for path, _, _ in found] == ["d", "c", "b"]
    assert [battery for *_, battery in found] == ["pack-7"] * 3


def series(t_s: object, value: object) -> Series:
    t_s = np.asarray(t_s, float)
    return Series(t_s, np.broadcast_to(np.asarray(value, float), t_s.shape), find_gaps(t_s))


def test_together_interpolates_within_the_stretch_that_both_cover() -> None:
    first, second = series(np.arange(0, 10, 1.0), 3.0), series(np.arange(2.5, 20, 0.5), np.arange(2.5, 20, 0.5) * 2)
    t_s, a, b, gap = together(first, second)
    assert t_s.tolist() == [3, 4, 5, 6, 7, 8, 9]
    assert b.tolist() == pytest.approx((t_s * 2).tolist())
    assert (len(a), len(gap)) == (7, 6)


def test_together_takes_over_the_gaps_of_both() -> None:
    first = series(np.arange(0, 100, 1.0), 1.0)
    holed = np.concatenate((np.arange(0, 40, 1.0), np.arange(70, 100, 1.0))) + 0.25
    t_s, _, _, gap = together(first, series(holed, 2.0))
    # Samples of the first that lie inside the hole of the second have no second value: all intervals there are gaps.
    assert t_s[:-1][gap].tolist() == np.arange(39.0, 71.0).tolist()
    t_s, _, _, gap = together(series(holed, 2.0), first)
    assert t_s[:-1][gap].tolist() == [39.25]


def test_together_of_channels_that_never_meet_is_empty() -> None:
    for first, second in ((range(5), range(10, 15)), (range(3), [1.5])):
        t_s, a, b, gap = together(series(list(first), 1.0), series(list(second), 2.0))
        assert len(t_s) == len(a) == len(b) == len(gap) == 0


def test_channels_with_one_delay_share_their_times(tmp_path: Path) -> None:
    sensors = "".join(f"[sensors.{name}]\ndelay_s = 0.004\n" for name in ("battery_voltage", "midpoint_voltage"))
    run = opened(tmp_path, {"battery_voltage_v": 25.0, "midpoint_voltage_v": 12.5}, machine=CART + sensors)
    assert times(run, "battery_voltage_v") is times(run, "midpoint_voltage_v")


def test_delayed_channels_meet_at_the_same_moment(tmp_path: Path) -> None:
    # A sine seen 40 ms late by the voltage sensor: after the correction volts follow amperes again.
    t_s = np.arange(0, 20, 0.01)
    amps = 10 + 5 * np.sin(t_s)
    late = 25 - 0.1 * (10 + 5 * np.sin(t_s - 0.04))
    machine = CART + "[sensors.battery_voltage]\ndelay_s = 0.04\n"
    run = opened(tmp_path, {"battery_current_a": amps, "battery_voltage_v": late}, t_s, machine=machine)
    first, second = run.series("battery_current_a"), run.series("battery_voltage_v")
    assert first is not None
    assert second is not None
    _, a, v, _ = together(first, second)
    assert np.abs(v - (25 - 0.1 * a)).max() < 1e-4
