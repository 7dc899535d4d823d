"""What both readers of the stream deliver: blocks of samples in storage units, with what is wrong in them counted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from logger.channels import BY_NAME
from logger.frames import INT64_NULL, Describe, Event, Extremes, Fault, Reply

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
class Booted:
    """The board has started anew: what follows belongs to this boot, samples or not."""

    boot: int


Item = Block | Booted | Describe | Extremes | Event | Reply | Fault


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


def _null_impossible(layout: Layout, values: npt.NDArray[np.int64], offset: int) -> list[Item]:
    """Turn stored values that cannot be real into null, in place; one fault per column concerned."""
    faults: list[Item] = []
    for place, name in enumerate(layout.columns):
        column = values[:, place]
        low, high = BY_NAME[name].valid
        wrong = ((column < low) | (column > high)) & (column != INT64_NULL)
        if wrong.any():
            column[wrong] = INT64_NULL
            faults.append(Fault("range", offset, int(wrong.sum())))
    return faults


def finish_block(
    layout: Layout,
    boot: int,
    time_us: npt.NDArray[np.int64],
    values: npt.NDArray[np.int64],
    offset: int,
    after: int | None,
) -> list[Item]:
    """Keep known columns and time that goes forward, from the last sample of the boot, `after`, on; count the rest."""
    items: list[Item] = []
    known = [place for place, name in enumerate(layout.columns) if not name.startswith("unknown_")]
    if len(known) < len(layout.columns):
        values = values[:, known]
        layout = replace(layout, columns=tuple(layout.columns[place] for place in known))
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
        items += _null_impossible(layout, values, offset)
        items.append(Block(layout, boot, time_us, values))
    return items


def last_time(items: list[Item], before: int | None) -> int | None:
    """Time of the last sample in what `finish_block` gave; `before` where there is none."""
    last = items[-1] if items else None
    return int(last.time_us[-1]) if isinstance(last, Block) else before
