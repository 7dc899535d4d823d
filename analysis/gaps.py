"""Which intervals between samples are gaps."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

GAP_FACTOR = 10.0
"""An interval longer than this many times its neighbours' is a gap. Our own choice, fixed in docs/run-file.md."""
NEIGHBOURS = 10


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
    # No median is below the least interval, so that only these can be gaps.
    candidates = np.flatnonzero(steps > GAP_FACTOR * steps.min())
    for part in np.array_split(candidates, 1 + len(candidates) // 100_000):
        if len(part):
            before = _median_of(steps, part, -NEIGHBOURS)
            after = _median_of(steps, part, 1)
            found[part] = steps[part] > GAP_FACTOR * np.fmax(before, after)
    return found


def _median_of(steps: npt.NDArray[np.float64], places: npt.NDArray[np.int64], start: int) -> npt.NDArray[np.float64]:
    """Median of up to ten intervals from `start` on beside each place; NaN where there is none."""
    columns = places[:, None] + start + np.arange(NEIGHBOURS)
    inside = (columns >= 0) & (columns < len(steps))
    values = np.where(inside, steps[np.clip(columns, 0, len(steps) - 1)], np.nan)
    out = np.full(len(places), np.nan)
    some = inside.any(axis=1)
    out[some] = np.nanmedian(values[some], axis=1)
    return out
