"""Samples frames of one layout that wait, in order, to become one block, and what was said between them."""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
import numpy.typing as npt

from amptally.logger.wire.blocks import Block, Layout, Message
from amptally.logger.wire.frames import Samples, unpack_rows

Ints = npt.NDArray[np.int64]
PIECE, OFFSET, FIRST_US, INTERVAL_US, SAMPLES = range(5)
"""What is kept of each frame: the piece of the stream it ended in, its offset, its time, unwrapped, and its rows'."""


class Gathered:
    """One frame after the other, or many at once where a table has them."""

    def __init__(self) -> None:
        self.frames = 0
        self.said: list[tuple[int, Message]] = []
        """Messages that came between, each with the number of frames before it."""
        self._tables: list[Ints] = []
        self._single: list[tuple[int, int, int, int, int]] = []
        self._rows: list[bytes] = []

    def add(self, frame: tuple[int, int, int, int, int], rows: bytes) -> None:
        """The next frame: the five numbers that are kept of it, and its rows."""
        self._single.append(frame)
        self._rows.append(rows)
        self.frames += 1

    def add_all(self, frames: Ints, rows: bytes) -> None:
        """The next frames, shape (frames, 5)."""
        self._join_single()
        self._tables.append(frames)
        self._rows.append(rows)
        self.frames += len(frames)

    def say(self, message: Message) -> None:
        """A message that came after the frames so far."""
        self.said.append((self.frames, message))

    @property
    def first_piece(self) -> int:
        """Which piece the first frame ended in."""
        return int(self._tables[0][0, PIECE]) if self._tables else self._single[0][PIECE]

    def ends_with(self, offset: int) -> bool:
        """Whether the newest frame came by itself and is the one at `offset`."""
        return bool(self._single) and self._single[-1][OFFSET] == offset

    def table(self) -> Ints:
        """What is kept of all frames, shape (frames, 5)."""
        self._join_single()
        if len(self._tables) > 1:
            self._tables = [np.concatenate(self._tables)]
        return self._tables[0]

    def _join_single(self) -> None:
        if self._single:
            self._tables.append(np.array(self._single, np.int64))
            self._single = []

    def cut(self, piece: int) -> tuple[Gathered, Gathered]:
        """What was told before `piece` or before the newest message, that one included, and the frames after it."""
        table = self.table()
        count = bisect_left(table[:, PIECE], piece)
        if self.said:
            count = max(count, self.said[-1][0])
        rows = b"".join(self._rows)
        at = len(rows) // int(table[:, SAMPLES].sum()) * int(table[:count, SAMPLES].sum())
        earlier, later = Gathered(), Gathered()
        if count:
            earlier.add_all(table[:count], rows[:at])
        if count < len(table):
            later.add_all(table[count:], rows[at:])
        earlier.said = self.said
        return earlier, later

    def read(self, layout: Layout, boot: int) -> Block:
        """All the rows, of a layout which a describe frame told."""
        assert layout.board is not None
        table = self.table()
        counts = table[:, SAMPLES]
        # The place of each row in its frame, and what its frame says, for all rows at once.
        place = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        time_us = np.repeat(table[:, FIRST_US], counts) + place * np.repeat(table[:, INTERVAL_US], counts)
        rows = b"".join(self._rows)
        values = unpack_rows(Samples(0, 0, 0, 1, rows, len(time_us)), layout.board.channels)
        assert values is not None
        return Block(layout, boot, time_us, values)
