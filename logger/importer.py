"""A CSV or Parquet log of another logger → run-file columns, with every repair counted.

A specification is `COLUMN[:UNIT]` for time and `CHANNEL=COLUMN[:UNIT]` for a channel, split at the first `=`.
The part after the last `:` is the unit only if it is a unit of that quantity; otherwise the whole text is the
column's name. So `Current: left` works as it is, and a column really named `time:ms` is written `time:ms:ms`.

Time units: s (default), ms, us, epoch (seconds since 1970, UTC), iso (ISO 8601; without a zone taken as UTC).
Channel units: A mA uA, V mV uV, us ms, C; the first of each is the default; counts have none.

CSV: comma, semicolon or tab, found from the header line; lines that start with `#` are comments; UTF-8, with or
without a byte order mark. Where the separator is not a comma the decimal mark may be one: the form that more
cells use holds for the whole file; cells in the other form are not numbers.
A row that is empty in every column asked for counts as a blank line, not as a row.
"""

from __future__ import annotations

import csv
import difflib
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

import polars as pl

from amptally.logger.channels import (
    BY_NAME,
    BY_SI_NAME,
    CHANNELS,
    COLUMN_UNITS,
    INT32_NULL,
    TIME_COLUMN,
    TIME_UNITS_US,
    Channel,
)
from amptally.logger.errors import ImportDataError, RunFileError
from amptally.logger.ordinary_files import PARQUET_MAGIC, footer_fits, open_file
from amptally.logger.storage.trial import try_table

MAX_BYTES = 64 * 10**9  # largest file read; a day at 1 kHz with ten columns is below 10 GB as text
_HEAD_BYTES = 1 << 17  # comments and header line must end within these

_TIME_US: dict[str, int] = {**TIME_UNITS_US, "iso": 1, "epoch": TIME_UNITS_US["s"]}
_CALENDAR_US = (-62_135_596_800_000_000, 253_402_300_799_999_999)  # the years 1 to 9999
_ANY_TIME_US = (1 - 2**62, 2**62 - 1)  # the difference of two such times still fits in int64
_ISO_FORMATS = ("%Y-%m-%dT%H:%M:%S%.f%#z", "%Y-%m-%dT%H:%M%#z", "%Y%m%dT%H%M%S%.f%#z")
_OUT_OF_RANGE = INT32_NULL  # below every valid value: marks "a number, but an impossible one" until it is counted
_POLARS_FAILS = (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError)


@dataclass(frozen=True, slots=True)
class TimeSpec:
    """The column that holds the time."""

    column: str
    """Name as in the file's header."""
    unit: str
    """s, ms, us, iso or epoch."""


@dataclass(frozen=True, slots=True)
class MapSpec:
    """The column that holds one channel."""

    channel: Channel
    """The channel as asked for, before any change of sign."""
    column: str
    """Name as in the file's header."""
    unit: str
    """Unit of the numbers in the file; empty for counts."""


@dataclass(frozen=True, slots=True)
class Imported:
    """An imported file."""

    frame: pl.DataFrame
    """t_us (int64, first 0, strictly increasing), then the mapped channels (int32) in the channel table's order."""
    repairs: dict[str, int]
    """Number of repairs by kind. unsorted: rows after a later one; duplicate_time, missing_time: rows dropped;
    not_a_number, out_of_range: cells of the remaining rows set to null. Kinds that did not occur are absent."""
    start_utc: str | None
    """Time of the first row, ISO 8601 with a Z; None where the file's time is not tied to a calendar."""
    columns_seen: tuple[str, ...]
    """Every column name in the file, in its order."""


@dataclass(frozen=True, slots=True)
class _Source:
    """A file opened but not read."""

    where: str
    """The file, as named by the user."""
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


_Targets = dict[Channel, tuple[MapSpec, int]]  # channel to fill → where from, and signed storage steps in its unit


def _refuse(message: str) -> ImportDataError:
    """The error to raise: one printable line, whatever the file or its name contains."""
    return ImportDataError("".join(c if c.isprintable() else "?" for c in message))


def _split_unit(text: str, units: Iterable[str], default: str) -> tuple[str, str]:
    column, _, last = text.rpartition(":")
    unit = last.strip().replace("µ", "u").replace("μ", "u").removeprefix("°")
    return (column.strip(), unit) if unit in units else (text.strip(), default)


