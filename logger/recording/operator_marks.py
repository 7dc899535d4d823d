"""Laps marked by a key on the computer → the `mark` channel, as if a button on the board had counted them.

A count means nothing but its steps, so the first row of the channel stands one below the first press.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from amptally.logger.wire.blocks import LONGEST_US, Block
from amptally.logger.wire.frames import INT64_NULL

MAX_PRESSES = 100_000
_MARK = "mark"


class OperatorMarks:
    """Counts presses, and adds them to the samples that come after each."""

    def __init__(self) -> None:
        self.count = 0
        self._waiting: list[int] = []
        """Run times of presses whose sample has not come yet, in order [µs]."""
        self._passed = 0
        self._begun = False

    def press(self, run_us: object) -> None:
        """Take a press at a run time in µs; anything else is left out."""
        if not isinstance(run_us, int) or isinstance(run_us, bool) or not 0 <= run_us < LONGEST_US:
            return
        if self.count < MAX_PRESSES:
            self.count += 1
            self._waiting = sorted([*self._waiting, run_us])

    def added(self, run_us: npt.NDArray[np.int64], block: Block) -> Block:
        """The block with the presses before each of its samples in its mark channel; unchanged before the first."""
        if not self.count:
            return block
        presses = np.array(self._waiting, np.int64)
        counted = self._passed + np.searchsorted(presses, run_us, side="right")
        if not self._begun:
            counted[0] = 0
            self._begun = True
        done = int(np.searchsorted(presses, run_us[-1], side="right")) if len(run_us) > 1 or counted[-1] else 0
        self._waiting, self._passed = self._waiting[done:], self._passed + done
        columns = block.layout.columns
        if _MARK not in columns:
            layout = replace(block.layout, columns=(*columns, _MARK))
            return replace(block, layout=layout, values=np.column_stack([block.values, counted]))
        values = block.values.copy()
        place = columns.index(_MARK)
        measured = values[:, place] != INT64_NULL
        values[measured, place] += counted[measured]
        return replace(block, values=values)
