"""What was made faster in bad data, laps, drive and sampling gives what the slow, obvious form gives."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.controller.pulses import held, sparse
from amptally.analysis.driving.stall import on_spans
from amptally.analysis.laps.marks import press_times, wheel_distance
from amptally.analysis.laps.table import Cut, cut
from amptally.analysis.quality import clock_skew as bad_clock
from amptally.analysis.quality import single_channel
from amptally.analysis.quality.clipping import PeakLevel
from amptally.analysis.signals.gaps import GapRule, find_gaps
from amptally.analysis.signals.sampling import _halved
from amptally.analysis.signals.series import Flags, Floats, Series
from amptally.analysis.signals.timeline import Timeline
from tests.analysis.build_runs import clipped_peaks_of

SEEDS = st.integers(0, 10_000)


def channel(seed: int, samples: int = 60) -> Series:
    """Any values at irregular times, with some gaps."""
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.2, 3.0, samples))
    return Series(time_s, rng.normal(0, 5, samples), rng.random(samples - 1) < 0.1)


@given(SEEDS, st.integers(1, 20), st.integers(1, 200))
def test_the_last_value_before_each_moment(seed: int, values: int, moments: int) -> None:
    rng = np.random.default_rng(seed)
    time_s, asked_s = np.sort(rng.integers(0, 50, values)) * 1.0, np.sort(rng.integers(-5, 60, moments)) * 1.0
    time_s = np.unique(time_s)
    value = rng.normal(size=len(time_s))
    slow = [value[max(int((time_s <= moment).sum()) - 1, 0)] for moment in asked_s]
    assert held(time_s, value, asked_s).tolist() == slow
    mixed = rng.permutation(moments)
    assert held(time_s, value, asked_s[mixed]).tolist() == [slow[place] for place in mixed]


@given(SEEDS, st.integers(1, 60))
def test_changes_of_a_channel(seed: int, samples: int) -> None:
    rng = np.random.default_rng(seed)
    value = np.cumsum(rng.random(samples) < 0.2) * 1.0
    gap_after = rng.random(samples - 1) < 0.1
    found = sparse(Series(np.arange(samples) * 1.0, value, gap_after))
    slow = [
        place
        for place in range(samples)
        if place in (0, samples - 1)
        or value[place] != value[place - 1]
        or gap_after[place - 1]
        or gap_after[place]
    ]  # fmt: skip
    assert found.time_s.tolist() == slow
    assert found.value.tolist() == value[slow].tolist()
    assert int(found.gap_after.sum()) == int(gap_after.sum())


def slow_cut(series: Series, start: float, end: float) -> tuple[Floats, Floats, Flags] | None:
    """Times, values and gaps with both ends drawn in as samples."""
    low, high = max(start, float(series.time_s[0])), min(end, float(series.time_s[-1]))
    time_s = np.unique([low, *series.time_s[(series.time_s > low) & (series.time_s < high)], high])
    if high <= low:
        return None
    middle = 0.5 * (time_s[1:] + time_s[:-1])
    gap_after = series.gap_after[np.searchsorted(series.time_s, middle) - 1]
    return time_s, np.interp(time_s, series.time_s, series.value), gap_after


@given(SEEDS, st.floats(-5, 100), st.floats(0.1, 60), st.booleans(), st.booleans())
def test_a_cut_is_what_lies_between_both_moments(
    seed: int, start: float, length: float, from_sample: bool, to_sample: bool
) -> None:
    series = channel(seed)
    end = start + length
    if from_sample:
        start = float(series.time_s[min(int(np.searchsorted(series.time_s, start)), 58)])
    if to_sample:
        end = float(series.time_s[min(int(np.searchsorted(series.time_s, max(end, start + 1e-9))), 59)])
    slow = slow_cut(series, start, end)
    found = cut(series, start, end)
    if slow is None:
        assert found is None or found.integral == pytest.approx(0, abs=1e-9)
        return
    assert found is not None
    time_s, value, gap_after = slow
    steps_s = np.where(gap_after, 0.0, np.diff(time_s))
    assert found.integral == pytest.approx(float((0.5 * (value[1:] + value[:-1]) * steps_s).sum()), abs=1e-9)
    assert found.axis.sampled_s == pytest.approx(float(steps_s.sum()), abs=1e-9)
    assert found.minimum() == pytest.approx(float(value.min()))
    assert found.maximum() == pytest.approx(float(value.max()))
    other = Series(series.time_s, series.value**2, series.gap_after)
    for like in (None, found):
        squares = cut(other, start, end, like)
        assert squares is not None
        assert (squares.axis is found.axis) == (like is not None)
        assert squares.integral == pytest.approx(_plain(other, found), abs=1e-9)


def _plain(series: Series, found: Cut) -> float:
    """The sum of weights times samples, one by one."""
    rows = range(found.axis.first, found.axis.stop)
    return sum(float(w * series.value[row]) for w, row in zip(found.axis.weights_s, rows, strict=True))


@given(SEEDS, st.integers(2, 80))
def test_presses_and_turns_among_many_samples_that_bring_nothing(seed: int, samples: int) -> None:
    rng = np.random.default_rng(seed)
    count = np.cumsum(rng.random((2, samples)) < 0.2, axis=1) * 1.0
    count[0, samples // 2 :] -= count[0, samples // 2]
    time_s, gap_after = np.arange(samples) * 1.0, rng.random(samples - 1) < 0.1
    presses, lost = press_times([Series(time_s, count[0], gap_after)])
    steps = np.diff(count[0])
    assert presses.tolist() == time_s[1:][(steps > 0) & ~gap_after].tolist()
    fell = count[0][1:][steps < 0].sum()
    assert lost == round(float(fell + steps[(steps > 0) & gap_after].sum()))
    found = wheel_distance([(time_s, count[0], count[1], gap_after)], 0.25)
    assert found is not None
    gone = np.concatenate(([0.0], np.cumsum(0.125 * np.maximum(np.diff(count), 0).sum(axis=0))))
    turns = np.diff(gone) > 0
    kept = np.concatenate(([True], turns)) | np.concatenate((turns, [True]))
    assert found.time_s.tolist() == time_s[kept].tolist()
    assert found.amount.tolist() == gone[kept].tolist()


@given(SEEDS, st.integers(1, 400), st.integers(1, 5), st.sampled_from([-1.0, 1.0]))
def test_tops_in_parts_are_those_of_the_whole(seed: int, samples: int, parts: int, sign: float) -> None:
    rng = np.random.default_rng(seed)
    value = sign * np.round(np.minimum(rng.normal(10, 5, samples), 14), 1)
    found = PeakLevel()
    for part in np.array_split(value, parts):
        found.add(part)
    top = float(np.abs(value).max())
    assert (found.level, found.samples) == (top, samples)
    at = [np.arange(start, stop) for each in found.stretches for start, stop in zip(*each, strict=True)]
    assert np.concatenate(at).tolist() == np.flatnonzero(np.abs(value) == top).tolist()
    assert found.below_zero == int((value == -top).sum())


def test_a_held_top_among_held_levels_is_no_cut_top() -> None:
    """A tester's profile holds its greatest level as it holds all others; a drive holds only what is cut."""
    rng = np.random.default_rng(2)
    profile = np.repeat(rng.choice([3.0, 8.0, 20.0], 60), 30)
    assert clipped_peaks_of("x", profile) is None
    drive = np.minimum(np.repeat(rng.uniform(0, 30, 60), 30) + rng.normal(0, 0.5, 1800), 20.0)
    found = clipped_peaks_of("x", drive)
    assert found is not None
    assert found.code == "cut_top"


