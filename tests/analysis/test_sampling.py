"""Uneven, bursty and slow sampling: recognised, widened by as much as it hides, and named with what would settle it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.exposure.exposure import CurrentError, Exposure, rms_estimate
from amptally.analysis.integrals.energy import charge_estimates
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.runs.run import Floats, Run, SensorError, Series
from amptally.analysis.signals.gaps import GapRule, find_gaps
from amptally.analysis.signals.sampling import burst_halving, of_counts, spacing
from amptally.analysis.signals.timeline import Timeline
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import basis
from tests.analysis.build_runs import CART, sides, write_run


def series(time_s: Floats, value: Floats) -> Series:
    return Series(time_s, value, find_gaps(time_s))


def drive(seed: int, seconds: float) -> tuple[Floats, Floats]:
    """A drive-like current on a grid of 10 ms: loads of 0 to 60 A held for 0.5 to 6 s, softened over 0.2 s."""
    rng = np.random.default_rng(seed)
    ends = np.cumsum(rng.uniform(0.5, 6.0, 400))
    levels = rng.uniform(0, 60, 400)
    time_s = np.arange(0, seconds, 0.01)
    steps = levels[np.searchsorted(ends, time_s)]
    return time_s, np.convolve(np.pad(steps, (10, 9), "edge"), np.ones(20) / 20, "valid")


def bursts(time_s: Floats, size: int, silence_s: float) -> Floats:
    """Places of samples that a logger keeps: `size` neighbours on the grid, then silence."""
    period = round(silence_s / 0.01) + size - 1
    return np.flatnonzero(np.arange(len(time_s)) % period < size)


def holds(result: Estimate, truth: float) -> bool:
    low, _, high = sides(result)
    return low <= truth <= high


def test_even_sampling_is_even_also_with_jitter_and_single_lost_frames() -> None:
    rng = np.random.default_rng(1)
    even = np.arange(5000) * 0.02
    jitter = even + rng.uniform(-0.002, 0.002, 5000)
    lost = np.delete(even, rng.choice(np.arange(1, 4999), 60, replace=False))
    for time_s in (even, jitter, lost):
        found = spacing(time_s, find_gaps(time_s))
        assert found.kind == "even"
        assert found.coarse_s == found.usual_s == pytest.approx(0.02, rel=0.1)
        assert burst_halving(Series(time_s, rng.normal(size=len(time_s)), find_gaps(time_s))) == (0.0, 0.0)


def test_a_tenth_of_the_frames_lost_is_uneven() -> None:
    rng = np.random.default_rng(2)
    even = np.arange(5000) * 0.02
    time_s = np.delete(even, rng.choice(np.arange(1, 4999), 900, replace=False))
    found = spacing(time_s, find_gaps(time_s))
    assert (found.kind, found.usual_s) == ("uneven", pytest.approx(0.02))
    # At most 5 % of the time lies in intervals longer than this.
    steps = np.diff(time_s)
    assert float(steps[steps > found.coarse_s * 1.001].sum()) <= 0.05 * float(steps.sum())
    assert found.coarse_s in (pytest.approx(0.04), pytest.approx(0.06))


# Pairs alternate 10 ms and 1 s, so that no interval is ten times the median of its neighbours: silences are no gaps.
@pytest.mark.parametrize("drop", [0, 1])
def test_pairs_are_bursts_whichever_interval_is_in_the_middle(drop: int) -> None:
    time_s = np.cumsum(np.tile([0.01, 1.0], 200))[drop : 400 - drop]
    assert not find_gaps(time_s).any()
    found = spacing(time_s, find_gaps(time_s))
    assert (found.kind, found.by_time_s, found.silences) == ("bursts", pytest.approx(1.0), 0)


def test_long_bursts_are_parted_by_gaps_and_still_called_bursts() -> None:
    time_s = np.concatenate([start + np.arange(20) * 0.01 for start in np.arange(0, 60, 2.0)])
    found = spacing(time_s, find_gaps(time_s))
    assert (found.kind, found.silences) == ("bursts", 29)
    assert burst_halving(series(time_s, np.ones(len(time_s)))) == pytest.approx((0.0, 0.0), abs=1e-12)
    assert burst_halving(series(time_s, np.cos(time_s)))[1] > 0.1
    # A few lost stretches of a long run are gaps, not bursts.
    lost = np.delete(np.arange(6000) * 0.01, slice(1000, 1500))
    assert spacing(lost, find_gaps(lost)).kind == "even"


def test_coarse_interval_by_hand() -> None:
    # 90 intervals of 1 s, one of 4 s and two of 3 s: 100 s; 5 s may lie above, so that 4 s does and 3 s does not.
    assert of_counts(np.array([1.0, 3.0, 4.0]), np.array([90, 2, 1]), 0).coarse_s == 3.0
    assert of_counts(np.array([1.0, 4.0]), np.array([96, 1]), 0).coarse_s == 1.0


@pytest.mark.parametrize("kind", ["even", "uneven", "bursts", "silences"])
def test_a_long_run_s_timeline_judges_as_the_samples_themselves(kind: str) -> None:
    rng = np.random.default_rng(6)
    even = np.arange(40_000)
    places = {
        "even": np.delete(even, [7000, 7001, 7002, 9000, *range(20_000, 26_000)]),
        "uneven": np.sort(rng.choice(even, 30_000, replace=False)),
        "bursts": even[even % 91 < 2],
        "silences": even[even % 300 < 20],
    }[kind]
    time_s = places * 0.01
    whole = spacing(time_s, find_gaps(time_s))
    tick_s = 1e-6
    parts = Timeline.of(np.array_split(time_s, 7), GapRule(None), tick_s).spacing
    assert whole.kind == parts.kind == {"silences": "bursts"}.get(kind, kind)
    assert parts.silences == whole.silences
    for name in ("usual_s", "coarse_s", "longest_s"):
        assert getattr(parts, name) == pytest.approx(getattr(whole, name), rel=1e-6)


def test_the_charge_of_pairs_with_silences_holds_the_truth_and_would_not_without_the_widening() -> None:
    held = plain = 0
    for seed in range(60):
        time_s, amps = drive(seed, 240)
        truth = float(np.trapezoid(amps, time_s)) / 3600
        kept = bursts(time_s, 2, 0.9)
        seen = series(time_s[kept], amps[kept])
        # Up to the last sample only.
        truth = float(np.trapezoid(amps[: kept[-1] + 1], time_s[: kept[-1] + 1])) / 3600
        net = charge_estimates(seen, SensorError())[2]
        held += holds(net, truth)
        within = np.abs(seen.value[1:] - seen.value[:-1])
        naive = 1.96 * 0.8 * math.sqrt(float((0.5 * within[::2] * 0.9) @ (within[::2] * 0.45))) / 3600
        plain += abs(net.value - truth) <= naive if net.value is not None else 0
    assert held >= 56
    assert plain < 40


# Bursts of 5 and 20 samples: their silences are gaps, left out of the sum, and the trapezoids across them are a doubt.
@pytest.mark.parametrize(("size", "silence_s"), [(5, 0.9), (20, 1.8)])
def test_the_charge_of_bursts_parted_by_gaps_holds_the_truth(size: int, silence_s: float) -> None:
    held = 0
    for seed in range(40):
        time_s, amps = drive(seed, 240)
        kept = bursts(time_s, size, silence_s)
        truth = float(np.trapezoid(amps[: kept[-1] + 1], time_s[: kept[-1] + 1])) / 3600
        seen = series(time_s[kept], amps[kept])
        assert seen.gap_after.sum() > 50
        net = charge_estimates(seen, SensorError())[2]
        held += holds(net, truth)
        # No wider than what may have flowed in the gaps, and a tenth.
        low, value, high = sides(net)
        assert high - value < 1.1 * truth
        assert value - low < 0.1 * truth
    assert held >= 38


def test_rms_under_slow_sampling_holds_the_truth() -> None:
    held = narrow = 0
    for seed in range(60):
        time_s, amps = drive(seed, 120)
        truth = Exposure.prepare(time_s, amps, np.zeros(len(time_s) - 1, bool))
        at = slice(seed % 40, None, 50)
        seen = Exposure.prepare(time_s[at], amps[at], np.zeros(len(time_s[at]) - 1, bool))
        first, last = np.searchsorted(time_s, (time_s[at][0], time_s[at][-1]))
        part = Exposure.prepare(time_s[first : last + 1], amps[first : last + 1], np.zeros(last - first, bool))
        result = rms_estimate(seen, seen.worst(seen.duration_s), CurrentError())
        true_a = part.worst(part.duration_s).rms_a
        held += holds(result, true_a)
        low, value, high = sides(result)
        narrow += (high - low) < 0.2 * value
        assert rms_estimate(truth, truth.worst(60.0), CurrentError()).value is not None
    assert held >= 56
    assert narrow >= 50


# A window under twice the longer intervals of uneven sampling can hide more than it shows.
def test_short_windows_of_uneven_samples_are_lower_bounds() -> None:
    time_s = np.cumsum(np.tile([0.01, 0.01, 0.09], 300))
    exposure = Exposure.prepare(time_s, 20 + np.sin(time_s), np.zeros(len(time_s) - 1, bool))
    assert exposure.coarse_s == pytest.approx(0.09)
    short = rms_estimate(exposure, exposure.worst(0.1), CurrentError())
    assert short.bound == "at_least"
    assert "0.09 s apart" in basis(short)
    assert rms_estimate(exposure, exposure.worst(1.0), CurrentError()).bound == "estimate"


def test_a_filter_widens_upwards_what_is_short_and_opens_what_is_shorter_than_it() -> None:
    time_s = np.arange(0, 20, 0.002)
    exposure = Exposure.prepare(time_s, np.where((time_s > 5) & (time_s < 6), 50.0, 5.0), np.zeros(9999, bool))
    window = exposure.worst(0.1)
    known, behind = (rms_estimate(exposure, window, CurrentError(corner_hz=hz)) for hz in (None, 10.0))
    # 10 Hz: τ 15.9 ms. A lone pulse of 0.1 s shows 0.900 of its RMS: up to 11.1 % more (test_sensor_terms.py).
    assert sides(behind)[0] == sides(known)[0]
    assert sides(behind)[2] - sides(known)[2] == pytest.approx(0.111 * window.rms_a, rel=0.02)
    assert "filter before the converter as doubt" in basis(behind)
    assert rms_estimate(exposure, window, CurrentError(corner_hz=1.0)).bound == "at_least"
    # The board's own interval RMS stays an estimate, as docs/methods.md, Fuse margin, has it.
    board = Exposure.from_interval_rms(time_s, np.full(10_000, 20.0), np.zeros(9999, bool))
    assert rms_estimate(board, board.worst(0.1), CurrentError(corner_hz=1.0)).bound == "estimate"


def report_of(folder: Path, time_s: Floats, amps: Floats, **channels: Any) -> Report:
    measured = {"battery_current_a": amps, "left_current_a": amps, "battery_voltage_v": 25.4 - 0.02 * amps}
    return build_report(Run.open(write_run(folder / "run.parquet", time_s, measured | channels, machine=CART)))


def finding(report: Report, code: str) -> tuple[str, str]:
    found = [each for each in report.findings if each.code == code]
    assert len(found) == 1, [each.code for each in report.findings]
    words = told(found[0])
    return words.evidence, words.next


def codes(report: Report) -> set[str]:
    return {each.code for each in report.findings if each.code.startswith("sampling")}


def test_an_evenly_and_fast_sampled_drive_gets_none_of_the_findings(tmp_path: Path) -> None:
    assert codes(report_of(tmp_path, *drive(3, 60))) == set()


def test_bursts_are_named_in_the_report(tmp_path: Path) -> None:
    time_s, amps = drive(3, 120)
    kept = bursts(time_s, 2, 0.9)
    report = report_of(tmp_path, time_s[kept], amps[kept])
    evidence, following = finding(report, "sampling_bursty")
    assert "900 ms" in evidence
    assert "evenly" in following
    # Silences of 0.9 s say nothing of a fuse whose shortest opening time is 0.04 s.
    assert report.fuses["left"].margin.bound == "at_most"
    # What was seen is near all the same.
    assert report.fuses["left"].verdict in ("unknown", "near", "inside")


def test_silences_that_are_gaps_point_to_max_gap(tmp_path: Path) -> None:
    time_s, amps = drive(3, 120)
    kept = bursts(time_s, 20, 1.8)
    evidence, following = finding(report_of(tmp_path, time_s[kept], amps[kept]), "sampling_bursty")
    assert "silences, each counted as a gap" in evidence
    assert "--max-gap" in following


def test_uneven_samples_are_named_in_the_report(tmp_path: Path) -> None:
    time_s, amps = drive(3, 120)
    kept = np.sort(np.random.default_rng(4).choice(len(time_s), 8000, replace=False))
    evidence, _ = finding(report_of(tmp_path, time_s[kept], amps[kept]), "sampling_irregular")
    assert evidence.startswith("usually 10 ms apart")


def test_slow_sampling_is_named_with_a_rate(tmp_path: Path) -> None:
    time_s, amps = drive(5, 240)
    evidence, following = finding(report_of(tmp_path, time_s[::200], amps[::200]), "sampling_slow")
    assert "every 2 s" in evidence
    rate_hz = float(following.split(" Hz")[0].split()[-1])
    assert 0.5 < rate_hz <= 20
    # At the rate it asks for the finding is gone.
    step = max(round(100 / rate_hz), 1)
    (tmp_path / "faster").mkdir()
    assert "sampling_slow" not in codes(report_of(tmp_path / "faster", time_s[::step], amps[::step]))
