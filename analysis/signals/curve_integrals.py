"""Integrals of sampled curves over sampled time, block by block, and their uncertainty from sampling."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from amptally.analysis.signals.series import Flags, Floats
from amptally.analysis.signals.signs import Signs, Weights

BLOCK = 40_000
"""Intervals of one block: its arrays stay in the cache, and calls are few."""
BETWEEN = 0.8
"""Share of √Σd² that goes into the sampling error, where d is what halving the samples changes, pair by pair. Measured
on drive-like currents: at least 97 % of the intervals then hold the true integral when sampled at 20 Hz to once in
5 s, 90 % when sampled once in 30 s."""


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
    """Samples and intervals of consecutive blocks that share their end samples; short arrays stay in the cache."""
    for start in range(0, samples - 1, BLOCK):
        stop = min(start + BLOCK, samples - 1)
        yield slice(start, stop + 1), slice(start, stop)


def dot(first: Floats, second: Floats) -> float:
    """Σ first · second, without the threads that `@` starts unless BLAS is configured otherwise."""
    return float(np.einsum("i,i", first, second))


def steps_s(time_s: Floats, gap_after: Flags) -> Floats:
    """Length of the interval after each sample but the last, 0 in a gap; shape (n − 1,)."""
    length = time_s[1:] - time_s[:-1]
    if gap_after.any():
        length[gap_after] = 0.0
    return length


def integrate(time_s: Floats, value: Floats, gap_after: Flags) -> SignedIntegral:
    """Trapezoid over sampled time, split exactly where the straight line between two samples crosses zero.

    time_s and value: shape (n,), time strictly increasing; gap_after: shape (n − 1,), those intervals are left out.
    """
    totals = np.zeros(4)
    for samples, intervals in blocks(len(time_s)):
        step_s, curve = steps_s(time_s[samples], gap_after[intervals]), value[samples]
        totals += by_sign(step_s, curve, Weights(weights_s(step_s), Signs.of(curve)))
    return SignedIntegral(*totals.tolist())


def by_sign(step_s: Floats, value: Floats, weights: Weights) -> Floats:
    """The four sums of a `SignedIntegral` over intervals of these lengths, shape (n − 1,), between n values.

    weights: each sample's weight in the trapezoid's sum, with the signs of the values.
    """
    signs = weights.signs
    _, out, back = weights.sums(value)
    _, out_s, back_s = weights.totals
    zero_s = float(weights.weight[signs.zeros].sum())
    # Each end of an interval counts for half of it: right where the sign stays.
    sums: Floats = np.array([out, -back, out_s - zero_s, back_s - zero_s])
    at = signs.changing
    if len(at):
        a, b, half_s = value[at], value[at + 1], 0.5 * step_s[at]
        high, low = np.maximum(np.maximum(a, b), 0.0), np.minimum(np.minimum(a, b), 0.0)
        share = high / (high - low)
        sums -= (
            half_s @ (high * (1.0 - share)),
            half_s @ (-low * share),
            half_s @ ((high > 0) - 2.0 * share),
            half_s @ ((low < 0) - 2.0 * (1.0 - share)),
        )
    return sums.clip(0.0)


def bridged(time_s: Floats, value: Floats, gap_after: Flags) -> tuple[float, float]:
    """Trapezoids across the gaps, out and in [unit of value · s]: what may have flowed while nothing was measured."""
    at = np.flatnonzero(gap_after)
    if not len(at):
        return 0.0, 0.0
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
        gaps = gap_after[intervals]
        change = halving(steps_s(time_s[samples], gaps), value[samples], gaps)
        total, squares = total + float(change.sum()), squares + dot(change, change)
    return from_halving(len(time_s), total, squares)


def from_halving(samples: int, change: float, changes2: float) -> float:
    """`sampling_error` from the sum of the changes and of their squares."""
    return 0.0 if samples < 5 else math.hypot(change / 3, BETWEEN * math.sqrt(changes2))


def halving(step_s: Floats, value: Floats, gap_after: Flags) -> Floats:
    """What each pair of trapezoids has over the one that spans both; nothing where a gap lies in it.

    step_s: lengths of the intervals, shape (n − 1,), between n values.
    """
    end = len(step_s) // 2 * 2
    rise = value[1 : end + 1] - value[:end]
    change = step_s[1:end:2] * rise[0::2]
    change -= step_s[0:end:2] * rise[1::2]
    change *= 0.5
    if gap_after.any():
        change[gap_after[0:end:2] | gap_after[1:end:2]] = 0.0
    return change


def weights_s(step_s: Floats) -> Floats:
    """Weight of each sample in the trapezoid's sum over intervals of these lengths, 0 where left out [s]."""
    weight = np.empty(len(step_s) + 1)
    weight[0], weight[-1] = step_s[0], step_s[-1]
    np.add(step_s[:-1], step_s[1:], out=weight[1:-1])
    weight *= 0.5
    return weight
