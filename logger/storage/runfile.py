"""Run files: one Parquet file per run, written once, atomically, and never changed. Format: docs/run-file.md.

The only module that uses Parquet. Polars marks its file metadata functions as experimental: they are used only here.
"""

from __future__ import annotations

import itertools
import os
import warnings
import zlib
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import polars as pl

from amptally.logger.channels import BY_NAME, CHANNELS, TIME_COLUMN
from amptally.logger.errors import RunFileError, StorageError
from amptally.logger.ordinary_files import MAX_FOOTER, PARQUET_MAGIC, open_file
from amptally.logger.storage.checksums import (
    DamagedPartError,
    Proof,
    read_checksums,
    with_place,
    write_checksums,
)
from amptally.logger.storage.durable import part_path, sync_file, sync_folder
from amptally.logger.storage.metadata import KEY, Metadata, from_json
from amptally.logger.storage.trial import MAX_ROWS_AT_ONCE, try_footer, try_samples

ROW_GROUP = 60_000
MAX_ROWS = 250_000_000
"""Maximum number of samples read, nearly three days at 1 kHz: a small file can claim any number."""
_ZSTD_LEVEL = 3
_POLARS_FAILS = (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError)
"""What polars raises on damaged or hostile files; a panic in its core is not an Exception."""

Digest = tuple[int, dict[str, int]]
"""Number of rows, and a checksum of each column's values."""
_Step = Callable[[Path], None]


@dataclass(frozen=True, slots=True)
class RunFile:
    """An opened run file: its metadata, and columns read on demand."""

    path: Path
    metadata: Metadata
    columns: tuple[str, ...]
    """Channel columns present, in table order, without time."""
    rows: int
    proof: Proof | None = field(repr=False, compare=False)
    """Its checksums; None for a file of an older version, which has none."""
    _frame: pl.LazyFrame = field(repr=False, compare=False)
    """The file with its footer already read: that of a day takes longer to read than ten seconds of samples."""

    def read(
        self, columns: Sequence[str], start_row: int = 0, rows: int | None = None, *, with_time: bool = True
    ) -> pl.DataFrame:
        """The named columns of a range of rows, time first where wanted; nothing else is loaded."""
        asked = range(self.rows)[start_row:][:rows]
        try:
            if self.proof is None:
                try_samples(self.path)
            else:
                self.proof.check(asked.start, asked.stop)
        except DamagedPartError as error:
            raise damaged(self.path, changed(error)) from error
        except OSError as error:
            raise damaged(self.path, "its data cannot be read") from error
        return self.read_unchecked((TIME_COLUMN, *columns) if with_time else tuple(columns), asked)

    def read_unchecked(self, columns: Sequence[str], asked: range) -> pl.DataFrame:
        """The same without looking at the bytes first: the Parquet library may end the process."""
        try:
            found = self._frame.select(columns).slice(asked.start, len(asked)).collect()
        except _POLARS_FAILS as error:
            raise damaged(self.path, "its data cannot be read") from error
        if found.height != len(asked) or (TIME_COLUMN in found.columns and found[TIME_COLUMN].null_count()):
            raise damaged(self.path, "its data cannot be read")
        return found


def damaged(path: Path, what: str) -> RunFileError:
    """The error for a damaged run file; `what` says which part, as a sentence without its full stop."""
    journal = path.with_suffix(".journal")
    rescue = "Copy the file again from where it was recorded."
    if journal.is_file():
        rescue = f"Its journal is still there: amptally recover {journal} --out FILE writes the run again."
    return RunFileError(f"{path} is damaged: {what}. {rescue}")


def changed(error: DamagedPartError) -> str:
    """What is wrong with the part that an error names."""
    if error.part is None:
        return "its footer is not as it was written"
    return f"{error.part} of it are not as they were written"


def _scan(path: Path) -> pl.LazyFrame:
    """Scan one file, whatever characters its name contains."""
    return pl.scan_parquet(path, glob=False, hive_partitioning=False)


def open_run(path: Path) -> RunFile:
    """Check a run file and read its metadata. Raises RunFileError, which says what is wrong and what to do.

    The footer has been checked against its checksum before the Parquet library reads it; samples are checked when they
    are read. Of a file without checksums both are read once in another process first.
    """
    try:
        with open_file(path) as file:
            _refuse_other_formats(path, file)
        proof = read_checksums(path)
        if proof is None:
            try_footer(path)
    except DamagedPartError as error:
        raise damaged(path, changed(error)) from error
    except FileNotFoundError as error:
        raise RunFileError(f"{path} does not exist. Name a run file, for example runs/….parquet.") from error
    except OSError as error:
        raise RunFileError(f"Cannot read {path}: {error.strerror}. Name one run file.") from error
    return _opened(path, proof)


