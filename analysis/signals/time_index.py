"""The row of a moment in a long run, found by reading little of it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

READ_ROWS = 20_000
"""Rows read around a guess."""
STEP_ROWS = 1_000
"""Rows read at a time from the start on."""


def first_row(times_s: Callable[[int, int], npt.NDArray[np.float64]], rows: int, wanted_s: float) -> int:
    """The first row at this time or later; `rows` where there is none.

    `times_s(start, count)` reads the increasing times of a stretch. Time mostly increases evenly, so interpolating
    between two known rows and reading around that guess soon finds the moment.
    """
    low_s, high_s = float(times_s(0, 1)[0]), float(times_s(rows - 1, 1)[0])
    if wanted_s <= low_s:
        return 0
    if wanted_s > high_s:
        return rows
    low, high = 0, rows  # all rows before `low` are earlier, none from `high` on is
    evenly = True
    while low < high:
        share = (wanted_s - low_s) / (high_s - low_s) if evenly and high_s > low_s else 0.5
        guess = low + int(min(max(share, 0.0), 1.0) * (high - low))
        start = max(min(guess - READ_ROWS // 2, high - 1), low)
        part_s = times_s(start, min(READ_ROWS, high - start))
        place = start + int(np.searchsorted(part_s, wanted_s, "left"))
        if place == start > low:
            high, high_s = start, float(part_s[0])
        elif place == start + len(part_s) < high:
            low, low_s = place, float(part_s[-1])
        else:
            return place
        # Halving in turn bounds the search where time does not grow evenly.
        evenly = not evenly
    return low


def first_row_from_start(times_s: Callable[[int, int], npt.NDArray[np.float64]], rows: int, wanted_s: float) -> int:
    """The same, reading from the start on and not much beyond that row: what comes later may be unreadable."""
    for start in range(0, rows, STEP_ROWS):
        part_s = times_s(start, min(STEP_ROWS, rows - start))
        if part_s[-1] >= wanted_s:
            return start + int(np.searchsorted(part_s, wanted_s, "left"))
    return rows