def parse_time(spec: str) -> TimeSpec:
    """Read `COLUMN[:UNIT]`. Raises ImportDataError if no column is named."""
    if not spec.split(":")[0].strip():
        raise _refuse(f"--time {spec!r} names no column. Write COLUMN or COLUMN:UNIT, for example --time time_s:s.")
    return TimeSpec(*_split_unit(spec, _TIME_US, "s"))


def parse_map(spec: str) -> MapSpec:
    """Read `CHANNEL=COLUMN[:UNIT]`. Raises ImportDataError if the channel is unknown or no column is named."""
    name, _, rest = spec.partition("=")
    if not rest.split(":")[0].strip():
        raise _refuse(f"--map {spec!r} names no column. Write CHANNEL=COLUMN, for example battery_current_a=Amps:A.")
    channel = BY_SI_NAME.get(name.strip())
    if channel is None:
        near = difflib.get_close_matches(name.strip().lower(), BY_SI_NAME, 3, 0.5)
        advice = f"Nearest: {', '.join(near)}." if near else f"Channels: {', '.join(BY_SI_NAME)}."
        raise _refuse(f"--map {spec!r}: there is no channel {name.strip()!r}. {advice}")
    units = COLUMN_UNITS[channel.unit]
    return MapSpec(channel, *_split_unit(rest, units, next(iter(units), "")))


def read_columns(
    path: str | os.PathLike[str],
    time: TimeSpec,
    maps: Sequence[MapSpec],
    discharge: Literal["positive", "negative"] = "positive",
) -> Imported:
    """Read the time and the mapped columns of a CSV or Parquet file (recognised by content).

    With `discharge="negative"` every current changes sign, so a minimum becomes the maximum and vice versa; an RMS
    does not change. Values are rounded to the storage step, times to 1 µs (an ISO fraction finer
    than that is cut). Raises ImportDataError, one line: what, where, what next.
    """
    targets = _targets(maps, discharge)
    source = _open(Path(path), {time.column, *(spec.column for spec in maps)})
    place = {time.column: _find(source, time)} | {spec.column: _find(source, spec) for spec in maps}
    rows = _convert(source, time, targets, place).filter(~pl.col("blank"))
    _check(source, time, targets, place, rows)

    timed = rows.filter(pl.col(TIME_COLUMN).is_not_null())
    repairs = {"missing_time": rows.height - timed.height}
    repairs["unsorted"] = int((timed[TIME_COLUMN] < timed[TIME_COLUMN].cum_max()).sum())
    if repairs["unsorted"]:
        timed = timed.sort(TIME_COLUMN, maintain_order=True)
    first_of_its_time = timed[TIME_COLUMN].diff().fill_null(1) > 0
    repairs["duplicate_time"] = timed.height - int(first_of_its_time.sum())
    timed = timed.filter(first_of_its_time)
    start_us = int(timed[TIME_COLUMN][0])
    values = timed.select(channel.name for channel in targets)
    repairs["not_a_number"] = sum(column.null_count() for column in values)
    repairs["out_of_range"] = sum(int((column == _OUT_OF_RANGE).sum()) for column in values)
    frame = timed.select(
        pl.col(TIME_COLUMN) - start_us,
        *(pl.when(pl.col(name) != _OUT_OF_RANGE).then(pl.col(name)).alias(name) for name in values.columns),
    )
    start_utc = None
    if time.unit in ("iso", "epoch"):
        start_utc = (datetime(1970, 1, 1) + timedelta(microseconds=start_us)).isoformat(timespec="microseconds") + "Z"
    return Imported(frame, {name: count for name, count in repairs.items() if count}, start_utc, source.names)


def _targets(maps: Sequence[MapSpec], discharge: str) -> _Targets:
    if discharge not in ("positive", "negative"):
        raise ValueError(f"discharge is 'positive' or 'negative', not {discharge!r}")
    if not maps:
        raise _refuse("no column is mapped. Add at least one --map CHANNEL=COLUMN.")
    found: _Targets = {}
    for spec in maps:
        target, steps = spec.channel, COLUMN_UNITS[spec.channel.unit].get(spec.unit, 1)
        if discharge == "negative" and target.unit == "µA" and "_rms_" not in target.name:
            swap = {"min": "max", "max": "min"}
            target, steps = BY_NAME["_".join(swap.get(part, part) for part in target.name.split("_"))], -steps
        if target in found:
            raise _refuse(f"{spec.channel.si_name} is mapped twice. Keep one --map of the two.")
        found[target] = (spec, steps)
    return {channel: found[channel] for channel in CHANNELS if channel in found}


