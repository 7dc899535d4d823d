"""The exposure curve: hand values, waveforms with known RMS, and slow obvious twins."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.exposure import square_integral
from amptally.analysis.exposure.exposure import CurrentError, Exposure, rms_estimate, window_list, window_rms
from amptally.analysis.wording.results import basis, refusal
from tests.strategies import examples


def no_gaps(t_s: np.ndarray) -> np.ndarray:
    return np.zeros(len(t_s) - 1, bool)


def plain(t_s: np.ndarray, current_a: np.ndarray) -> Exposure:
    return Exposure.prepare(t_s, current_a, no_gaps(t_s))


@dataclass(frozen=True)
class Recording:
    """A short run as its twin sees it: pieces (begin, end, first, last current) in run time, and the gaps between."""

    t_s: list[float]
    current_a: list[float]
    gap_after: list[bool]
    interval_rms: bool

    def exposure(self) -> Exposure:
        build = Exposure.from_interval_rms if self.interval_rms else Exposure.prepare
        return build(np.array(self.t_s), np.array(self.current_a), np.array(self.gap_after))

    def pieces(self) -> list[tuple[float, float, float, float]]:
        steps = zip(pairwise(self.t_s), pairwise(self.current_a), self.gap_after, strict=True)
        return [
            (begin, end, last if self.interval_rms else first, last)
            for (begin, end), (first, last), gap in steps
            if not gap
        ]

    def gaps(self) -> list[tuple[float, float]]:
        return [step for step, gap in zip(pairwise(self.t_s), self.gap_after, strict=True) if gap]


def integral(pieces: list[tuple[float, float, float, float]], start: float, end: float) -> float:
    """∫ i² dt over one window, piece by piece."""
    total = 0.0
    for begin, finish, first, last in pieces:
        lo, hi = max(begin, start), min(finish, end)
        if hi > lo:
            slope = (last - first) / (finish - begin)
            a, b = first + slope * (lo - begin), first + slope * (hi - begin)
            total += (hi - lo) / 3 * (a * a + a * b + b * b)
    return total


def slow_windows(recording: Recording, window_s: float) -> list[tuple[float, float]]:
    """(start in run time, ∫ i²) wherever the largest can be: all cells' ends, and their cubics' flat points."""
    pieces, first, last = recording.pieces(), recording.t_s[0], recording.t_s[-1]
    latest = max(last - window_s, first)
    edges = recording.t_s
    points = sorted({first, latest} | {x for x in [*edges, *(e - window_s for e in edges)] if first <= x <= latest})
    starts = list(points)
    for lo, hi in pairwise(points):
        share = np.array([0.0, 1 / 3, 2 / 3, 1.0])
        held = [integral(pieces, lo + x * (hi - lo), lo + x * (hi - lo) + window_s) for x in share]
        scale = max(held)
        if scale > 0:
            cubic = np.polyfit(share, np.array(held) / scale, 3)
            cubic[np.abs(cubic) < 1e-12] = 0.0  # the fit's own rounding
            roots = np.roots(np.polyder(cubic))
            starts += [lo + x.real * (hi - lo) for x in roots if abs(x.imag) < 1e-6 and 0 < x.real < 1]
    return [(start, integral(pieces, start, start + window_s)) for start in starts]


@st.composite
def recordings(draw: st.DrawFn) -> Recording:
    count = draw(st.integers(2, 14))
    steps_ms = draw(st.lists(st.integers(1, 3000), min_size=count - 1, max_size=count - 1))
    level = st.one_of(st.integers(-100, 100), st.sampled_from([0, 10, -10, 40]))
    current = draw(st.lists(level, min_size=count, max_size=count))
    gaps = draw(st.lists(st.sampled_from([False, False, False, True]), min_size=count - 1, max_size=count - 1))
    if all(gaps):
        gaps[draw(st.integers(0, count - 2))] = False
    start_ms = draw(st.sampled_from([0, 0, 7_200_000]))
    t_s = [start_ms / 1000, *(start_ms / 1000 + np.cumsum(steps_ms) / 1000)]
    return Recording([float(x) for x in t_s], [float(x) for x in current], gaps, draw(st.booleans()))


BLOCKS = st.sampled_from([(256, 16, 4), (4, 2), (2, 1)])


@examples(1.5)
@given(recordings(), st.floats(0.01, 1.0), BLOCKS)
def test_worst_window_agrees_with_the_slow_twin(recording: Recording, share: float, blocks: tuple[int, ...]) -> None:
    with patch.object(square_integral, "BLOCK_PIECES", blocks):
        exposure = recording.exposure()
        window_s = share * exposure.duration_s
        found = exposure.worst(window_s)
    most = max(held for _, held in slow_windows(recording, window_s))
    # Times are known to their own last digit, which counts in a window of a millisecond after two hours.
    digits = 8 * np.spacing(recording.t_s[-1]) / window_s
    assert found.rms_a**2 * window_s == pytest.approx(most, rel=1e-9 + digits, abs=1e-9)
    # The window named is that window: in run time it holds as much, and lasts as long; nothing flows in a gap.
    slip = 1e-9 * max(1.0, recording.t_s[-1])
    assert recording.t_s[0] - slip <= found.start_s <= found.end_s <= recording.t_s[-1] + slip
    assert integral(recording.pieces(), found.start_s, found.end_s) == pytest.approx(most, rel=1e-6, abs=1e-6)
    assert found.end_s - found.start_s == pytest.approx(window_s, abs=slip)


@examples(1)
@given(recordings(), st.floats(0.05, 1.0))
def test_a_window_across_a_gap_says_so(recording: Recording, share: float) -> None:
    exposure = recording.exposure()
    found = exposure.worst(share * exposure.duration_s)
    slip = 1e-9 * max(1.0, recording.t_s[-1])
    inside = [gap for gap in recording.gaps() if found.start_s < gap[1] - slip and found.end_s > gap[0] + slip]
    assert found.crosses_gap == bool(inside)


@examples(1)
@given(recordings(), st.floats(0.05, 1.0), st.floats(0.0, 1.5))
def test_a_larger_rms_in_a_gap_is_never_called_an_estimate(recording: Recording, share: float, part: float) -> None:
    """Whatever up to the run's largest current flowed in the gaps: at_least, or no more than 1 % above."""
    exposure = recording.exposure()
    window_s = share * exposure.duration_s
    result = rms_estimate(exposure, exposure.worst(window_s), CurrentError())
    assert result.value is not None
    hidden = exposure.filled(min(part, 1.0) * exposure.peak_a).worst(window_s).rms_a
    assert hidden >= result.value * (1 - 1e-9)  # at_least is true
    if result.bound == "estimate":
        assert hidden <= result.value * 1.011 + 1e-9


