"""Blocks of samples in storage units, as both readers of the stream deliver them; bad samples are counted as faults."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from amptally.logger.channels import BY_NAME
from amptally.logger.wire.frames import INT64_NULL, Describe, Event, Extremes, Fault, Reply

CLOCK_WRAP = 2**32
LONGEST_US = 2**53
"""285 years: longer than any recording, and sums of such times neither overflow nor lose a microsecond."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Columns of a block, and the board that sent them."""

    columns: tuple[str, ...]
    """Run-file column names in the order of the block's columns."""
    interval_us: int
    """Sample interval announced by the board, in µs; 0 in text mode, where none is announced."""
    board: Describe | None
    """The frame that announced it; None in text mode."""
    row_size: int = 0
    """Bytes of one row on the wire; 0 in text mode."""
    timed: bool = True
    """False where the board prints no time: `time_us` then counts lines, and their arrival gives the time."""


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive samples in storage units."""

    layout: Layout
    boot: int
    """0 for the boot running at the first sample, one more at each reset; board time restarts with each."""
    time_us: npt.NDArray[np.int64]
    """Board time in µs, shape (n,), unwrapped within the boot, strictly increasing."""
    values: npt.NDArray[np.int64]
    """Shape (n, columns), `INT64_NULL` where not measured."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A block that arrived in one or several pieces of the stream, cut into parts at each piece and message."""

    block: Block
    pieces: npt.NDArray[np.int64]
    """Number of the piece each part arrived in, shape (parts,), not decreasing."""
    ends: npt.NDArray[np.int64]
    """Rows of the block up to the end of each part, shape (parts,)."""
    messages: tuple[tuple[int, Message], ...] = ()
    """Messages that arrived in between, each with the number of parts before it."""

    @classmethod
    def of(cls, block: Block, piece: int) -> Stretch:
        """A block that arrived in one piece."""
        return cls(block, np.array([piece]), np.array([len(block.time_us)]))

    def parts(self) -> Iterator[tuple[int | None, Block | Message]]:
        """Each part as (piece, block), and each message as (None, message), in the order of arrival."""
        start, messages = 0, deque(self.messages)
        for number, (piece, end) in enumerate(zip(self.pieces.tolist(), self.ends.tolist(), strict=True), 1):
            yield piece, part_of(self.block, slice(start, end))
            start = end
            while messages and messages[0][0] == number:
                yield None, messages.popleft()[1]


@dataclass(frozen=True, slots=True)
class Booted:
    """The board has restarted: all following items belong to this boot."""

    boot: int


Message = Describe | Extremes | Event | Reply
Item = Block | Booted | Message | Fault
StreamItem = Stretch | Booted | Message | Fault
"""The same, for blocks that may have arrived in several pieces of the stream."""


def single_items(items: Iterable[StreamItem]) -> list[Item]:
    """The same items with each part of a stretch as a block of its own."""
    single: list[Item] = []
    for item in items:
        if isinstance(item, Stretch):
            single += [part for _, part in item.parts()]
        else:
            single.append(item)
    return single


class BoardTime:
    """Unwraps the 32-bit board clock within one boot."""

    def __init__(self) -> None:
        self._last: int | None = None

    @property
    def known(self) -> bool:
        """Whether there was a reading in this boot."""
        return self._last is not None

    def step(self, raw: int) -> int:
        """How far a reading is ahead of the last one, in µs modulo the clock; 0 for the first."""
        return 0 if self._last is None else (raw - self._last) % CLOCK_WRAP

    def unwrap(self, raw: int) -> int | None:
        """Board time in µs of a wrapped reading; None where it steps back or exceeds `LONGEST_US`."""
        step = self.step(raw)
        if self._last is None:
            self._last = raw
            return raw
        if step >= CLOCK_WRAP // 2 or self._last + step > LONGEST_US:
            return None
        self._last += step
        return self._last

    def unwrap_all(self, raw: npt.NDArray[np.int64]) -> npt.NDArray[np.int64] | None:
        """Board times in µs of the readings after `raw[0]`, the last one known; each step is less than half a wrap.

        None, and no change of state, where one exceeds `LONGEST_US`.
        """
        assert self._last is not None
        unwrapped = self._last + np.cumsum((raw[1:] - raw[:-1]) % CLOCK_WRAP)
        if unwrapped[-1] > LONGEST_US:
            return None
        self._last = int(unwrapped[-1])
        return unwrapped


def part_of(block: Block, rows: slice) -> Block:
    """Some rows of a block."""
    return replace(block, time_us=block.time_us[rows], values=block.values[rows])


@lru_cache(maxsize=64)
def _limits(columns: tuple[str, ...]) -> npt.NDArray[np.int64]:
    """Minimum and maximum valid value of each column, shape (2, columns)."""
    return np.array([BY_NAME[name].valid for name in columns], np.int64).reshape(-1, 2).T


def _null_impossible(layout: Layout, values: npt.NDArray[np.int64], offset: int) -> list[Item]:
    """Replace stored values outside the valid range by null, in place; one fault per column concerned."""
    low, high = _limits(layout.columns)
    outside = (values < low) | (values > high)
    if not outside.any():
        return []
    wrong = outside & (values != INT64_NULL)
    counts = wrong.sum(axis=0).tolist()
    values[wrong] = INT64_NULL
    return [Fault("range", offset, count) for count in counts if count]


def known_columns(block: Block) -> Block:
    """The block without columns unknown to this program."""
    columns = block.layout.columns
    known = [place for place, name in enumerate(columns) if not name.startswith("unknown_")]
    if len(known) == len(columns):
        return block
    layout = replace(block.layout, columns=tuple(columns[place] for place in known))
    return replace(block, layout=layout, values=block.values[:, known])


def is_clean(block: Block, after: int | None) -> bool:
    """Whether `finish_block` would report no fault, however the block were cut."""
    time_us = block.time_us
    if (after is not None and time_us[0] <= after) or not (time_us[1:] > time_us[:-1]).all():
        return False
    low, high = _limits(block.layout.columns)
    values = block.values
    if (values.max(axis=0) > high).any():
        return False
    return bool((values.min(axis=0) >= low).all()) or not ((values < low) & (values != INT64_NULL)).any()


def finish_block(block: Block, offset: int, after: int | None) -> list[Item]:
    """Keep known columns, and samples later than `after`, the last sample of the boot; report the others as faults."""
    items: list[Item] = []
    block = known_columns(block)
    time_us, values = block.time_us, block.values
    latest = np.maximum.accumulate(time_us)
    forward = np.empty(len(time_us), bool)
    forward[0] = True
    forward[1:] = time_us[1:] > latest[:-1]
    if after is not None and time_us[0] <= after:
        forward &= time_us > after
    if not forward.all():
        items += [Fault("order", offset, 1)] * int((~forward).sum())
        time_us, values = time_us[forward], values[forward]
    if len(time_us):
        items += _null_impossible(block.layout, values, offset)
        items.append(Block(block.layout, block.boot, time_us, values))
    return items


def last_time(items: list[Item], before: int | None) -> int | None:
    """Time of the last sample among the items of `finish_block`; `before` where there is none."""
    last = items[-1] if items else None
    return int(last.time_us[-1]) if isinstance(last, Block) else before