@given(SEEDS, st.integers(40, 400), st.integers(0, 60))
def test_the_longest_stretch_of_one_reading(seed: int, samples: int, stood: int) -> None:
    rng = np.random.default_rng(seed)
    value = np.round(rng.normal(10, 0.2, samples), 1)  # repeats by chance, too
    first = int(rng.integers(0, samples))
    value[first : first + stood] = value[first]
    time_s, gap_after = np.arange(samples) * 0.3, rng.random(samples - 1) < 0.01
    runs, begin = [], 0
    for place in range(1, samples + 1):
        if place == samples or value[place] != value[place - 1] or gap_after[place - 1]:
            runs.append((begin, place))
            begin = place
    longest = max(runs, key=lambda ends: time_s[ends[1] - 1] - time_s[ends[0]])
    length = longest[1] - longest[0]
    enough = (
        time_s[longest[1] - 1] - time_s[longest[0]] >= single_channel.STUCK_S
        and length >= single_channel.STUCK_SAMPLES
        and length <= 0.95 * samples
    )
    assert single_channel.longest_constant(time_s, value, gap_after) == (longest if enough else None)


@given(SEEDS, st.integers(30, 400))
def test_correlation_without_a_lag_is_that_of_the_whole_search(seed: int, samples: int) -> None:
    rng = np.random.default_rng(seed)
    first = rng.normal(size=samples)
    second = np.roll(first, int(rng.integers(-3, 4))) + rng.normal(0, 0.5, samples)
    near = bad_clock._correlate(first, second, 5)[3:8]
    assert bad_clock._without_lag(first, second) == pytest.approx(float(near.max()), abs=1e-12)


