"""The highest rise that published rows leave possible, from the largest windows of a current. docs/methods.md.

The linear program of `thermal_memory` needs H(L), the most ∫ i² in any window of length L, for every L. H is known at
some lengths; between two of them it never falls, and a window of L + δ holds no more than one of L and one of δ. Where
that bound passes what the rows cover, windows between are searched. What stays open at the end is added to the result,
so that it is never below the true bound.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.thermal_memory import Rows, covering
from amptally.analysis.signals.series import Floats

OPEN_SHARE = 0.01
"""What may stay open between windows, relative to the rise: half of it in the margin."""
ROUNDS = 12
"""Of more windows; what is open after them is added."""
FOR_EVER_S = 1e9
INSTANT_S = 1e-6
"""A window as short as this holds its length times the largest i²."""


@dataclass(frozen=True, slots=True)
class Heat:
    """H(L) of a current as far as it is known, an upper bound where it is not."""

    most_a2s: Callable[[Sequence[float]], Floats]
    """H for some lengths up to `duration_s` [A²s]."""
    max_a2: float
    """No i² is larger."""
    duration_s: float
    from_start_a2s: Callable[[Floats, float], Floats] = field(default=lambda lengths_s, _: np.zeros_like(lengths_s))
    """For lengths and a mean square q: the most by which ∫ i² from the first sample on passes q · time, within each."""

    @classmethod
    def of(cls, exposure: Exposure) -> Heat:
        """Of the current as it was measured, or filled."""

        def most_a2s(lengths_s: Sequence[float]) -> Floats:
            return np.array([each.rms_a**2 * each.window_s for each in exposure.worst_of(lengths_s)])

        inner = exposure.square.blocks[-1]

        @lru_cache(maxsize=1)
        def highest_a2s(mean_a2: float) -> Floats:
            before_a2s = inner.edge_ticks * exposure.square.tick_a2s - mean_a2 * inner.edge_s
            # In a block it rises no faster than its largest i² says, nor above what is held at its end.
            steepest_a2s = np.maximum(inner.max_a2 - mean_a2, 0.0) * np.diff(inner.edge_s)
            passed_a2s = before_a2s[:-1] + np.minimum(
                steepest_a2s, np.diff(inner.edge_ticks) * exposure.square.tick_a2s
            )
            return np.maximum.accumulate(np.maximum(passed_a2s, 0.0))

        def from_start_a2s(lengths_s: Floats, mean_a2: float) -> Floats:
            highest = highest_a2s(mean_a2)
            place = np.clip(np.searchsorted(inner.edge_s, lengths_s) - 1, 0, len(highest) - 1)
            return np.minimum(highest[place], max(exposure.square.max_a2 - mean_a2, 0.0) * lengths_s)

        return cls(most_a2s, exposure.square.max_a2, exposure.duration_s, from_start_a2s)

    @classmethod
    def steady(cls, current_a: float, duration_s: float) -> Heat:
        """Of a current that may have flowed all the time."""
        return cls(lambda lengths_s: current_a**2 * np.asarray(lengths_s, float), current_a**2, duration_s)

    def behind_filter(self, seen: Callable[[float], float], most_a: float) -> Heat:
        """Before a filter that leaves of a pulse of some length no more than this share of its RMS."""

        def most_a2s(lengths_s: Sequence[float]) -> Floats:
            passed = np.array([max(seen(length_s), 1e-3) for length_s in lengths_s])
            limit_a2s = most_a**2 * np.asarray(lengths_s, float)
            return np.asarray(np.minimum(self.most_a2s(lengths_s) / passed**2, limit_a2s))

        return Heat(most_a2s, most_a**2, self.duration_s, self.from_start_a2s)


def guaranteed_rise_a2(rows: Rows, heat: Heat, lengths_s: Sequence[float], before_a: float = 0.0) -> float:
    """The highest rise in A², θ · rating², of any thermal system that keeps the rows.

    `lengths_s` are windows to begin with. A steady `before_a` has flowed for ever before the first sample. The last row
    is what the fuse carries for ever.
    """
    if heat.max_a2 <= 0 and before_a <= 0:
        return 0.0
    rows = (*rows[:-1], (FOR_EVER_S, rows[-1][1]))
    inside = (each for each in (*lengths_s, *(row_s for row_s, _ in rows)) if each < heat.duration_s)
    length_s = np.unique([*inside, heat.duration_s])
    held_a2s = heat.most_a2s(length_s.tolist())
    for _ in range(ROUNDS):
        known_s, known_a2s = _with_ends(heat, length_s, held_a2s, before_a**2)
        total_a2, cover = covering(rows, known_s, known_a2s)
        reach_s, over = _between(known_s, known_a2s, cover, max(heat.max_a2, before_a**2))
        # After the last sample there is nothing to search: H goes along a straight line there.
        over = over[known_s[1:] <= heat.duration_s]
        places = np.flatnonzero(over > 1 + OPEN_SHARE)
        middle_s = np.sqrt(known_s[places] * known_s[places + 1])
        more_s = np.setdiff1d(np.concatenate((reach_s[places], middle_s)), known_s)
        if not len(more_s):
            break
        held_a2s = np.concatenate((held_a2s, heat.most_a2s(more_s.tolist())))
        length_s = np.concatenate((length_s, more_s))
        order = np.argsort(length_s)
        length_s, held_a2s = length_s[order], held_a2s[order]
    return total_a2 * max(1.0, float(over.max(initial=1.0)))


def _with_ends(heat: Heat, length_s: Floats, held_a2s: Floats, before_a2: float) -> tuple[Floats, Floats]:
    """Lengths and H with an instant before them, and with what a steady current before the run adds."""
    length_s, held_a2s = np.append(INSTANT_S, length_s), np.append(INSTANT_S * heat.max_a2, held_a2s)
    if before_a2 <= 0:
        return length_s, held_a2s
    length_s = np.append(length_s, FOR_EVER_S)
    reaching_back = before_a2 * length_s + heat.from_start_a2s(length_s, before_a2)
    return length_s, np.maximum(np.append(held_a2s, 0.0), reaching_back)


def _between(
    known_s: Floats, known_a2s: Floats, cover: Callable[[Floats], Floats], max_a2: float
) -> tuple[Floats, Floats]:
    """For each step between lengths: where H may pass the cover by most, and that as a ratio.

    A window of L + δ is one of L and one of δ: H(L + δ) ≤ H(L) + H(δ), which is at most δ times the largest i²; and no
    more than H at the end of the step.
    """
    most_a2s = np.minimum(known_a2s[:-1, None] + known_a2s, known_a2s[1:, None])
    more_s = np.maximum(np.append(0.0, known_s[:-1]), (most_a2s - known_a2s[:-1, None]) / max_a2)
    at_s = np.minimum(known_s[:-1, None] + more_s, known_s[1:, None])
    over = most_a2s / cover(at_s.ravel()).reshape(at_s.shape)
    place = over.argmax(axis=1)
    each = np.arange(len(place))
    return at_s[each, place], over[each, place]


def first_current_a(exposure: Exposure, over_s: float) -> float:
    """RMS of the beginning of a run [A]."""
    length_s = min(over_s, exposure.duration_s)
    return math.sqrt(max(float(exposure.square.between(np.zeros(1), np.array([length_s]))[0]), 0.0) / length_s)