def _refuse_other_formats(path: Path, file: BinaryIO) -> None:
    """Raise RunFileError for a file that does not start and end as a Parquet file."""
    start, size = file.read(4), file.seek(0, os.SEEK_END)
    file.seek(max(size - 8, 0))
    length, end = int.from_bytes(file.read(4), "little"), file.read(4)
    if start != PARQUET_MAGIC and end == PARQUET_MAGIC:
        raise damaged(path, "its first bytes are overwritten")
    if start != PARQUET_MAGIC:
        hint = "Convert it with: amptally import" if start != b"AMPJ" else f"Recover it with: amptally recover {path}"
        raise RunFileError(f"{path} is not a Parquet file. {hint}")
    if end != PARQUET_MAGIC or size < 12:
        raise damaged(path, "it is truncated, or its end is overwritten")
    if length > min(MAX_FOOTER, size - 12):
        raise damaged(path, f"it claims a footer of {length:,} bytes")


def _opened(path: Path, proof: Proof | None) -> RunFile:
    """Read the footer of a run file. Raises RunFileError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            described = pl.read_parquet_metadata(path)
            frame = _scan(path)
            schema = frame.collect_schema()
            rows = int(frame.select(pl.len()).collect().item())
    except _POLARS_FAILS as error:
        raise damaged(path, "its footer cannot be read") from error
    if KEY not in described:
        raise RunFileError(f"{path} is a Parquet file, but not a run of amptally. Convert it with: amptally import")
    metadata = from_json(described[KEY], str(path))
    if rows > MAX_ROWS:
        raise RunFileError(f"{path} claims {rows:,} samples; at most {MAX_ROWS:,} are read. Record shorter runs.")
    wrong = [name for name, kind in schema.items() if name in BY_NAME and kind != pl.Int32]
    if schema.get(TIME_COLUMN) != pl.Int64 or wrong:
        raise RunFileError(
            f"{path}: column {(wrong or [TIME_COLUMN])[0]} does not have the type of a run file's column."
        )
    return RunFile(path, metadata, tuple(c.name for c in CHANNELS if c.name in schema), rows, proof, frame)


def read_footer(path: Path) -> RunFile:
    """Open a run file that has no checksums; it may end the process. Raises RunFileError."""
    return _opened(path, None)


def read_samples(path: Path) -> None:
    """Read all of a run file that has no checksums; it may end the process. Raises RunFileError."""
    run = read_footer(path)
    for start in range(0, run.rows, MAX_ROWS_AT_ONCE):
        run.read_unchecked((TIME_COLUMN, *run.columns), range(run.rows)[start:][:MAX_ROWS_AT_ONCE])


def read_table(path: Path, columns: Collection[str]) -> None:
    """Read some columns of any Parquet file, all where none is named; it may end the process. Raises RunFileError."""
    try:
        frame = _scan(path)
        names = [name for name in frame.collect_schema() if name in columns or not columns]
        rows = int(frame.select(pl.len()).collect().item())
        for name in names:  # one at a time: row groups of other programs may be large
            for start in range(0, rows, MAX_ROWS_AT_ONCE):
                frame.select(pl.col(name)).slice(start, MAX_ROWS_AT_ONCE).collect()
    except _POLARS_FAILS as error:
        raise RunFileError(f"{path} cannot be read as Parquet: it is damaged. Copy or export it again.") from error


def write_segment(path: Path, frame: pl.DataFrame) -> None:
    """Write one segment of samples, columns in table order, and make it durable."""
    _durable(path, lambda temporary: _write(temporary, frame, None))


def digest(frame: pl.DataFrame) -> Digest:
    """Digest by which rows read later can be compared with these."""
    return frame.height, {name: _column_digest(frame[name]) for name in frame.columns}


def _column_digest(column: pl.Series) -> int:
    nulls = zlib.crc32(column.is_null().to_numpy().data) if column.null_count() else 0
    return zlib.crc32(column.fill_null(0).rechunk().to_numpy().data, nulls)


def write_run(
    path: Path, segments: Sequence[Path], metadata: Metadata, digests: Sequence[Digest] | None = None
) -> None:
    """Stream segments into one run file, re-read it and compare; memory does not grow with the run.

    `digests` are those of each segment when it was sealed in memory; without them they are made from the segments.
    Raises StorageError if `path` exists, cannot be written, or does not read back as it was written.
    """
    _refuse_existing(path)

    known = digests or [digest(pl.read_parquet(part, glob=False, hive_partitioning=False)) for part in segments]

    def sink(temporary: Path) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            _joined(segments).sink_parquet(
                temporary,
                compression="zstd",
                compression_level=_ZSTD_LEVEL,
                row_group_size=ROW_GROUP,
                statistics=True,
                maintain_order=True,
                metadata={KEY: with_place(metadata.to_json(), _groups(sum(rows for rows, _ in known)))},
            )
        write_checksums(temporary)

    _durable(path, sink, check=lambda temporary: _compare(temporary, known))


def write_frame(path: Path, frame: pl.DataFrame, metadata: Metadata) -> None:
    """Write a run that is in memory, re-read it and compare."""
    _refuse_existing(path)
    _durable(
        path,
        lambda temporary: _write(temporary, frame, metadata),
        check=lambda temporary: _compare_all(temporary, frame),
    )


def _refuse_existing(path: Path) -> None:
    if path.exists():
        raise StorageError(f"{path} already exists and is not overwritten. Name another file with --out.")


def _write(path: Path, frame: pl.DataFrame, metadata: Metadata | None) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame.select(_ordered(set(frame.columns))).write_parquet(
            path,
            compression="zstd",
            compression_level=_ZSTD_LEVEL,
            row_group_size=ROW_GROUP,
            metadata=None if metadata is None else {KEY: with_place(metadata.to_json(), _groups(frame.height))},
        )
    if metadata is not None:
        write_checksums(path)


def _groups(rows: int) -> int:
    return -(-rows // ROW_GROUP)


def _joined(segments: Sequence[Path]) -> pl.LazyFrame:
    """All segments as one table, columns in table order; a channel that a segment lacks is null there."""
    scans = [_scan(segment) for segment in segments]
    names = [set(scan.collect_schema().names()) for scan in scans]
    present = set().union(*names)
    if all(name == present for name in names):
        return pl.scan_parquet(list(segments), glob=False, hive_partitioning=False).select(_ordered(present))
    return pl.concat(scans, how="diagonal").select(_ordered(present))


def _ordered(present: set[str]) -> list[str]:
    """Columns in table order."""
    return [TIME_COLUMN, *(channel.name for channel in CHANNELS if channel.name in present)]


def _compare_all(written: Path, frame: pl.DataFrame) -> None:
    """Read the whole file and check that it holds exactly these values; StorageError where it does not."""
    again = _scan(written).collect()
    wanted = frame.select(again.columns) if set(again.columns) == set(frame.columns) else frame
    if again.schema != wanted.schema or not again.equals(wanted):
        raise _differs(written)


def _compare_checksums(written: Path) -> None:
    """Check that the file is whole by its own checksums; StorageError where it is not."""
    try:
        proof = read_checksums(written)
    except DamagedPartError as error:
        raise _differs(written) from error
    if proof is None or any(True for _ in proof.damaged()):
        raise _differs(written)


def _differs(path: Path) -> StorageError:
    return StorageError(f"{path} does not read back as it was written: the disk may be failing.")


def _compare(joined: Path, digests: Sequence[Digest]) -> None:
    """Read the whole file and check it against the digests; StorageError where it differs."""
    frame = _scan(joined)
    frame.collect_schema()  # reads the footer, once for all ranges
    starts = [0, *itertools.accumulate(rows for rows, _ in digests)]

    def same(place: int) -> bool:
        rows, columns = digests[place]
        again = frame.slice(starts[place], rows).collect()
        height, found = digest(again)
        absent = [again[name] for name in found if name not in columns]
        same_values = height == rows and all(found.get(name) == sum_ for name, sum_ in columns.items())
        return same_values and all(column.null_count() == rows for column in absent)

    with ThreadPoolExecutor(2) as two:
        if not all(two.map(same, range(len(digests)))):
            raise _differs(joined)
    if frame.select(pl.len()).collect().item() != starts[-1]:
        raise _differs(joined)


def _durable(path: Path, write: _Step, check: _Step | None = None) -> None:
    """Temporary name, write, fsync, check, rename, fsync of the folder."""
    temporary = part_path(path)
    try:
        temporary.unlink(missing_ok=True)  # whatever it is: a pipe would be waited for, a link followed
        write(temporary)
        with temporary.open("rb+") as file:
            sync_file(file.fileno())
        if check is not None:
            _compare_checksums(temporary)
            check(temporary)
        os.replace(temporary, path)
        sync_folder(path.parent)
    except _POLARS_FAILS as error:
        temporary.unlink(missing_ok=True)
        if isinstance(error, StorageError):
            raise
        reason = getattr(error, "strerror", None) or (str(error) or type(error).__name__).splitlines()[0]
        raise StorageError(f"Cannot write {path}: {reason}. Name another path with --out.") from error


def run_files(folder: Path) -> Iterator[Path]:
    """Run files of a folder by name, newest last; hidden and temporary files left out."""
    return (path for path in sorted(folder.glob("*.parquet")) if not path.name.startswith("."))
