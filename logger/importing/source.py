"""A CSV or Parquet file opened as a table of unread cells; its columns by name."""

from __future__ import annotations

import csv
import difflib
import os
import shutil
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from amptally.logger.errors import ImportDataError, RunFileError
from amptally.logger.importing.specs import MapSpec, TimeSpec, corrected, refusal
from amptally.logger.importing.text_table import find_table, utf16_of
from amptally.logger.ordinary_files import PARQUET_MAGIC, footer_fits, open_file
from amptally.logger.storage.trial import try_table
from amptally.logger.unit_words import TIME_UNITS

MAX_BYTES = 64 * 10**9  # largest file read; a day at 1 kHz with ten columns is below 10 GB as text
MAX_UTF16_BYTES = 4 * 10**9  # such a file is written anew as UTF-8 while it is read
_HEAD_BYTES = 1 << 17  # comments and header line must end within these
_POLARS_FAILS = (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError)


@dataclass(frozen=True, slots=True)
class Source:
    """A file opened but not read."""

    where: str
    """The file, as named by the user."""
    path: Path
    """What is read: the file, or its copy in UTF-8."""
    names: tuple[str, ...]
    """Column names, in order."""
    dtypes: tuple[pl.DataType, ...]
    """Column types, in order."""
    cells: pl.LazyFrame
    """The k-th column is named ck; a CSV has one more, filled only where a row is longer than the header."""
    separator: str = ""
    """Empty for Parquet."""
    lines: int = 0
    """Lines below the header of a CSV; fewer rows mean that a stray quote joined some of them."""
    lines_above: int = 0
    """Lines of a CSV before its rows."""
    width: int = 0
    """Greatest number of cells in a row of a CSV."""
    units: tuple[str, ...] = ()
    """What a row of units says, by column."""
    notes: tuple[str, ...] = ()
    """What is unusual about the form of the file."""

    @property
    def extra(self) -> list[str]:
        """Columns without a name."""
        return [f"c{k}" for k in range(len(self.names), self.width)]


def column_names(path: Path) -> tuple[str, ...]:
    """Names of the columns of a CSV or Parquet file, those without a name left out. Raises ImportDataError."""
    with ExitStack() as kept:
        return tuple(name for name in open_source(path, set(), kept).names if name)


def open_source(path: Path, wanted: set[str], kept: ExitStack) -> Source:
    try:
        with open_file(path) as file:
            info, head, whole = os.fstat(file.fileno()), file.read(_HEAD_BYTES), footer_fits(file)
        if info.st_size > MAX_BYTES:
            raise refusal(f"{path} has {info.st_size:,} bytes, more than {MAX_BYTES:,}. Split it, import the parts.")
        if not head.startswith(PARQUET_MAGIC):
            encoding = utf16_of(head)
            if encoding is None:
                return _open_csv(str(path), path, wanted)
            if info.st_size > MAX_UTF16_BYTES:
                raise refusal(f"{path} is a large text in UTF-16. Save it as UTF-8.")
            return _open_csv(str(path), _as_utf8(path, encoding, kept), wanted, "the text is in UTF-16")
        if not whole:
            raise refusal(f"{path} is a Parquet file without its end, or with a damaged one. Copy or export it again.")
        try_table(path, wanted)
        lazy = pl.scan_parquet(os.path.realpath(path), glob=False, hive_partitioning=False)
        schema = lazy.collect_schema()
    except OSError as error:
        raise refusal(f"{path} cannot be opened: {error.strerror or error}. Name one CSV or Parquet file.") from error
    except RunFileError as error:
        raise refusal(str(error)) from error
    except _POLARS_FAILS as error:
        raise unreadable(str(path), error) from error
    cells = lazy.select(pl.nth(place).alias(f"c{place}") for place in range(len(schema)))
    return Source(str(path), path, tuple(schema.names()), tuple(schema.dtypes()), cells)


def _as_utf8(path: Path, encoding: str, kept: ExitStack) -> Path:
    """A copy in UTF-8 that lives as long as `kept`."""
    copy = Path(kept.enter_context(tempfile.TemporaryDirectory(prefix="amptally-"))) / "table.csv"
    with (
        open_file(path) as raw,
        copy.open("w", encoding="utf-8", newline="") as out,
        open(raw.fileno(), encoding=encoding, errors="replace", newline="", closefd=False) as text,
    ):
        shutil.copyfileobj(text, out, 1 << 20)
    return copy


