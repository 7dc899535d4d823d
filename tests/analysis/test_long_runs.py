"""A run too long to be kept whole gives the results of one that is: the same file read both ways."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from amptally.analysis.exposure import long_square, run_exposure
from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.exposure.run_exposure import prepare_exposure
from amptally.analysis.exposure.square_integral import SquareIntegral
from amptally.analysis.laps import table as lap_table
from amptally.analysis.report.build import build_report
from amptally.analysis.report.single_pass import single_pass
from amptally.analysis.runs import long_envelope, run, samples
from amptally.analysis.runs.long_envelope import LongEnvelope
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.decimation import Envelope
from amptally.analysis.signals.series import Series, SeriesBuffer, together
from amptally.logger.storage.runfile import RunFile
from tests.analysis.build_runs import CART, Floats, write_run
from tests.strategies import examples

ROOT = Path(__file__).parents[2]
CHANNELS = ("battery_current_a", "left_current_a", "right_current_a", "battery_voltage_v")


@contextmanager
def read_in_stretches(stretch: int = 4096, whole: int = 0) -> Iterator[None]:
    """Every run with more than `whole` rows is long here, and stretches are short."""
    sizes = tuple(size for size in (4096, 256, 16) if size <= stretch)
    with (
        patch.object(run, "CACHED_ROWS", whole),
        patch.object(samples, "AT_ONCE_ROWS", whole),
        patch.object(samples, "STRETCH_ROWS", stretch),
        patch.object(run, "MARGIN_ROWS", 64),
        patch.object(lap_table, "STRETCH_ROWS", stretch),
        patch.object(long_square, "SIZES", sizes),
        patch.object(long_square, "TOGETHER", 2),
        patch.object(run_exposure, "CHUNK_ROWS", 256),
        patch.object(run_exposure, "CHUNKS", 3),
    ):
        yield


def drive(seed: int, samples: int, gaps: int) -> tuple[Floats, dict[str, Floats]]:
    """Steps of current with noise, a voltage that answers, gaps and some missing values."""
    rng = np.random.default_rng(seed)
    step_s = np.full(samples - 1, 0.002)
    step_s[rng.integers(0, samples - 1, gaps)] = 0.5
    t_s = np.round(np.concatenate(([0.0], np.cumsum(step_s))), 6)
    level = np.repeat(rng.choice([0.0, 3.0, 12.0, 30.0, -4.0], samples // 200 + 1), 200)[:samples]
    left, right = level + rng.normal(0, 0.4, samples), 0.8 * level + rng.normal(0, 0.4, samples)
    battery = left + right + 0.3
    battery[: min(1500, samples)] = rng.normal(0, 0.05, min(1500, samples))
    volts = 25.2 - 0.03 * battery + rng.normal(0, 0.004, samples)
    named = {"battery_current_a": battery, "left_current_a": left, "right_current_a": right, "battery_voltage_v": volts}
    return t_s, named


@pytest.mark.parametrize("gaps", [0, 7])
def test_stretches_are_the_whole(tmp_path: Path, gaps: int) -> None:
    t_s, channels = drive(1, 20_000, gaps)
    channels["right_current_a"][np.random.default_rng(2).random(20_000) < 0.4] = np.nan
    machine = CART + "[sensors.battery_voltage]\ndelay_s = 0.0031\n"
    path = write_run(tmp_path / "a.parquet", t_s, channels, machine=machine)
    whole = Run.open(path)
    with read_in_stretches():
        long = Run.open(path)
        assert (long.long, long.start_s, long.end_s) == (True, whole.start_s, whole.end_s)
        assert long.interval_s == whole.interval_s
        assert [gap.start_s for gap in long.gaps()] == [gap.start_s for gap in whole.gaps()]
        for name in CHANNELS:
            series = whole.series(name)
            assert series is not None
            parts = list(long.stretches(name))
            assert len(parts) == 5
            for before, after in itertools.pairwise(parts):
                assert (before.time_s[-1], before.value[-1]) == (after.time_s[0], after.value[0])
            assert np.array_equal(np.concatenate([parts[0].time_s, *(p.time_s[1:] for p in parts[1:])]), series.time_s)
            assert np.array_equal(np.concatenate(list(long.values(name))), series.value)
            if len(series.value) == whole.rows:
                assert np.array_equal(np.concatenate([p.gap_after for p in parts]), series.gap_after)
            assert long.extremes(name) == whole.extremes(name)
        for first, second in (CHANNELS[:2], CHANNELS[1:3], ("battery_current_a", "battery_voltage_v")):
            one, other = whole.series(first), whole.series(second)
            assert one is not None
            assert other is not None
            expected = together(one, other)
            pairs = list(long.paired(first, second))
            assert len(pairs) == 5
            for place in range(3):
                found = np.concatenate([pairs[0][place], *(pair[place][1:] for pair in pairs[1:])])
                assert np.allclose(found, expected[place], rtol=0, atol=1e-9)


def test_smoothed_stretches_hold_the_same_charge(tmp_path: Path) -> None:
    t_s, channels = drive(3, 20_000, 4)
    path = write_run(tmp_path / "a.parquet", t_s, channels, machine=CART)
    whole = Run.open(path).smooth("battery_current_a")
    with read_in_stretches():
        long = Run.open(path).smooth("battery_current_a")
    assert whole is not None
    assert long is not None
    assert len(whole.value) == pytest.approx(2000, abs=10)  # ten samples of 2 ms each
    assert len(long.value) == pytest.approx(len(whole.value), abs=10)
    assert float(long.value.mean()) == pytest.approx(float(whole.value.mean()), rel=2e-3)
    assert np.count_nonzero(long.gap_after) == np.count_nonzero(whole.gap_after) == 4


def test_a_gap_between_two_stretches_is_seen() -> None:
    def gaps(time_s: Floats) -> Any:
        return np.diff(time_s) > 1.0

    parts = [Series(np.array([0.0, 0.1]), np.ones(2), np.zeros(1, bool)) for _ in range(2)]
    later = Series(parts[1].time_s + 5, parts[1].value, parts[1].gap_after)
    joining = SeriesBuffer(gaps, 4)
    for part in (parts[0], later):
        joining.add(part)
    assert joining.series is not None
    assert joining.series.gap_after.tolist() == [False, True, False]


def exposures(path: Path, lead: str, **sizes: int) -> tuple[Exposure, Exposure]:
    whole = prepare_exposure(Run.open(path), lead)
    with read_in_stretches(**sizes):
        long = prepare_exposure(Run.open(path), lead)
    assert whole is not None
    assert long is not None
    assert isinstance(long.square, long_square.LongSquare)
    return whole, long


@examples(0.25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 10_000),
    samples=st.integers(300, 12_000),
    gaps=st.integers(0, 3),
    share=st.floats(0.0, 1.0),
    stretch=st.sampled_from([256, 4096]),
)
def test_windows_of_a_long_run_are_exact(
    tmp_path: Path, seed: int, samples: int, gaps: int, share: float, stretch: int
) -> None:
    t_s, channels = drive(seed, samples, gaps)
    path = tmp_path / f"{seed}-{samples}-{gaps}.parquet"
    if not path.exists():
        write_run(path, t_s, {"left_current_a": channels["left_current_a"]}, machine=CART)
    whole, long = exposures(path, "left", stretch=stretch)
    assert long.duration_s == pytest.approx(whole.duration_s, rel=1e-12)
    assert long.missing_s == pytest.approx(whole.missing_s, rel=1e-9)
    assert long.peak_a == whole.peak_a
    window_s = float(0.004 * (whole.duration_s / 0.004) ** share)
    with read_in_stretches(stretch=stretch):
        one, other = whole.worst(window_s), long.worst(window_s)
        assert other.rms_a == pytest.approx(one.rms_a, rel=1e-9)
        assert other.crosses_gap == one.crosses_gap
        above = long.worst_above(window_s, 0.999 * one.rms_a)
        assert above is not None
        assert above.rms_a == pytest.approx(one.rms_a, rel=1e-9)
        assert long.worst_above(window_s, 1.001 * one.rms_a) is None
        levels = (2.0, 12.0, 29.9)
        for found, expected in zip(long.seconds_above(*levels), whole.seconds_above(*levels), strict=True):
            assert found == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("gaps", [0, 3])
def test_short_windows_are_found_while_reading(tmp_path: Path, gaps: int) -> None:
    t_s, channels = drive(8, 30_000, gaps)
    channels["left_current_a"][4090:4100] = 95.0 - np.abs(np.arange(10) - 4.2)  # across the first two stretches
    path = write_run(tmp_path / "a.parquet", t_s, {"left_current_a": channels["left_current_a"]}, machine=CART)
    windows = [0.004, 0.01, 0.02, 0.15, 0.4, 100.0]
    whole = prepare_exposure(Run.open(path), "left")
    with read_in_stretches():
        long = prepare_exposure(Run.open(path), "left", windows)
        assert whole is not None
        assert long is not None
        assert isinstance(long.square, long_square.LongSquare)
        assert list(long.square.known) == windows[:5]
        for window_s in windows[:5]:
            one, other = whole.worst(window_s), long.worst(window_s)
            assert other.rms_a == pytest.approx(one.rms_a, rel=1e-9)
            assert other.start_s == pytest.approx(one.start_s, abs=1e-6)
            assert long.worst_above(window_s, 1.001 * one.rms_a) is None


@pytest.mark.parametrize("gaps", [0, 3])
def test_the_survey_makes_exposures_ready(tmp_path: Path, gaps: int) -> None:
    t_s, channels = drive(9, 20_000, gaps)
    channels["right_current_a"][70] = np.nan
    path = write_run(tmp_path / "a.parquet", t_s, channels, machine=CART)
    whole = prepare_exposure(Run.open(path), "left")
    with read_in_stretches():
        run_read = Run.open(path)
        single_pass(run_read, [0.01, 0.1])
        with patch.object(RunFile, "read", side_effect=AssertionError("read again")):
            long = prepare_exposure(run_read, "left")
        assert whole is not None
        assert long is not None
        assert isinstance(long.square, long_square.LongSquare)
        assert list(long.square.known) == [0.01, 0.1]
        for window_s in (0.01, 0.1, 3.0):
            assert long.worst(window_s).rms_a == pytest.approx(whole.worst(window_s).rms_a, rel=1e-9)
        # A channel that lacks a value is held whole, as ever.
        other = prepare_exposure(run_read, "right")
        assert other is not None
        assert isinstance(other.square, SquareIntegral)


@pytest.mark.parametrize("share", [1.0, 0.3, 0.01])
@pytest.mark.parametrize("gaps", [0, 5])
def test_a_long_run_is_drawn_with_every_peak(tmp_path: Path, gaps: int, share: float) -> None:
    t_s, channels = drive(11, 30_000, gaps)
    path = write_run(tmp_path / "a.parquet", t_s, {"left_current_a": channels["left_current_a"]}, machine=CART)
    series = Run.open(path).series("left_current_a")
    assert series is not None
    from_s, to_s = 0.2 * t_s[-1], (0.2 + 0.7 * share) * t_s[-1]
    inside = series.value[(series.time_s >= from_s) & (series.time_s <= to_s)]
    with read_in_stretches(), patch.object(long_envelope, "FINE", 1000):
        envelope = LongEnvelope.of(Run.open(path), "left_current_a")
        assert envelope is not None
        drawn = envelope.thin(from_s, to_s, 50)
        edges = np.linspace(from_s, to_s, 6)
        least, greatest = envelope.ranges(edges)
    shown = drawn.value[(drawn.time_s >= from_s) & (drawn.time_s <= to_s)]
    assert len(drawn.time_s) <= 2 * 50 + 4 + 3 * gaps
    assert np.nanmax(shown) == greatest.max() == inside.max()
    assert np.nanmin(shown) == least.min() == inside.min()
    # A NaN breaks the line wherever a gap lies inside.
    ends = series.time_s[1:][series.gap_after]
    assert np.isnan(drawn.value).sum() == ((ends > from_s) & (ends < to_s)).sum()
    if share == 0.01:
        exact = Envelope.of(series).thin(from_s, to_s, 50)
        assert np.array_equal(exact.value, drawn.value, equal_nan=True)
        assert np.array_equal(exact.time_s, drawn.time_s)


def test_interval_rms_of_a_long_run(tmp_path: Path) -> None:
    t_s, channels = drive(5, 8000, 2)
    rms = np.abs(channels["left_current_a"]) + 2.0
    path = write_run(
        tmp_path / "a.parquet", t_s, {"left_current_a": channels["left_current_a"], "left_current_rms_a": rms}
    )
    whole, long = exposures(path, "left")
    assert whole.interval_rms
    assert long.interval_rms
    with read_in_stretches():
        for window_s in (0.01, 0.3, 5.0):
            one, other = whole.worst(window_s), long.worst(window_s)
            assert other.rms_a == pytest.approx(one.rms_a, rel=1e-9)
            assert other.start_s == pytest.approx(one.start_s, abs=1e-6)


def numbers(found: Any, path: str = "") -> Iterator[tuple[str, float]]:
    """All numbers of a report by where they stand."""
    if isinstance(found, dict):
        for key, value in found.items():
            if key != "reasons":  # what they hold is the basis, not a result
                yield from numbers(value, f"{path}.{key}")
    elif isinstance(found, list):
        for place, value in enumerate(found):
            yield from numbers(value, f"{path}[{place}]")
    elif isinstance(found, int | float) and not isinstance(found, bool):
        yield path, float(found)


@pytest.mark.parametrize("name", sorted(path.name for path in (ROOT / "sample_runs").glob("*.parquet")))
def test_a_report_is_the_same_either_way(name: str) -> None:
    """The sample runs, read in stretches of 4096 rows."""
    path = ROOT / "sample_runs" / name
    whole = dict(numbers(build_report(Run.open(path), with_ledger=False).as_json()))
    with read_in_stretches():
        long = dict(numbers(build_report(Run.open(path), with_ledger=False).as_json()))
    assert long.keys() == whole.keys()
    for key, value in whole.items():
        # Means over stretches, and pairs of samples in them, begin elsewhere: what is read off smoothed channels moves
        # a little, and so does what halving the samples changes.
        loose = any(
            part in key
            for part in (".remaining", ".laps.per_charge", ".laps.remaining", "balance", "state_of", ".uncertainty")
        )
        share = 0.03 if loose else 1e-3 if key.endswith((".low", ".high")) else 1e-6
        assert long[key] == pytest.approx(value, rel=share, abs=1e-6), key
    assert math.isfinite(sum(long.values()))