@given(st.integers(1, 200_000))
def test_sizes_of_transforms(least: int) -> None:
    size = bad_clock._fft_size(least)
    assert least <= size <= max(9, 1.3 * least)
    for prime in (2, 3, 5):
        while size % prime == 0:
            size //= prime
    assert size == 1


@given(SEEDS)
def test_what_halving_changes_in_the_square(seed: int) -> None:
    """∫ i² over a line from a to b is d/3 · (a² + a·b + b²)."""
    rng = np.random.default_rng(seed)
    t0, t1, t2 = np.cumsum(rng.uniform(0, 1, (3, 20)), axis=0)
    t1[3], t2[5] = t0[3], t1[5]  # no length
    a, b, c = rng.normal(0, 10, (3, 20))
    fine = (t1 - t0) * (a * a + a * b + b * b) + (t2 - t1) * (b * b + b * c + c * c)
    slow = (fine - (t2 - t0) * (a * a + a * c + c * c)) / 3
    assert np.allclose(_halved(t0, t1, t2, a, b, c), slow, rtol=1e-9, atol=1e-9)


@given(SEEDS, st.floats(0, 3))
def test_spans_of_a_least_length(seed: int, least_s: float) -> None:
    rng = np.random.default_rng(seed)
    time_s, on = np.cumsum(rng.uniform(0.1, 1, 40)), rng.random(40) < 0.6
    every = on_spans(time_s, on, float(time_s[-1]) + 1)
    assert on_spans(time_s, on, float(time_s[-1]) + 1, least_s) == [s for s in every if s[1] - s[0] >= least_s]


@pytest.mark.parametrize("tick_s", [1e-6, 1e-3])
def test_a_timeline_counts_steps_of_any_length(tick_s: float) -> None:
    """From one tick to more than a million, in more than one block."""
    rng = np.random.default_rng(4)
    ticks = rng.choice([1, 3, 900, 70_000, 500_000, 3_000_000], 80_000, p=(0.3, 0.3, 0.38, 0.01, 0.008, 0.002))
    time_s = np.concatenate(([0.0], np.cumsum(ticks))) * tick_s
    found = Timeline.of([time_s[:50_000], time_s[50_000:]], GapRule(None), tick_s)
    assert found.interval_s == pytest.approx(3 * tick_s)
    gaps = np.flatnonzero(find_gaps(time_s))
    assert found.gaps.tolist() == gaps.tolist()
    assert len(gaps) > 100
    sampled = np.diff(time_s)[~find_gaps(time_s)]
    assert found.spacing.longest_s == pytest.approx(float(sampled.max()))
    assert found.spacing.usual_s == pytest.approx(float(np.median(sampled)), rel=1e-6)
    for before, after in itertools.pairwise((found.start_s, *found.before_s, found.end_s)):
        assert before <= after
