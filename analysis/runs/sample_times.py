"""Run times of samples: read from the file once, then computed where they are evenly spaced, as most are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from amptally.analysis.errors import RunContentError
from amptally.analysis.signals.series import Floats, Places

BLOCK_ROWS = 60_000
"""Rows whose spacing is remembered together; the row group of a recorded file."""
_COUNTS = np.arange(float(BLOCK_ROWS))
MAX_SINGLE = 1000
"""Maximum number of times of single rows that are cached."""
LONGEST_S = 1e9
"""Thirty years: a time beyond it is damage, and too coarse in a float for the steps between samples."""
UNORDERED = "{}: its time does not increase everywhere. Import it again to repair that."


@dataclass(slots=True)
class SampleTimes:
    """Times of a run file's rows."""

    name: str
    """Of the file, for errors."""
    rows: int
    read_us: Callable[[int, int], Places | None]
    """Stored times of some rows, from (first row, number of rows); None where one is missing."""
    scale: float
    """Stored time ÷ run time: 1 + the drift of the board's clock."""
    _even: dict[int, tuple[int, int]] = field(default_factory=dict)
    """First time and step of the blocks whose samples all lie as far apart."""
    _recent: list[tuple[int, Floats]] = field(default_factory=list)
    """The last two stretches requested, each with its first row: the same array for the same request."""
    _single: dict[int, Floats] = field(default_factory=dict)
    """Times of rows requested alone, such as the first and the last: every search for a moment begins with them."""
    _late: dict[float, tuple[Floats, Floats]] = field(default_factory=dict)
    """For each delay the times that it was last subtracted from, and the result."""

    def of(self, start: int, rows: int) -> Floats:
        """Run time of `rows` samples from row `start` on [s]. Raises RunContentError where it cannot be one."""
        if rows == 1 and start in self._single:
            return self._single[start]
        for first, held in self._recent:
            if first == start and len(held) == rows:
                return held
        within = (held[start - first :][:rows] for first, held in self._recent if first <= start)
        found = next((part for part in within if len(part) == rows), None)
        made = self._made(start, rows) if found is None else found
        if rows == 1:
            if len(self._single) >= MAX_SINGLE:
                self._single.clear()
            self._single[start] = made = made.copy()  # not a view that holds all it was cut from
        else:
            self._recent = [(start, made), *self._recent[:1]]
        return made

    def late(self, time_s: Floats, delay_s: float) -> Floats:
        """Times less a delay: the same array for all channels with that delay."""
        if not delay_s:
            return time_s
        held = self._late.get(delay_s)
        if held is None or held[0] is not time_s:
            held = self._late[delay_s] = time_s, time_s - delay_s
        return held[1]

    def _made(self, start: int, rows: int) -> Floats:
        time_s = self._known(start, start + rows)
        if time_s is None:
            time_s = np.multiply(self._read(start, rows), 1e-6, dtype=np.float64)
            if self.scale != 1.0:
                time_s /= self.scale
        if max(abs(float(time_s[0])), abs(float(time_s[-1]))) > LONGEST_S:
            raise RunContentError(
                f"{self.name}: its time reaches {time_s[-1]:.3g} s. Import it again with the right unit."
            )
        return time_s

    def _known(self, start: int, stop: int) -> Floats | None:
        """Without reading; None where some of these rows have to be read."""
        blocks = range(start // BLOCK_ROWS, (stop - 1) // BLOCK_ROWS + 1)
        if not all(block in self._even for block in blocks):
            return None
        time_s = np.empty(stop - start)
        for block in blocks:
            first_us, step_us = self._even[block]
            low, high = max(start, block * BLOCK_ROWS), min(stop, (block + 1) * BLOCK_ROWS)
            part = time_s[low - start : high - start]
            # Whole microseconds, and so exact.
            np.multiply(_COUNTS[low - block * BLOCK_ROWS : high - block * BLOCK_ROWS], step_us, out=part)
            part += first_us
            part *= 1e-6
            if self.scale != 1.0:
                part /= self.scale
        return time_s

    def _read(self, start: int, rows: int) -> Places:
        """From the file; evenly spaced blocks are remembered."""
        time_us = self.read_us(start, rows)
        if time_us is None:
            raise RunContentError(UNORDERED.format(self.name))
        step_us = np.diff(time_us)
        if len(step_us) and step_us.min() <= 0:
            raise RunContentError(UNORDERED.format(self.name))
        for begin in range(-(-start // BLOCK_ROWS) * BLOCK_ROWS, start + rows, BLOCK_ROWS):
            end = min(begin + BLOCK_ROWS, self.rows)
            steps = step_us[begin - start : end - 1 - start]
            if end <= start + rows and len(steps) and steps.min() == steps.max():
                self._even[begin // BLOCK_ROWS] = int(time_us[begin - start]), int(steps[0])
        return time_us
