"""Stored columns: read together for passes over all channels, and converted to SI units."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from amptally.analysis.signals.series import Floats, Series

CHUNK_ROWS = 240_000
"""Four row groups of a recorded file."""
CACHED_CHUNKS = 3
"""The current chunk and its neighbours."""


@dataclass(slots=True)
class ColumnReader:
    """Any rows of some columns, requested in roughly the order of the file."""

    read: Callable[[Sequence[str], int, int], pl.DataFrame]
    columns: Sequence[str]
    rows: int
    """Of the file."""
    _cached: OrderedDict[int, pl.DataFrame] = field(default_factory=OrderedDict)

    def column(self, name: str, start: int, rows: int) -> pl.Series:
        """`rows` values from row `start` on."""
        first, last = start // CHUNK_ROWS, (start + rows - 1) // CHUNK_ROWS
        parts = [self._chunk(place)[name] for place in range(first, last + 1)]
        whole = parts[0] if len(parts) == 1 else pl.concat(parts, rechunk=False)
        return whole.slice(start - first * CHUNK_ROWS, rows)

    def _chunk(self, place: int) -> pl.DataFrame:
        found = self._cached.pop(place, None)
        if found is None:
            start = place * CHUNK_ROWS
            found = self.read(self.columns, start, min(CHUNK_ROWS, self.rows - start))
        self._cached[place] = found
        while len(self._cached) > CACHED_CHUNKS:
            self._cached.popitem(last=False)
        return found


@dataclass(frozen=True, slots=True)
class PassReader:
    """What one thread reads through while several passes over a run go side by side."""

    load: Callable[[str, int, int], Series | None]
    """Samples of a channel; the last few requests are cached."""
    together: ColumnReader | None
    """All columns, where they are read block by block."""
    buffers: dict[str, ChannelBuffer]
    """Channels to be held whole, filled during the pass."""


@dataclass(slots=True)
class ChannelBuffer:
    """Values of all rows, assembled from consecutive blocks; incomplete where a block lacks values."""

    value: Floats
    """Shape (rows of the run,)."""
    done: int = 0
    """Rows filled."""

    @property
    def complete(self) -> bool:
        """All rows are there."""
        return self.done == len(self.value)

    def add(self, first_row: int, value: Floats) -> None:
        """Values from a row on; those of rows that are filled already are ignored."""
        fresh = value[max(self.done - first_row, 0) :]
        if first_row <= self.done:
            self.value[self.done : self.done + len(fresh)] = fresh
            self.done += len(fresh)


def in_units(column: pl.Series, per_step: float, offset: float = 0.0, scale: float = 1.0) -> Floats:
    """(steps · per_step − offset) / scale of a column without nulls, piece by piece while it is in the cache."""
    value, begin = np.empty(len(column)), 0
    for chunk in column.get_chunks():
        part = value[begin : begin + len(chunk)]
        np.multiply(chunk.to_numpy(), per_step, out=part)
        if offset:
            part -= offset
        if scale != 1.0:
            part /= scale
        begin += len(chunk)
    return value
