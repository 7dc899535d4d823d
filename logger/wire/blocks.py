"""What both readers of the stream deliver: blocks of samples in storage units, with what is wrong in them counted."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from amptally.logger.channels import BY_NAME
from amptally.logger.wire.frames import INT64_NULL, Describe, Event, Extremes, Fault, Reply

CLOCK_WRAP = 2**32
LONGEST_US = 2**53
"""285 years: no recording lasts so long, and sums of such times neither overflow nor lose a microsecond."""


@dataclass(frozen=True, slots=True)
class Layout:
    """What the columns of a block are, and which board sent them."""

    columns: tuple[str, ...]
    """Run-file column names in the order of the block's columns."""
    interval_us: int
    """Sample interval the board announced; 0 in text mode, where none is announced."""
    board: Describe | None
    """The frame that announced it; None in text mode."""
    row_size: int = 0
    """Bytes of one row on the wire; 0 in text mode."""


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive samples in storage units."""

    layout: Layout
    boot: int
    """0 for the boot that was running at the first sample, one more at each reset; board time starts anew with each."""
    time_us: npt.NDArray[np.int64]
    """Board time, shape (n,), unwrapped within the boot, strictly increasing."""
    values: npt.NDArray[np.int64]
    """Shape (n, columns), `INT64_NULL` where not measured."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A block that came in one or several pieces of the stream."""

    block: Block
    pieces: npt.NDArray[np.int64]
    """The piece of each part, never falling: a message within a piece parts it, shape (parts,)."""
    ends: npt.NDArray[np.int64]
    """Rows of the block up to the end of each, shape (parts,)."""
    said: tuple[tuple[int, Message], ...] = ()
    """What came between, each with the number of parts before it: a part ends at a message too."""

    @classmethod
    def of(cls, block: Block, piece: int) -> Stretch:
        """A block that came in one piece."""
        return cls(block, np.array([piece]), np.array([len(block.time_us)]))

    def parts(self) -> Iterator[tuple[int | None, Item]]:
        """Each piece and the block that it holds of its own; in between, without a piece, what was said there."""
        start, said = 0, deque(self.said)
        for number, (piece, end) in enumerate(zip(self.pieces.tolist(), self.ends.tolist(), strict=True), 1):
            yield piece, part_of(self.block, slice(start, end))
            start = end
            while said and said[0][0] == number:
                yield None, said.popleft()[1]


@dataclass(frozen=True, slots=True)
class Booted:
    """The board has started anew: what follows belongs to this boot, samples or not."""

    boot: int


Message = Describe | Extremes | Event | Reply
Item = Block | Booted | Message | Fault


class BoardTime:
    """Unwraps the 32-bit board clock within one boot."""

    def __init__(self) -> None:
        self._last: int | None = None

    def step(self, raw: int) -> int:
        """How far a reading is ahead of the last one, modulo the clock; 0 for the first."""
        return 0 if self._last is None else (raw - self._last) % CLOCK_WRAP

    def unwrap(self, raw: int) -> int | None:
        """Board time of a wrapped reading; None where it steps back, or on further than any board runs."""
        step = self.step(raw)
        if self._last is None:
            self._last = raw
            return raw
        if step >= CLOCK_WRAP // 2 or self._last + step > LONGEST_US:
            return None
        self._last += step
        return self._last

    def unwrap_all(self, raw: npt.NDArray[np.int64]) -> npt.NDArray[np.int64] | None:
        """Board times of readings after the last one, which is the first of `raw`; each less than half a turn on.

        None, and nothing done, where that would be further than any board runs.
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
    """Least and greatest value of each column that can be real, shape (2, columns)."""
    return np.array([BY_NAME[name].valid for name in columns], np.int64).reshape(-1, 2).T


def _null_impossible(layout: Layout, values: npt.NDArray[np.int64], offset: int) -> list[Item]:
    """Turn stored values that cannot be real into null, in place; one fault per column concerned."""
    low, high = _limits(layout.columns)
    outside = (values < low) | (values > high)
    if not outside.any():
        return []
    wrong = outside & (values != INT64_NULL)
    counts = wrong.sum(axis=0).tolist()
    values[wrong] = INT64_NULL
    return [Fault("range", offset, count) for count in counts if count]


def known_columns(block: Block) -> Block:
    """The block without columns that this program does not know."""
    columns = block.layout.columns
    known = [place for place, name in enumerate(columns) if not name.startswith("unknown_")]
    if len(known) == len(columns):
        return block
    layout = replace(block.layout, columns=tuple(columns[place] for place in known))
    return replace(block, layout=layout, values=block.values[:, known])


def goes_on_well(block: Block, after: int | None) -> bool:
    """Whether `finish_block` would find nothing to count, whatever it were cut into."""
    time_us = block.time_us
    if (after is not None and time_us[0] <= after) or not (time_us[1:] > time_us[:-1]).all():
        return False
    low, high = _limits(block.layout.columns)
    values = block.values
    if (values.max(axis=0) > high).any():
        return False
    return bool((values.min(axis=0) >= low).all()) or not ((values < low) & (values != INT64_NULL)).any()


def finish_block(block: Block, offset: int, after: int | None) -> list[Item]:
    """Keep known columns and time that goes forward, from the last sample of the boot, `after`, on; count the rest."""
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
    """Time of the last sample in what `finish_block` gave; `before` where there is none."""
    last = items[-1] if items else None
    return int(last.time_us[-1]) if isinstance(last, Block) else before