def _open(path: Path, wanted: set[str]) -> _Source:
    try:
        with open_file(path) as file:
            info, head, whole = os.fstat(file.fileno()), file.read(_HEAD_BYTES), footer_fits(file)
        if info.st_size > MAX_BYTES:
            raise _refuse(f"{path} has {info.st_size:,} bytes, more than {MAX_BYTES:,}. Split it, import the parts.")
        if not head.startswith(PARQUET_MAGIC):
            return _open_csv(path, head, wanted)
        if not whole:
            raise _refuse(f"{path} is a Parquet file without its end, or with a damaged one. Copy or export it again.")
        try_table(path, wanted)
        lazy = pl.scan_parquet(os.path.realpath(path), glob=False, hive_partitioning=False)
        schema = lazy.collect_schema()
    except OSError as error:
        raise _refuse(f"{path} cannot be opened: {error.strerror or error}. Name one CSV or Parquet file.") from error
    except RunFileError as error:
        raise _refuse(str(error)) from error
    except _POLARS_FAILS as error:
        raise _unreadable(str(path), error) from error
    cells = lazy.select(pl.nth(place).alias(f"c{place}") for place in range(len(schema)))
    return _Source(str(path), tuple(schema.names()), tuple(schema.dtypes()), cells)


def _open_csv(path: Path, head: bytes, wanted: set[str]) -> _Source:
    end, line = 3 if head.startswith(b"\xef\xbb\xbf") else 0, b""
    while not line.strip() or line.startswith(b"#"):
        if end == len(head):
            raise _refuse(f"{path} is empty or has no line of column names near its top. Put one above the rows.")
        start, end = end, head.find(b"\n", end) + 1 or len(head)
        line = head[start:end].rstrip(b"\r\n")
        bare = line.lstrip(b"# ")
        if bare and wanted <= set(_header(path, bare.decode("utf-8", "replace"), wanted)[1]):
            line = bare  # some programs write the header as a comment
    separator, names = _header(path, line.decode("utf-8", "replace"), wanted)
    lines, comments, quotes, last = 0, 0, False, b"\n"
    with open_file(path) as file:
        file.seek(end)
        while chunk := file.read(1 << 24):
            block = last + chunk
            lines += block.count(b"\n", 0, len(block) - 1)
            comments += block.count(b"\n#")
            quotes, last = quotes or b'"' in chunk, chunk[-1:]
    cells = pl.scan_csv(
        os.path.realpath(path), glob=False, has_header=False, skip_lines=head.count(b"\n", 0, end - 1) + 1,
        separator=separator,
        schema={f"c{k}": pl.String for k in range(len(names) + 1)}, missing_columns="insert", raise_if_empty=False,
        comment_prefix="#" if comments else None, quote_char='"' if quotes else None, encoding="utf8-lossy",
    )  # fmt: skip
    return _Source(str(path), names, (pl.String(),) * len(names), cells, separator, lines - comments)


def _header(path: Path, line: str, wanted: set[str]) -> tuple[str, tuple[str, ...]]:
    """Separator and names: the separator that gives most of the wanted names, then most names."""
    if any(c < " " and c != "\t" for c in line):
        raise _refuse(f"{path} is neither Parquet nor CSV text with line feeds. Export the data as one of these.")
    splits = [(mark, next(csv.reader([line], delimiter=mark, skipinitialspace=mark != "\t"))) for mark in ",;\t"]
    named = [(mark, tuple(cell.strip(' "\u00a0') for cell in cells)) for mark, cells in splits]
    return max(named, key=lambda pair: (len(wanted.intersection(pair[1])), len(pair[1])))