@examples(0.6)
@given(recordings(), st.floats(0.05, 1.0), st.floats(0.0, 120.0))
def test_worst_above_is_worst_or_nothing(recording: Recording, share: float, floor_a: float) -> None:
    exposure = recording.exposure()
    window_s = share * exposure.duration_s
    worst, above = exposure.worst(window_s), exposure.worst_above(window_s, floor_a)
    if worst.rms_a > floor_a * (1 + 1e-6):
        assert above is not None
        assert above.rms_a == pytest.approx(worst.rms_a, rel=1e-9)
    if worst.rms_a < floor_a * (1 - 1e-6):
        assert above is None


def unpruned(exposure: Exposure, window_s: float) -> float:
    """Largest ∫ i² by looking at every cell; float prefix sums, so for runs of moderate length."""
    axis, a, b = exposure.square.axis_s, exposure.square.start_a, exposure.square.end_a
    d = np.diff(axis)
    prefix = np.append(0.0, np.cumsum(d / 3 * (a * a + a * b + b * b)))

    def up_to(x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        k = np.clip(np.searchsorted(axis, x, "right") - 1, 0, len(d) - 1)
        slope = np.where(d[k] > 0, (b[k] - a[k]) / np.where(d[k] > 0, d[k], 1), 0.0)
        here = a[k] + slope * (x - axis[k])
        return prefix[k] + (x - axis[k]) / 3 * (a[k] ** 2 + a[k] * here + here**2), here, slope

    points = np.concatenate([axis, axis - window_s, [axis[-1] - window_s]])
    points = np.unique(points[(points >= 0) & (points <= axis[-1] - window_s)])
    middle = (points[1:] + points[:-1]) / 2
    _, p1, m1 = up_to(middle)
    _, p2, m2 = up_to(middle + window_s)
    half = np.diff(points) / 2
    starts = [points]
    for top, bottom in ((p2 - p1, m1 - m2), (-p1 - p2, m1 + m2)):
        x = top / np.where(bottom != 0, bottom, np.inf)
        starts.append((middle + x)[np.abs(x) < half])
    s = np.concatenate(starts)
    return float((up_to(s + window_s)[0] - up_to(s)[0]).max())


def drive(kind: str, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(20)
    t_s = np.cumsum(rng.uniform(0.001, 0.003, count))
    gaps = np.zeros(count - 1, bool)
    if kind == "drive":
        current = 15 + 12 * np.sin(t_s / 3) + rng.normal(size=count)
        current += 30 * np.maximum(0, np.sin(t_s * 2)) ** 9
        t_s = t_s + np.where(np.arange(count) > count // 3, 5.0, 0.0)
        gaps[count // 3] = True
    elif kind == "noise":
        current = 30 * rng.normal(size=count)
    elif kind == "steady":
        current = 10 + 0.1 * rng.normal(size=count)
    elif kind == "sparse":
        current = np.where(rng.random(count) < 0.001, 90.0, 0.0)
    else:
        current = np.full(count, 54.0)
    return t_s, current, gaps


@pytest.mark.parametrize("kind", ["drive", "noise", "steady", "sparse", "constant"])
def test_pruning_loses_nothing_on_longer_runs(kind: str) -> None:
    exposure = Exposure.prepare(*drive(kind, 20_000))
    for window_s in np.geomspace(2.1 * exposure.interval_s, 0.999 * exposure.duration_s, 17):
        found = exposure.worst(float(window_s))
        assert found.rms_a**2 * window_s == pytest.approx(unpruned(exposure, float(window_s)), rel=1e-9)


def test_slow_samples_followed_by_fast_ones() -> None:
    # One start of 1 s intervals faces thousands of 1 ms ones. A triangle of 50 A over 2 s and, 7 s later, one of 90 A
    # over 2 ms: ∫ i² = 2/3 · 50² + 2/3 · 90² · 0.001, and only windows that begin just before the first hold both.
    t_s = np.concatenate([np.arange(300.0), 300 + np.arange(10_000) / 1000])
    current = np.zeros(len(t_s))
    current[298], current[300 + 5000] = 50.0, 90.0
    found = plain(t_s, current).worst(8.3)
    assert found.rms_a**2 * 8.3 == pytest.approx(2 / 3 * 2500 + 2 / 3 * 8.1, rel=1e-9)
    assert 296.7 < found.start_s < 297.0


def test_a_peak_between_samples_windows_centred_on_it() -> None:
    # A triangle 0 → 60 → 0 A in 2 s; 1 s around the top lies between 30 and 60 A: ∫ = 2 · 0.5/3 (30² + 30·60 + 60²).
    exposure = plain(np.array([0.0, 1.0, 2.0]), np.array([0.0, 60.0, 0.0]))
    found = exposure.worst(1.0)
    assert found.rms_a == pytest.approx(math.sqrt(2100.0), rel=1e-12)
    assert found.start_s == pytest.approx(0.5, abs=1e-12)
    assert found.end_s == pytest.approx(1.5, abs=1e-12)


def test_direction_does_not_matter() -> None:
    t = np.array([0.0, 1.0, 2.0, 3.0])
    i = np.array([5.0, -40.0, 10.0, 0.0])
    assert plain(t, i).worst(0.7).rms_a == pytest.approx(plain(t, -i).worst(0.7).rms_a, rel=1e-15)


def test_nothing_flows_in_a_gap_and_it_is_flagged() -> None:
    t = np.array([0.0, 1.0, 11.0, 12.0])
    exposure = Exposure.prepare(t, np.full(4, 20.0), [False, True, False])
    assert (exposure.duration_s, exposure.missing_s) == (12.0, 10.0)
    short = exposure.worst(1.0)
    assert (short.rms_a, short.crosses_gap) == (20.0, False)
    # 1 s at 20 A and half a second of gap, 20 √(1/1.5): what flowed in the gap adds to it.
    across = exposure.worst(1.5)
    assert across.rms_a == pytest.approx(20 * math.sqrt(1 / 1.5), rel=1e-12)
    assert across.crosses_gap
    whole = exposure.worst(12.0)
    assert (whole.window_s, whole.start_s, whole.end_s, whole.crosses_gap) == (12.0, 0.0, 12.0, True)
    assert whole.rms_a == pytest.approx(20 * math.sqrt(2 / 12), rel=1e-12)
    assert rms_estimate(exposure, across, CurrentError()).bound == "at_least"
    assert rms_estimate(exposure, short, CurrentError()).bound == "estimate"


def test_two_halves_of_a_pulse_are_not_pushed_together_across_a_gap() -> None:
    # 100 A for half a second on both sides of 10 s without samples: 1 s at 100 A is not known to have flowed at a
    # stretch, and at_least 100 A over 1 s would be false if the gap carried nothing.
    t = np.array([0.0, 0.5, 10.5, 11.0])
    exposure = Exposure.from_interval_rms(t, np.array([0.0, 100.0, 0.0, 100.0]), [False, True, False])
    found = rms_estimate(exposure, exposure.worst(1.0), CurrentError())
    assert found.value == pytest.approx(100 / math.sqrt(2), rel=1e-12)
    assert found.bound == "at_least"


def test_a_gap_at_the_start_counts_only_for_windows_that_need_it() -> None:
    exposure = Exposure.prepare(np.array([0.0, 10.0, 11.0]), np.array([5.0, 20.0, 20.0]), [True, False])
    assert exposure.worst(1.0).crosses_gap is False
    assert exposure.worst(1.0).start_s == 10.0
    assert exposure.worst(11.0).crosses_gap is True


def test_short_windows_survive_a_day() -> None:
    # 24 h at 100 A and 10 Hz; one late sample reads 100.5 A. Over 0.2 s around it i = 100 + 0.5 (1 − |x|/0.1), whose
    # mean square is 100² + 100·0.5 + 0.5²/3. Float prefix sums reach 8.6e8 A²s here, 4e5 times the window.
    count = 864_001
    t_s = np.arange(count) / 10
    current = np.full(count, 100.0)
    current[-5] = 100.5
    found = plain(t_s, current).worst(0.2)
    assert found.rms_a**2 == pytest.approx(100**2 + 50 + 0.25 / 3, rel=1e-9)
    assert found.start_s == pytest.approx(t_s[-5] - 0.1, abs=1e-6)


@pytest.mark.parametrize("begin_s", [0.0, 40_000.0])
def test_a_steady_current_is_found_at_any_length_however_late(begin_s: float) -> None:
    # Positions of 3600 s are rounded to 4.5e-13 s, 2e-10 of a window of 2 ms: bounds must not exclude one another.
    t_s = np.arange(500_000) / 1000 + begin_s
    exposure = plain(t_s, np.full(len(t_s), 54.0))
    for found in exposure.worst_of(np.geomspace(0.002, exposure.duration_s, 40).tolist()):
        assert found.rms_a == pytest.approx(54.0, rel=1e-9)


# EN1 to EN5, references section 4: arithmetic that anyone can recompute; tolerance as listed there.
def test_EN1_sine() -> None:
    t = np.linspace(0, 1, 2001)
    assert plain(t, 10 * np.sin(2 * np.pi * t)).worst(1.0).rms_a == pytest.approx(7.07107, rel=1e-5)


def test_EN2_half_wave() -> None:
    t = np.linspace(0, 1, 201)
    assert plain(t, 10 * np.maximum(np.sin(2 * np.pi * t), 0)).worst(1.0).rms_a == pytest.approx(5.0, rel=2e-4)


def test_EN3_full_wave() -> None:
    t = np.linspace(0, 1, 201)
    assert plain(t, 10 * np.abs(np.sin(2 * np.pi * t))).worst(1.0).rms_a == pytest.approx(7.07107, rel=2e-4)


def test_EN4_pulse_from_interval_rms() -> None:
    t = np.arange(0, 11) / 10
    rms = np.where((np.arange(11) >= 1) & (np.arange(11) <= 3), 20.0, 0.0)
    exposure = Exposure.from_interval_rms(t, rms, no_gaps(t))
    assert exposure.worst(1.0).rms_a == pytest.approx(10.95445, rel=1e-5)
    # The same rectangle by hand: 0.3 s at 20 A within any longer window.
    assert exposure.worst(0.3).rms_a == pytest.approx(20.0, rel=1e-9)
    assert exposure.worst(0.45).rms_a == pytest.approx(20 * math.sqrt(0.3 / 0.45), rel=1e-9)


def test_EN5_offset_sine() -> None:
    t = np.linspace(0, 3, 6001)
    assert plain(t, 5 + 4 * np.sin(2 * np.pi * t)).worst(3.0).rms_a == pytest.approx(5.74456, rel=1e-5)


def test_EN6_wave_over_whole_cycles() -> None:
    # The wave of EN6, 2 + 10 sin; its RMS by the rule that orthogonal parts add as squares: √(2² + 10²/2).
    t = np.linspace(0, 2, 4001)
    assert plain(t, 2 + 10 * np.sin(2 * np.pi * t)).worst(2.0).rms_a == pytest.approx(math.sqrt(54), rel=1e-5)


def test_RMS_over_windows_aggregates_as_squares() -> None:
    # Rule in references section 4 (from memory; IEC 61000-4-30 excerpts): 3 s at 10 A and 1 s at 30 A.
    t = np.arange(5.0)
    exposure = Exposure.from_interval_rms(t, np.array([0.0, 10, 10, 10, 30]), no_gaps(t))
    assert exposure.worst(4.0).rms_a == pytest.approx(math.sqrt((3 * 100 + 900) / 4), rel=1e-12)


def test_interval_rms_stands_for_the_interval_that_ends_at_its_sample() -> None:
    t = np.array([0.0, 1.0, 2.0, 12.0, 13.0])
    exposure = Exposure.from_interval_rms(t, np.array([99.0, 30.0, 10.0, 99.0, 20.0]), [False, False, True, False])
    assert exposure.interval_rms
    found = exposure.worst(1.0)
    assert (found.rms_a, found.start_s, found.end_s) == pytest.approx((30.0, 0.0, 1.0), abs=1e-9)
    assert exposure.worst(13.0).rms_a == pytest.approx(math.sqrt((900 + 100 + 400) / 13), rel=1e-12)


def test_seconds_above_by_linear_crossings() -> None:
    exposure = plain(np.array([0.0, 1.0, 2.0, 4.0]), np.array([0.0, 80.0, -80.0, -80.0]))
    # |i| > 40: half of the first second, both quarters of the second, all of the last two.
    ((seconds, doubt),) = exposure.seconds_above(40.0)
    assert seconds == pytest.approx(3.0, rel=1e-12)
    assert doubt == pytest.approx(math.sqrt(2 / 12), rel=1e-12)
    assert exposure.seconds_above(80.0) == [(0.0, 0.0)]
    assert exposure.seconds_above(0.0)[0][0] == pytest.approx(4.0, rel=1e-12)


def test_refusals_name_the_reason() -> None:
    exposure = plain(np.arange(21) / 20, np.full(21, 3.0))
    assert "shorter than this window" in (refusal(window_rms(exposure, 10.0, CurrentError())) or "")
    assert "two sample intervals" in (refusal(window_rms(exposure, 0.05, CurrentError())) or "")
    assert window_rms(exposure, 0.1, CurrentError()).value == pytest.approx(3.0, rel=1e-12)
    with pytest.raises(ValueError, match="at most"):
        exposure.worst(2.0)


@pytest.mark.parametrize(
    ("t", "i", "gap"),
    [
        ([0.0], [1.0], []),
        ([0.0, 0.0], [1.0, 1.0], [False]),
        ([1.0, 0.5], [1.0, 1.0], [False]),
        ([0.0, 1.0], [1.0], [False]),
        ([0.0, 1.0], [1.0, math.nan], [False]),
        ([0.0, math.inf], [1.0, 1.0], [False]),
        ([0.0, 1.0], [1.0, 1.0], [True]),
        ([0.0, 1.0], [1.0, 1.0], [False, False]),
    ],
)
def test_misuse_raises(t: list[float], i: list[float], gap: list[bool]) -> None:
    with pytest.raises(ValueError, match=r"needs|times|current|gap"):
        Exposure.prepare(np.array(t), np.array(i), gap)


def test_no_current_is_zero_everywhere() -> None:
    exposure = plain(np.arange(300.0), np.zeros(300))
    assert exposure.worst(10.0).rms_a == 0.0
    assert exposure.worst_above(10.0, 0.0) is None


def test_declared_sensor_error_becomes_the_interval() -> None:
    # 20 A for 1 s in 100 samples: gain 1 % → 0.2 A; offset 0.1 A; noise 0.5 A → 0.05 at random, 0.00625 upwards.
    exposure = plain(np.arange(101) / 100, np.full(101, 20.0))
    result = rms_estimate(exposure, exposure.worst(1.0), CurrentError(0.01, 0.1, 0.5))
    u = math.sqrt(0.2**2 + 0.1**2 + 0.05**2 + 0.00625**2)
    assert (result.low, result.value, result.high) == pytest.approx((20 - 1.96 * u, 20, 20 + 1.96 * u), rel=1e-9)
    undeclared = rms_estimate(exposure, exposure.worst(1.0), CurrentError())
    assert "sensor error not declared" in basis(undeclared)
    assert (undeclared.low, undeclared.high) == (undeclared.value, undeclared.value)


def test_window_list_of_the_contract() -> None:
    windows = window_list(1000.0, 0.002, (0.04, 0.2, 2, 60, 1, 7, 50, 1800), (60,))
    assert np.all(np.diff(windows) > 0)
    assert windows[-1] == 1000.0
    assert windows[0] >= 0.004 * (1 - 1e-9)
    assert {0.1, 1.0, 10.0, 60.0, 600.0, 0.04, 0.2, 2.0, 7.0, 50.0, 60.002} <= set(windows.tolist())
    assert 1800.0 not in windows
    named = {0.1, 1, 10, 60, 600, 0.04, 0.2, 2, 7, 50, 60.002}
    spaced = np.array([w for w in windows if w not in named])
    assert len(spaced) >= 40
    assert np.ptp(np.diff(np.log(spaced))) < 1e-9


def test_window_list_of_short_and_slow_runs() -> None:
    assert window_list(0.5, 0.3).tolist() == []
    slow = window_list(3600.0, 60.0, (60, 1800), (60,))
    assert slow[0] >= 120 * (1 - 1e-9)
    assert slow[-1] == 3600.0
    assert {600.0, 1800.0, 120.0} <= set(slow.tolist())
    assert 0.1 in window_list(10.0, 0.05)
    assert window_list(0.6, 0.3).tolist() == [0.6]