def _open_csv(where: str, path: Path, wanted: set[str], *notes: str) -> Source:
    with open_file(path) as file:
        head = file.read(_HEAD_BYTES)
    table = find_table(where, head, wanted)
    lines, comments, quotes, last = 0, 0, False, b"\n"
    with open_file(path) as file:
        file.seek(table.first_row)
        while chunk := file.read(1 << 24):
            block = last + chunk
            lines += block.count(b"\n", 0, len(block) - 1)
            comments += block.count(b"\n#")
            quotes, last = quotes or b'"' in chunk, chunk[-1:]
    cells = pl.scan_csv(
        os.path.realpath(path), glob=False, has_header=False, skip_lines=table.lines_above, separator=table.separator,
        schema={f"c{k}": pl.String for k in range(table.width)}, missing_columns="insert", raise_if_empty=False,
        comment_prefix="#" if comments else None, quote_char='"' if quotes else None, encoding="utf8-lossy",
    )  # fmt: skip
    dtypes = (pl.String(),) * len(table.names)
    return Source(where, path, table.names, dtypes, cells, table.separator, lines - comments, table.lines_above,
                   table.width, table.units, (*notes, *table.notes))  # fmt: skip


def find(source: Source, spec: TimeSpec | MapSpec) -> int:
    """Position of a column; raises with the nearest names where there is none, more than one, or no numbers."""
    where, named = source.where, [name for name in source.names if name]
    units = TIME_UNITS if isinstance(spec, TimeSpec) else tuple(spec.units)
    if named.count(spec.column) > 1:
        raise refusal(f"{where} has {named.count(spec.column)} columns named {spec.column!r}. Rename all but one.")
    if spec.column in named:
        dtype = source.dtypes[place := source.names.index(spec.column)]
        if dtype.is_numeric() or is_text(dtype) or (dtype.is_temporal() and "iso" in units):
            return place
        raise refusal(f"{where}: column {spec.column!r} holds {dtype}, not numbers. Map a column of numbers.")
    stem, _, last = spec.column.rpartition(":")
    if stem in named:
        raise refusal(f"{where} has a column {stem!r}, but {last!r} is not a unit of it: {', '.join(units) or 'none'}.")
    near = _nearest(spec.column, named)
    listed = ", ".join(map(repr, named[:20])) + (f" and {len(named) - 20} more" if len(named) > 20 else "")
    raise refusal(
        f"{where} has no column {spec.column!r}. Nearest: {', '.join(map(repr, near)) or 'none'}. "
        f"Its columns: {listed}.",
        corrected(spec, near[0], spec.unit) if near else None,
    )


def _nearest(column: str, named: Sequence[str]) -> list[str]:
    """Up to three names: those that differ by a unit or by case first, then those spelled alike."""
    lower = {name.lower(): name for name in named}
    starts = [name for name in named if name.lower().startswith(column.lower()) and column]
    alike = [lower[name] for name in difflib.get_close_matches(column.lower(), lower, 3, 0.5)]
    return list(dict.fromkeys((starts if len(starts) == 1 else []) + alike))[:3]


def collect(source: Source, asked: pl.LazyFrame) -> pl.DataFrame:
    try:
        return asked.collect(engine="streaming")
    except _POLARS_FAILS as error:
        raise unreadable(source.where, error, source) from error


def is_text(dtype: pl.DataType) -> bool:
    return isinstance(dtype, pl.String | pl.Categorical | pl.Enum)


def cleaned(column: str) -> pl.Expr:
    text = pl.col(column).cast(pl.String).str.strip_chars(" \t\r\u00a0")
    return pl.when(text != "").then(text).alias(column)


def first_cells(source: Source, place: int) -> pl.Series:
    """Some cells from the top of a column that are not empty."""
    return collect(source, source.cells.head(1000).select(cleaned(f"c{place}"))).to_series().drop_nulls()


def unreadable(where: str, error: BaseException, csv_source: Source | None = None) -> ImportDataError:
    reason = str(error).partition("\n")[0][:160]
    if not csv_source or not csv_source.separator:
        return refusal(f"{where} cannot be read as Parquet: {reason}. Copy or export it again.")
    width = len(csv_source.names)
    with open_file(csv_source.path) as file:
        for number, line in enumerate(iter(lambda: file.readline(_HEAD_BYTES), b""), 1):
            if number <= csv_source.lines_above:
                continue
            cells = next(csv.reader([line.decode("latin-1").replace("\r", " ")], delimiter=csv_source.separator))
            if (len(cells) > csv_source.width or any(map(str.strip, cells[width:]))) and not line.startswith(b"#"):
                return refusal(f"{where} line {number} has {len(cells)} cells under {width} column names. Fix that "
                               "line; a decimal comma needs ';' or tabs between columns.")  # fmt: skip
    return refusal(f"{where} cannot be read as CSV: {reason}. Check its quotes and separators.")