def _find(source: _Source, spec: TimeSpec | MapSpec) -> int:
    """Position of a column; raises with the nearest names where there is none, more than one, or no numbers."""
    where, named = source.where, [name for name in source.names if name]
    units = _TIME_US if isinstance(spec, TimeSpec) else COLUMN_UNITS[spec.channel.unit]
    if named.count(spec.column) > 1:
        raise _refuse(f"{where} has {named.count(spec.column)} columns named {spec.column!r}. Rename all but one.")
    if spec.column in named:
        dtype = source.dtypes[place := source.names.index(spec.column)]
        if dtype.is_numeric() or _is_text(dtype) or (dtype.is_temporal() and "iso" in units):
            return place
        raise _refuse(f"{where}: column {spec.column!r} holds {dtype}, not numbers. Map a column of numbers.")
    stem, _, last = spec.column.rpartition(":")
    if stem in named:
        raise _refuse(f"{where} has a column {stem!r}, but {last!r} is not a unit of it: {', '.join(units) or 'none'}.")
    lower = {name.lower(): name for name in named}
    near = ", ".join(repr(lower[name]) for name in difflib.get_close_matches(spec.column.lower(), lower, 3, 0.5))
    listed = ", ".join(map(repr, named[:20])) + (f" and {len(named) - 20} more" if len(named) > 20 else "")
    raise _refuse(f"{where} has no column {spec.column!r}. Nearest: {near or 'none'}. Its columns: {listed}.")


def _convert(source: _Source, time: TimeSpec, targets: _Targets, place: dict[str, int]) -> pl.DataFrame:
    """Every row in file order: absolute t_us (null: no time), storage values (null: no number), blank."""
    text, extra = {k for k in place.values() if _is_text(source.dtypes[k])}, f"c{len(source.names)}"
    cells = source.cells.with_columns(_cleaned(c) for c in [f"c{k}" for k in text] + [extra] * bool(source.separator))
    comma = source.separator != "," and _has_decimal_comma(source, cells, [f"c{k}" for k in text])
    asked = cells.select(
        _time_us(source, time, place[time.column], comma).alias(TIME_COLUMN),
        *(_stored(_number(f"c{place[spec.column]}", comma and place[spec.column] in text) * steps, channel)
          for channel, (spec, steps) in targets.items()),
        pl.all_horizontal(pl.col(f"c{k}").is_null() for k in place.values()).alias("blank"),
        (pl.col(extra).is_not_null() if source.separator else pl.lit(False)).alias("too_long"),
    )  # fmt: skip
    rows = _collect(source, asked)
    if rows["too_long"].any():
        raise _unreadable(source.where, ValueError("a row is too long"), source)
    if rows.height < source.lines:
        raise _refuse(f"{source.where}: stray quotes join {source.lines - rows.height} lines. Remove them and "
                      "line breaks within cells.")  # fmt: skip
    return rows


def _collect(source: _Source, asked: pl.LazyFrame) -> pl.DataFrame:
    try:
        return asked.collect(engine="streaming")
    except _POLARS_FAILS as error:
        raise _unreadable(source.where, error, source) from error


def _is_text(dtype: pl.DataType) -> bool:
    return isinstance(dtype, pl.String | pl.Categorical | pl.Enum)


def _cleaned(column: str) -> pl.Expr:
    text = pl.col(column).cast(pl.String).str.strip_chars(" \t\r\u00a0")
    return pl.when(text != "").then(text).alias(column)


def _has_decimal_comma(source: _Source, cells: pl.LazyFrame, columns: Sequence[str]) -> bool:
    def count(mark: str) -> pl.Expr:
        pattern = rf"^[+-]?\d*{mark}\d+([eE][+-]?\d+)?$"
        return pl.sum_horizontal(pl.lit(0), *(pl.col(column).str.contains(pattern).sum() for column in columns))

    commas, points = _collect(source, cells.select(count(",").alias("commas"), count(r"\.").alias("points"))).row(0)
    return bool(commas > points)


def _number(column: str, decimal_comma: bool) -> pl.Expr:
    """A column as float64; null where a cell holds no number."""
    cell = pl.col(column)
    if decimal_comma:
        # A point is then a thousands separator or a mistake: 1.234 must not be read as about one.
        cell = pl.when(~cell.str.contains(".", literal=True)).then(cell.str.replace(",", ".", literal=True))
    return cell.cast(pl.Float64, strict=False)


def _stored(steps: pl.Expr, channel: Channel) -> pl.Expr:
    rounded = steps.round()
    possible = pl.when(rounded.is_between(*channel.valid)).then(rounded)
    return possible.when(rounded.is_finite()).then(float(_OUT_OF_RANGE)).cast(pl.Int32).alias(channel.name)


