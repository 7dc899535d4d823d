"""Samples in memory → sealed Parquet segments, each verified by its checksum when the run file is written.

Memory holds at most one segment, in 32-bit integers as in the run file.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from amptally.logger.channels import CHANNELS, TIME_COLUMN
from amptally.logger.errors import SegmentError
from amptally.logger.ordinary_files import open_file
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import Digest, digest, write_frame, write_run, write_segment
from amptally.logger.wire.blocks import Block, part_of
from amptally.logger.wire.frames import INT64_NULL

SEGMENT_US = 600_000_000
MAX_ROWS = 1_000_000
MIN_ROWS = 1_000
"""Minimum rows of a segment sealed by duration, so that a bad board clock does not make a file per sample."""
_LOOSE_BLOCKS = 256
_LOOSE_ROWS = 20_000
_PIECE = 1 << 20

_Placed = tuple[npt.NDArray[np.int64], Block]


def segment_paths(folder: Path, run_id: str) -> list[Path]:
    """Sealed segments of a run that are in a folder."""
    return list(folder.glob(_segment_name(run_id, "*")))


def _segment_name(run_id: str, number: str) -> str:
    return f".{run_id}.seg-{number}.parquet"


class Segments:
    """Collects blocks in time order and seals a segment when it is due."""

    def __init__(self, folder: Path, run_id: str) -> None:
        self._folder = folder
        self._run_id = run_id
        self._loose: list[_Placed] = []
        self._loose_rows = 0
        self._packed: list[pl.DataFrame] = []
        self._rows = 0
        self._start_us = 0
        self._sums: dict[Path, int] = {}
        self._digests: list[Digest] = []

    def add(self, run_us: npt.NDArray[np.int64], block: Block) -> None:
        """Add the next samples. Raises StorageError where a segment that is due cannot be written."""
        while len(run_us) > (room := MAX_ROWS - self._rows):
            self._add(run_us[:room], part_of(block, slice(room)))
            run_us, block = run_us[room:], part_of(block, slice(room, None))
        self._add(run_us, block)

    def _add(self, run_us: npt.NDArray[np.int64], block: Block) -> None:
        if not self._rows:
            self._start_us = int(run_us[0])
        self._loose.append((run_us, block))
        self._rows += len(run_us)
        self._loose_rows += len(run_us)
        if len(self._loose) >= _LOOSE_BLOCKS or self._loose_rows >= _LOOSE_ROWS:
            self._pack()
        long = int(run_us[-1]) - self._start_us >= SEGMENT_US
        if self._rows >= MAX_ROWS or (long and self._rows >= MIN_ROWS):
            self.seal()

    def _pack(self) -> None:
        if self._loose:
            self._packed.append(_frame(self._loose))
            self._loose, self._loose_rows = [], 0

    def seal(self) -> None:
        """Write the samples in memory as a segment. Raises StorageError."""
        if not self._rows:
            return
        frame = self._table()
        path = self._folder / _segment_name(self._run_id, f"{len(self._sums) + 1:04d}")
        write_segment(path, frame)
        self._sums[path] = _checksum(path)
        self._digests.append(digest(frame))
        self._packed, self._rows = [], 0

    def _table(self) -> pl.DataFrame:
        self._pack()
        return pl.concat(self._packed, how="diagonal")

    def write(self, path: Path, metadata: Metadata) -> None:
        """Write all samples into the run file. Raises StorageError, SegmentError."""
        if not self._sums:
            write_frame(path, self._table(), metadata)
            return
        self.seal()
        self.check()
        write_run(path, list(self._sums), metadata, self._digests)

    def check(self) -> None:
        """Raise SegmentError where a segment has changed since it was sealed."""
        for path, checksum in self._sums.items():
            try:
                found = _checksum(path)
            except OSError as error:
                raise SegmentError(f"{path} can no longer be read: {error.strerror}.") from error
            if found != checksum:
                raise SegmentError(f"{path} has changed since it was written: the disk may be failing.")

    def discard(self) -> None:
        """Remove the sealed segments."""
        for path in self._sums:
            path.unlink(missing_ok=True)
        self._sums, self._digests = {}, []


def _checksum(path: Path) -> int:
    found = 0
    with open_file(path) as file:
        while piece := file.read(_PIECE):
            found = zlib.crc32(piece, found)
    return found


def _frame(blocks: Sequence[_Placed]) -> pl.DataFrame:
    """One table from blocks of possibly different layouts, channel columns in table order."""
    present = {name for _, block in blocks for name in block.layout.columns}
    columns = [pl.Series(TIME_COLUMN, np.concatenate([run_us for run_us, _ in blocks]), pl.Int64)]
    for name in (channel.name for channel in CHANNELS if channel.name in present):
        values = np.concatenate([_column(block, name) for _, block in blocks])
        # Valid values fit in 32 bits.
        series = pl.Series(name, values.astype(np.int32), pl.Int32)
        if values.min() == INT64_NULL:
            series = series.set(pl.Series(values == INT64_NULL), None)
        columns.append(series)
    return pl.DataFrame(columns)


def _column(block: Block, name: str) -> npt.NDArray[np.int64]:
    """One channel of a block; null where its layout lacks the channel."""
    have = block.layout.columns
    return block.values[:, have.index(name)] if name in have else np.full(len(block.values), INT64_NULL)
