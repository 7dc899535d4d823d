"""Integrals of sampled curves over sampled time, stretch by stretch, and what sampling leaves open in them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analysis.series import Flags, Floats

BLOCK = 1 << 14
BETWEEN = 0.8
"""Share of √Σd² that goes into the sampling error, d being what halving the samples changes pair by pair: of drive-like
currents sampled at 20 Hz to once in 5 s the true integral then lies inside in at least 97 %, once in 30 s in 90 %."""


@dataclass(frozen=True, slots=True)
class SignedIntegral:
    """∫ of the positive part, of the negative part (as a positive number), and how long each lasted."""

    out: float
    back: float
    out_s: float
    back_s: float

    @property
    def net(self) -> float:
        """out − back."""
        return self.out - self.back


def blocks(samples: int) -> Iterator[tuple[slice, slice]]:
    """Samples and intervals of consecutive stretches that share their end samples; short arrays stay in the cache."""
    for start in range(0, samples - 1, BLOCK):
        stop = min(start + BLOCK, samples - 1)
        yield slice(start, stop + 1), slice(start, stop)


def dot(first: Floats, second: Floats) -> float:
    """Σ first · second, without the threads that `@` would start for each short stretch."""
    return float(np.einsum("i,i", first, second))


def integrate(time_s: Floats, value: Floats, gap_after: Flags) -> SignedIntegral:
    """Trapezoid over sampled time, split exactly where the straight line between two samples crosses zero.

    time_s and value: shape (n,), time strictly increasing; gap_after: shape (n − 1,), those intervals are left out.
    """
    totals = np.zeros(4)
    for samples, intervals in blocks(len(time_s)):
        totals += _integrate(time_s[samples], value[samples], gap_after[intervals])
    return SignedIntegral(*totals.tolist())


def _integrate(time_s: Floats, value: Floats, gap_after: Flags) -> Floats:
    """The four sums of a `SignedIntegral`."""
    dt = np.diff(time_s)
    if gap_after.any():
        dt[gap_after] = 0.0
    a, b = value[:-1], value[1:]
    area = (a + b) * dt
    area *= 0.5
    if value.min() >= 0:
        return np.array([area.sum(), 0.0, dot(dt, (area > 0).astype(np.float64)), 0.0])
    crossing = np.flatnonzero(a * b < 0)
    before, after, step = a[crossing], b[crossing], dt[crossing]
    area[crossing] = 0.0
    # Share of the interval on the side of its first value: a / (a − b).
    share = before / (before - after)
    parts = np.concatenate((0.5 * before * share * step, 0.5 * after * (1.0 - share) * step))
    lengths = np.concatenate((share * step, (1.0 - share) * step))
    return _by_sign(area, dt) + _by_sign(parts, lengths)


def _by_sign(area: Floats, length: Floats) -> Floats:
    """Sums of the positive areas, of the negative ones as a positive number, and of the lengths of each."""
    return np.array(
        [
            np.maximum(area, 0.0).sum(),
            -np.minimum(area, 0.0).sum(),
            dot(length, (area > 0).astype(np.float64)),
            dot(length, (area < 0).astype(np.float64)),
        ]
    )


def bridged(time_s: Floats, value: Floats, gap_after: Flags) -> tuple[float, float]:
    """Trapezoid across the gaps: what may have flowed out and in while nothing was measured."""
    at = np.flatnonzero(gap_after)
    across = 0.5 * (value[at] + value[at + 1]) * (time_s[at + 1] - time_s[at])
    return float(np.maximum(across, 0).sum()), float(np.maximum(-across, 0).sum())


def sampling_error(time_s: Floats, value: Floats, gap_after: Flags) -> float:
    """Standard uncertainty of the trapezoid from its own step: what halving the samples changes, pair by pair.

    A smooth curve's error falls with the square of the step, full = half − 3 · error, so that a third of the sum of the
    changes is the error (Richardson). Where the current jumps between samples the changes are random and may cancel in
    the sum by chance: BETWEEN · √Σ changes² is added in quadrature.
    """
    if len(time_s) < 5:
        return 0.0
    total = squares = 0.0
    for samples, intervals in blocks(len(time_s)):
        change = halving(time_s[samples], value[samples], gap_after[intervals])
        total, squares = total + float(change.sum()), squares + dot(change, change)
    return from_halving(len(time_s), total, squares)


def from_halving(samples: int, change: float, changes2: float) -> float:
    """`sampling_error` from the sum of the changes and of their squares."""
    return 0.0 if samples < 5 else math.hypot(change / 3, BETWEEN * math.sqrt(changes2))


def halving(time_s: Floats, value: Floats, gap_after: Flags) -> Floats:
    """What each pair of trapezoids has over the one that spans both; nothing where a gap lies in it."""
    end = (len(time_s) - 1) // 2 * 2
    step = np.diff(time_s[: end + 1])
    first, second = step[::2], step[1::2]
    change = 0.5 * (value[1:end:2] * (first + second) - value[0:end:2] * second - value[2 : end + 1 : 2] * first)
    if gap_after.any():
        change[gap_after[0:end:2] | gap_after[1:end:2]] = 0.0
    return np.asarray(change)


def weights_s(time_s: Floats, gap_after: Flags) -> Floats:
    """Weight of each sample in the trapezoid's sum [s], gaps left out."""
    half = 0.5 * np.diff(time_s)
    if gap_after.any():
        half[gap_after] = 0.0
    weight = np.zeros(len(time_s))
    weight[:-1] += half
    weight[1:] += half
    return weight
