"""What the square of a current that goes along straight lines adds to a first-order thermal term, exactly.

Over a line from a to a + d that lasts h, a term of time constant τ goes from y to y e^(−x) + a² J₀ + 2ad J₁ + d² J₂;
x = h/τ and Jₙ = x ∫₀¹ uⁿ e^(−x(1 − u)) du. docs/methods.md, Fuse margin.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from amptally.analysis.signals.series import Floats

SMALL = 0.01
"""Below this x the closed forms of J₁ and J₂ cancel, and three terms of their series are exact to 1e-7."""
SPAN = 400.0
"""Longest stretch, in time constants, that is summed at once: e⁴⁰⁰ is far from the end of the floating-point range."""


def added_heat(length_s: Floats, start_a: Floats, end_a: Floats, constant_s: float) -> Floats:
    """What each line adds by its end [A²], shape (n,): lengths [s], first and last currents [A], τ [s]."""
    x = length_s / constant_s
    j0 = -np.expm1(-x)
    safe = np.maximum(x, SMALL)
    j1 = np.where(x < SMALL, x * (1 / 2 - x * (1 / 6 - x / 24)), 1 - j0 / safe)
    j2 = np.where(x < SMALL, x * (1 / 3 - x * (1 / 12 - x / 60)), 1 - 2 * j1 / safe)
    rise = end_a - start_a
    return np.asarray(start_a * (start_a * j0 + 2 * rise * j1) + rise * rise * j2)


def sums_with_decay(time_s: Floats, added: Floats, constant_s: float, before: float) -> Floats:
    """y at each time, shape (n,): `before` at the first, then each interval takes e^(−h/τ) of it and adds to it.

    `added` has shape (n − 1,). Times increase.
    """
    values = np.empty(len(time_s))
    values[0] = before
    for begin, stop in span_ranges(time_s, constant_s):
        grown = np.exp((time_s[begin : stop + 1] - time_s[begin]) / constant_s)
        values[begin + 1 : stop + 1] = (values[begin] + np.cumsum(added[begin:stop] * grown[1:])) / grown[1:]
    return values


def span_ranges(time_s: Floats, constant_s: float) -> list[tuple[int, int]]:
    """Consecutive ranges of intervals that last no more than `SPAN` time constants together, or one interval alone."""
    last = len(time_s) - 1
    if last < 1:
        return []
    edges = [0]
    while edges[-1] < last:
        reach_s = time_s[edges[-1]] + SPAN * constant_s
        edges.append(max(int(np.searchsorted(time_s, reach_s, "right")) - 1, edges[-1] + 1))
    return list(pairwise(edges))
