"""Which intervals between samples are gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

GAP_FACTOR = 10.0
"""An interval longer than this many times its neighbours' is a gap. Our own choice, fixed in docs/run-file.md."""
NEIGHBOURS = 10
_MANY, _BLOCK = 1000, 1024


@dataclass(frozen=True, slots=True)
class GapRule:
    """How gaps of one run are recognised."""

    max_gap_s: float | None = None
    """As for `find_gaps`."""
    unknown_s: tuple[float, ...] = ()
    """Times of samples after which nobody knows for how long nothing was measured."""

    def find(self, time_s: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
        """Flags, shape (n − 1,), for increasing times."""
        found = find_gaps(time_s, self.max_gap_s)
        for moment_s in self.unknown_s:
            place = int(np.searchsorted(time_s, moment_s + 1e-6, "right")) - 1
            if 0 <= place < len(found):
                found[place] = True
        return found


def find_gaps(time_s: npt.NDArray[np.float64], max_gap_s: float | None = None) -> npt.NDArray[np.bool_]:
    """Flags, shape (n − 1,), of intervals that are gaps.

    An interval is a gap if it is longer than ten times the greater of the medians of the ten intervals before and
    after it, or, where `max_gap_s` is given, longer than that.
    """
    steps = np.diff(time_s)
    if max_gap_s is not None:
        return np.asarray(steps > max_gap_s)
    found = np.zeros(len(steps), bool)
    if len(steps) < 2:
        return found
    # No median is below the minimum interval, so only these can be gaps.
    candidates = np.flatnonzero(steps > GAP_FACTOR * steps.min())
    if len(candidates) > _MANY:
        candidates = candidates[steps[candidates] > GAP_FACTOR * _least_median(steps)[candidates // _BLOCK]]
    for begin in range(0, len(candidates), 100_000):
        part = candidates[begin : begin + 100_000]
        before = _median_of(steps, part, -NEIGHBOURS)
        after = _median_of(steps, part, 1)
        found[part] = steps[part] > GAP_FACTOR * np.fmax(before, after)
    return found


def _least_median(steps: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """For each block of steps, a value that no median beside a step of it is below, so that few odd ones cost little.

    A median of ten is at least their fifth smallest. Ten neighbours touch two blocks at most, so that one of the two
    holds three values that small. At both ends of the run medians are of fewer, and only the minimum of all is certain.
    """
    count = -(-len(steps) // _BLOCK)
    padded = np.full(count * _BLOCK, np.inf)
    padded[: len(steps)] = steps
    third = np.partition(padded.reshape(count, _BLOCK), 2, axis=1)[:, 2]
    beside = np.concatenate(([np.inf], third, [np.inf]))
    bound = np.minimum(np.minimum(beside[:-2], beside[2:]), third)
    # The last block may hold only a few steps, and the one before it then lies within ten of the end.
    bound[0] = steps.min()
    bound[-2:] = steps.min()
    return np.asarray(bound)


def _median_of(steps: npt.NDArray[np.float64], places: npt.NDArray[np.int64], start: int) -> npt.NDArray[np.float64]:
    """Median of up to ten intervals from `start` on beside each place; NaN where there is none."""
    columns = places[:, None] + start + np.arange(NEIGHBOURS)
    inside = (columns >= 0) & (columns < len(steps))
    values = np.where(inside, steps[np.clip(columns, 0, len(steps) - 1)], np.nan)
    out = np.full(len(places), np.nan)
    some = inside.any(axis=1)
    out[some] = np.nanmedian(values[some], axis=1)
    return out