def _time_us(source: _Source, time: TimeSpec, place: int, decimal_comma: bool) -> pl.Expr:
    """A time column as int64 µs; null where a cell holds no time. Whole numbers never pass through a float."""
    dtype, cell, factor = source.dtypes[place], pl.col(f"c{place}"), _TIME_US[time.unit]
    low, high = _CALENDAR_US if time.unit in ("iso", "epoch") else _ANY_TIME_US
    if isinstance(dtype, pl.Datetime) and time.unit == "iso":
        moment = cell.cast(pl.Datetime("us", dtype.time_zone)).cast(pl.Int64)
    elif _is_text(dtype) and time.unit == "iso":
        text = cell.str.to_uppercase().str.replace(",", ".", literal=True).str.replace(r"^([\d-]+) +", "${1}T")
        zoned = pl.when(text.str.contains(r"T.*(Z|[+-]\d\d(:?\d\d)?)$")).then(text).otherwise(text + "Z")
        moments = (zoned.str.strptime(pl.Datetime("us", "UTC"), form, strict=False) for form in _ISO_FORMATS)
        moment = pl.coalesce(moments).cast(pl.Int64)
    elif time.unit != "iso" and not dtype.is_temporal():
        scaled = (_number(f"c{place}", decimal_comma and _is_text(dtype)) * factor).round()
        moment = pl.when(scaled.is_between(low, high)).then(scaled).cast(pl.Int64)
        if dtype.is_integer() or _is_text(dtype):
            whole = cell.cast(pl.Int64, strict=False)
            exact = pl.when(whole.is_between(low // factor + 1, high // factor)).then(whole) * factor
            moment = pl.coalesce(exact, moment)
    else:
        raise _refuse(f"{source.where}: column {time.column!r} holds {dtype}, which does not match unit {time.unit}. "
                      "Unit iso takes date-times; s, ms, us and epoch take numbers.")  # fmt: skip
    return pl.when(moment.is_between(low, high)).then(moment)


def _check(source: _Source, time: TimeSpec, targets: _Targets, place: dict[str, int], rows: pl.DataFrame) -> None:
    """Raise where there is nothing to import: no rows, no times, or a mapped column without one usable number."""

    def example(column: str) -> str:
        cells = _collect(source, source.cells.select(_cleaned(f"c{place[column]}")).drop_nulls().head(1))
        return f"for example {cells.item()[:40]!r}" if cells.height else "every cell is empty"

    where = source.where
    if not rows.height:
        raise _refuse(f"{where} has column names but no rows. Export the data again.")
    if not rows[TIME_COLUMN].count():
        raise _refuse(f"{where}: no row has a time; column {time.column!r} was read as {time.unit}, "
                      f"{example(time.column)}. Write --time COLUMN:UNIT with s, ms, us, iso or epoch.")  # fmt: skip
    for channel, (spec, _) in targets.items():
        asked, values = spec.channel.si_name, rows[channel.name].drop_nulls()
        if values.is_empty():
            raise _refuse(f"{where}: column {spec.column!r} holds no number, {example(spec.column)}. Map a column of "
                          f"numbers to {asked}; a decimal comma needs ';' or tabs between columns.")  # fmt: skip
        if (values == _OUT_OF_RANGE).all():
            low, high = (f"{limit * channel.si_per_step:g}" for limit in channel.valid)
            raise _refuse(f"{where}: every number in column {spec.column!r} is outside the range of {asked}, {low} to "
                          f"{high} {channel.si_unit}. Check the column and its unit.")  # fmt: skip


def _unreadable(where: str, error: BaseException, csv_source: _Source | None = None) -> ImportDataError:
    reason = str(error).partition("\n")[0][:160]
    if not csv_source or not csv_source.separator:
        return _refuse(f"{where} cannot be read as Parquet: {reason}. Copy or export it again.")
    width = len(csv_source.names)
    with open_file(Path(where)) as file:
        for number, line in enumerate(iter(lambda: file.readline(_HEAD_BYTES), b""), 1):
            cells = next(csv.reader([line.decode("latin-1").replace("\r", " ")], delimiter=csv_source.separator))
            if (len(cells) > width + 1 or any(map(str.strip, cells[width:]))) and not line.startswith(b"#"):
                return _refuse(f"{where} line {number} has {len(cells)} cells under {width} column names. Fix that "
                               "line; a decimal comma needs ';' or tabs between columns.")  # fmt: skip
    return _refuse(f"{where} cannot be read as CSV: {reason}. Check its quotes and separators.")
