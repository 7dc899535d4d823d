"""Samples frames of one layout, collected in order into one block, and the messages between them."""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
import numpy.typing as npt

from amptally.logger.wire.blocks import Block, Layout, Message
from amptally.logger.wire.frames import Samples, unpack_rows

Ints = npt.NDArray[np.int64]
PIECE, OFFSET, FIRST_US, INTERVAL_US, SAMPLES = range(5)
"""Columns of the table of frames: piece of the stream it ended in, offset, unwrapped time, sample interval, samples."""


class FrameBatch:
    """Collects frames one by one, or many at once from a table."""

    def __init__(self) -> None:
        self.frames = 0
        self.messages: list[tuple[int, Message]] = []
        """Messages that arrived in between, each with the number of frames before it."""
        self._tables: list[Ints] = []
        self._single: list[tuple[int, int, int, int, int]] = []
        self._rows: list[bytes] = []

    def add(self, frame: tuple[int, int, int, int, int], rows: bytes) -> None:
        """Add the next frame: its five numbers, and its rows."""
        self._single.append(frame)
        self._rows.append(rows)
        self.frames += 1

    def add_all(self, frames: Ints, rows: bytes) -> None:
        """Add the next frames, shape (frames, 5), with their rows."""
        self._join_single()
        self._tables.append(frames)
        self._rows.append(rows)
        self.frames += len(frames)

    def add_message(self, message: Message) -> None:
        """Add a message that arrived after the frames so far."""
        self.messages.append((self.frames, message))

    @property
    def first_piece(self) -> int:
        """Piece of the stream that the first frame ended in."""
        return int(self._tables[0][0, PIECE]) if self._tables else self._single[0][PIECE]

    def ends_with(self, offset: int) -> bool:
        """Whether the newest frame was added alone and is the one at `offset`."""
        return bool(self._single) and self._single[-1][OFFSET] == offset

    def table(self) -> Ints:
        """The five numbers of all frames, shape (frames, 5)."""
        self._join_single()
        if len(self._tables) > 1:
            self._tables = [np.concatenate(self._tables)]
        return self._tables[0]

    def _join_single(self) -> None:
        if self._single:
            self._tables.append(np.array(self._single, np.int64))
            self._single = []

    def cut(self, piece: int) -> tuple[FrameBatch, FrameBatch]:
        """Two batches: frames before `piece` or before the newest message, with all messages; and the frames after."""
        table = self.table()
        count = bisect_left(table[:, PIECE], piece)
        if self.messages:
            count = max(count, self.messages[-1][0])
        rows = b"".join(self._rows)
        at = len(rows) // int(table[:, SAMPLES].sum()) * int(table[:count, SAMPLES].sum())
        earlier, later = FrameBatch(), FrameBatch()
        if count:
            earlier.add_all(table[:count], rows[:at])
        if count < len(table):
            later.add_all(table[count:], rows[at:])
        earlier.messages = self.messages
        return earlier, later

    def read(self, layout: Layout, boot: int) -> Block:
        """All rows as one block, by the layout of a describe frame."""
        assert layout.board is not None
        table = self.table()
        counts = table[:, SAMPLES]
        # For all rows at once: the index of each in its frame, and the time and interval of its frame.
        place = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        time_us = np.repeat(table[:, FIRST_US], counts) + place * np.repeat(table[:, INTERVAL_US], counts)
        rows = b"".join(self._rows)
        values = unpack_rows(Samples(0, 0, 0, 1, rows, len(time_us)), layout.board.channels)
        assert values is not None
        return Block(layout, boot, time_us, values)
