"""The error of a trapezoid across a gap, estimated from trapezoids of the same length where there are samples.

docs/methods.md, Gaps and coverage.
"""

from __future__ import annotations

import math

import numpy as np

from amptally.analysis.signals.sampling import parts_bursts
from amptally.analysis.signals.series import Floats, Places, Series

WINDOWS = 256
"""Places in the run at which a trapezoid of a gap's length is compared with the samples under it."""
MIN_WINDOWS = 8
LENGTHS = 12
"""Of many gaps this many lengths are tried, each for the gaps up to that length."""


def bridge_u(series: Series) -> float:
    """1 σ of the trapezoids across all gaps of a channel together [unit of value · s]; 0 without gaps.

    For each length of gap: the root mean square of ∫ − trapezoid over evenly spaced windows of that length that hold no
    gap; the standard deviation of the channel times the length where fewer than eight fit. Gaps are independent. Where
    gaps separate bursts of samples, `sampling.burst_halving` covers what is not known.
    """
    at = np.flatnonzero(series.gap_after)
    if not len(at) or parts_bursts(len(at), len(series.time_s)):
        return 0.0
    lengths_s = np.sort(series.time_s[at + 1] - series.time_s[at])
    tried = np.unique(np.quantile(lengths_s, np.linspace(0, 1, LENGTHS), method="higher"))
    steps = np.where(series.gap_after, 0.0, np.diff(series.time_s))
    so_far = np.concatenate(([0.0], np.cumsum(0.5 * (series.value[:-1] + series.value[1:]) * steps)))
    gaps_before = np.concatenate(([0], np.cumsum(series.gap_after)))
    off = [_off(series, so_far, gaps_before, float(length_s)) for length_s in tried]
    return math.sqrt(float(np.sum(np.array(off)[np.searchsorted(tried, lengths_s)] ** 2)))


def _off(series: Series, so_far: Floats, gaps_before: Places, length_s: float) -> float:
    """Root mean square error of trapezoids of one length."""
    time_s, value = series.time_s, series.value
    start = np.unique(np.linspace(0, len(time_s) - 1, WINDOWS).astype(np.int64))
    end = np.searchsorted(time_s, time_s[start] + length_s)
    inside = end < len(time_s)
    start, end = start[inside], end[inside]
    whole = gaps_before[start] == gaps_before[end]
    start, end = start[whole], end[whole]
    if len(start) < MIN_WINDOWS:
        return float(np.std(value)) * length_s
    trapezoid = 0.5 * (value[start] + value[end]) * (time_s[end] - time_s[start])
    return float(np.sqrt(np.mean((so_far[end] - so_far[start] - trapezoid) ** 2)))
