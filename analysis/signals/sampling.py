"""How a run was sampled: even, uneven or in bursts; and what that leaves open. docs/methods.md, Sampling."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from amptally.analysis.signals.curve_integrals import BLOCK, dot, from_halving, halving
from amptally.analysis.signals.series import Flags, Floats, Places, Series

UNEVEN = 1.5
"""Intervals this many times as long as the usual one are uneven once they hold 5 % of the time. Our own choice."""
EVEN_SHARE = 0.95
CLOSE = 3.0
"""Samples lie in clusters where the interval that holds the middle second is this many times as long as a quarter of
all intervals or more; each cluster then counts as one sample in the sampling error. Our own choice."""
BURST = 10.0
"""They come in bursts where it is this many times as long. Samples at random moments are clustered, and no bursts."""
BURST_SHARE = 0.25
MIN_GAPS, SAMPLES_A_GAP = 10, 50
"""So many gaps, each after so few samples or fewer, are silences between bursts."""
SAMPLED_AT_MOST = 1 << 18
"""Samples of one window that are examined at most, in evenly spaced stretches."""
STRETCHES = 16

Kind = Literal["even", "uneven", "bursts"]
Pieces = tuple[Floats, Floats, Floats]
"""Ends of consecutive lines between samples, shape (m + 1,), their first and their last values, shape (m,)."""


@dataclass(frozen=True, slots=True)
class Spacing:
    """How far apart the samples of a channel lie."""

    kind: Kind
    usual_s: float
    """Median interval, gaps left out."""
    coarse_s: float
    """Intervals no longer than this hold 95 % of the sampled time; `usual_s` where sampling is even."""
    longest_s: float
    """Longest interval that is no gap."""
    by_time_s: float
    """The interval in which the middle second of the sampled time lies."""
    silences: int
    """Gaps that follow bursts; 0 where they are not what parts the bursts."""
    clustered: bool
    """A quarter of the intervals are far shorter than what holds the middle second."""


def spacing(time_s: Floats, gap_after: Flags) -> Spacing:
    """Judge the intervals of a channel with two samples or more; times shape (n,), gap_after shape (n − 1,)."""
    steps = np.diff(time_s)
    gaps = int(gap_after.sum())
    sampled = steps[~gap_after] if gaps else steps
    if len(sampled) and not parts_bursts(gaps, len(time_s)):
        usual, longest = float(np.median(sampled)), float(sampled.max())
        long = sampled[sampled > UNEVEN * usual]
        if float(long.sum()) <= (1 - EVEN_SHARE) * float(sampled.sum()) and not may_burst(time_s):
            return Spacing("even", usual, usual, longest, usual, 0, False)
    lengths, counts = np.unique(sampled, return_counts=True)
    return of_counts(lengths, counts, gaps)


def of_counts(lengths_s: Floats, counts: Places, gaps: int) -> Spacing:
    """The same from how often each interval that is no gap occurs, the intervals increasing."""
    total = int(counts.sum())
    if not total:
        return Spacing("even", math.inf, math.inf, math.inf, math.inf, 0, False)
    so_far, reach_s = np.cumsum(counts), np.cumsum(counts * lengths_s)
    ranks = np.searchsorted(so_far, [(total - 1) // 2, total // 2], "right")
    usual = float(lengths_s[ranks].mean())
    by_time = float(lengths_s[np.searchsorted(reach_s, reach_s[-1] / 2)])
    # The shortest interval such that longer ones hold no more than 5 % of the time.
    coarse = float(lengths_s[np.searchsorted(reach_s, EVEN_SHARE * reach_s[-1] * (1 - 1e-12))])
    even = coarse <= UNEVEN * usual
    close, closer = (
        int(counts[lengths_s < by_time / factor].sum()) >= BURST_SHARE * total for factor in (CLOSE, BURST)
    )
    silences = gaps if parts_bursts(gaps, total + gaps + 1) else 0
    kind: Kind = "bursts" if silences or closer else "even" if even and not close else "uneven"
    return Spacing(kind, usual, usual if even else coarse, float(lengths_s[-1]), by_time, silences, close)


def parts_bursts(gaps: int, samples: int) -> bool:
    """Whether the gaps are so many that they separate bursts."""
    return gaps >= MIN_GAPS and samples <= SAMPLES_A_GAP * gaps


def may_burst(time_s: Floats) -> bool:
    """A quick check: with a quarter of the intervals below a third of a long one, as many lie below 0.8 of the mean."""
    count = len(time_s) - 1
    limit_s = 0.8 * float(time_s[-1] - time_s[0]) / count
    short = sum(
        int(np.count_nonzero(np.diff(time_s[begin : begin + BLOCK + 1]) < limit_s)) for begin in range(0, count, BLOCK)
    )
    return short >= BURST_SHARE * count


def burst_halving(series: Series) -> tuple[float, float]:
    """Sum, and sum of squares, of what halving a curve changes, pair by pair, with each burst as one sample.

    Within a burst neighbours are alike, so that pairs of trapezoids change little; what is not known lies in the
    silences between. Zeros where samples are evenly spaced.
    """
    if len(series.time_s) < 3 or not may_burst(series.time_s):
        return 0.0, 0.0
    found = spacing(series.time_s, series.gap_after)
    if not found.silences and not found.clustered:
        return 0.0, 0.0
    # Where the silences are gaps, their trapezoids are a doubt of the sum: what is not known of these counts, too.
    apart = (
        series.gap_after if found.silences else (np.diff(series.time_s) > found.by_time_s / CLOSE) | series.gap_after
    )
    starts = np.concatenate(([0], np.flatnonzero(apart) + 1))
    count = np.diff(np.concatenate((starts, [len(series.time_s)])))
    time_s = np.add.reduceat(series.time_s, starts) / count
    value = np.add.reduceat(series.value, starts) / count
    gaps = np.zeros(len(starts) - 1, bool) if found.silences else series.gap_after[starts[1:] - 1]
    change = halving(np.diff(time_s), value, gaps)
    return float(change.sum()), dot(change, change)


def rms_sampling_u(
    load: Callable[[int, int], Pieces], first: int, stop: int, integral_a2s: float, gaps: Places
) -> float:
    """Relative 1 σ of an RMS from the samples' own spacing: what halving them changes in ∫ i² dt, pair by pair.

    `load(first, stop)` gives the straight lines of the window between samples, of which `gaps` (increasing) are none;
    integral_a2s: ∫ i² of the window. As `integrals.sampling_error`; u(RMS)/RMS = u(∫ i²)/(2 ∫ i²).
    """
    pairs = (stop - first) // 2
    if pairs < 2 or integral_a2s <= 0:
        return 0.0
    change = squares = 0.0
    seen = 0
    for begin, count in _stretches(pairs):
        from_piece = first + 2 * begin
        axis_s, start_a, end_a = load(from_piece, from_piece + 2 * count)
        d = _halved(axis_s[:-1:2], axis_s[1::2], axis_s[2::2], start_a[::2], start_a[1::2], end_a[1::2])
        d[(gaps[slice(*np.searchsorted(gaps, (from_piece, from_piece + 2 * count)))] - from_piece) // 2] = 0.0
        change, squares, seen = change + float(d.sum()), squares + dot(d, d), seen + count
    scale = pairs / seen
    return from_halving(stop - first + 1, scale * change, scale * squares) / (2 * integral_a2s)


def _stretches(pairs: int) -> list[tuple[int, int]]:
    """First pair and number of pairs to examine: all, or evenly spaced stretches of them."""
    most = SAMPLED_AT_MOST // 2
    size = most // STRETCHES
    if pairs <= most:
        return [(begin, min(size, pairs - begin)) for begin in range(0, pairs, size)]
    return [(int(start), size) for start in np.linspace(0, pairs - size, STRETCHES)]


def _halved(t0: Floats, t1: Floats, t2: Floats, a: Floats, b: Floats, c: Floats) -> Floats:
    """∫ i² over two straight lines a to b to c less that of one line from a to c."""
    first, second = t1 - t0, t2 - t1
    # The difference of both sums of d/3 · (a² + a·b + b²), factored: nothing large cancels.
    change = (a + b + c) * (first * (b - c) + second * (b - a)) / 3
    return np.asarray(change)
