"""Samples frames of one layout that wait, in order, to become one block."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from logger.blocks import Block, Layout
from logger.frames import Samples, unpack_rows


class Gathered(NamedTuple):
    """One frame, or many that follow one another."""

    pieces: list[int]
    """Which piece of the stream each ended in."""
    offsets: list[int]
    first_us: list[int]
    """Unwrapped."""
    interval_us: list[int]
    samples: list[int]
    rows: bytes
    """Of all of them."""

    def cut(self, count: int) -> tuple[Gathered, Gathered]:
        """The first `count` frames and the others."""
        at = len(self.rows) // sum(self.samples) * sum(self.samples[:count])
        earlier = (self.pieces[:count], self.offsets[:count], self.first_us[:count])
        later = (self.pieces[count:], self.offsets[count:], self.first_us[count:])
        return (
            Gathered(*earlier, self.interval_us[:count], self.samples[:count], self.rows[:at]),
            Gathered(*later, self.interval_us[count:], self.samples[count:], self.rows[at:]),
        )


def read_block(run: Sequence[Gathered], layout: Layout, boot: int) -> Block:
    """All the rows of frames of one layout, which a describe frame told."""
    assert layout.board is not None
    counts = np.array([samples for frames in run for samples in frames.samples])
    # The place of each row in its frame, and what its frame says, for all rows at once.
    place = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    first = np.repeat(np.array([first for frames in run for first in frames.first_us], np.int64), counts)
    interval = np.array([interval for frames in run for interval in frames.interval_us], np.int64)
    time_us = first + place * np.repeat(interval, counts)
    rows = b"".join([frames.rows for frames in run])
    values = unpack_rows(Samples(0, 0, 0, 1, rows, len(time_us)), layout.board.channels)
    assert values is not None
    return Block(layout, boot, time_us, values)
