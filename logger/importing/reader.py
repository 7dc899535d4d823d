"""A CSV or Parquet log of another logger → run-file columns, with every repair counted.

Units: as asked for; else as the column's name or a row of units under it says; else the first of its quantity.
Time units: s (default), ms, us, epoch (since 1970, UTC, in s, ms or us by its size), iso (ISO 8601; without a zone
taken as UTC), tod (time of day; a step back of more than twelve hours is midnight).

CSV: comma, semicolon or tab; lines above the names are skipped; lines that start with `#` are comments; UTF-8 or
UTF-16.
Where the separator is not a comma the decimal mark may be one: the form that more cells use holds for the whole file;
cells in the other form are not numbers, and thousands separators are refused.
A row that is empty in every column asked for counts as a blank line, not as a row.
"""

from __future__ import annotations

import csv
import difflib
import os
import shutil
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np
import polars as pl

from amptally.logger.channels import BY_NAME, CHANNELS, INT32_NULL, TIME_COLUMN, TIME_UNITS_US, Channel
from amptally.logger.errors import ImportDataError, RunFileError
from amptally.logger.importing.plausible import all_of_a_kind, usual_unit
from amptally.logger.importing.specs import TIME_UNITS, MapSpec, TimeSpec, corrected, refusal
from amptally.logger.importing.text_table import find_table, utf16_of
from amptally.logger.importing.units import unit_in_name, unit_of
from amptally.logger.ordinary_files import PARQUET_MAGIC, footer_fits, open_file
from amptally.logger.storage.trial import try_table

MAX_BYTES = 64 * 10**9  # largest file read; a day at 1 kHz with ten columns is below 10 GB as text
MAX_UTF16_BYTES = 4 * 10**9  # such a file is written anew as UTF-8 while it is read
_HEAD_BYTES = 1 << 17  # comments and header line must end within these
_STRAY_SHARE, _STRAYS = 0.005, 5  # fewer impossible numbers are faults of a sensor, not of a unit
_DAY_US = 86_400_000_000
_EPOCH_US = ((1e11, 1_000_000), (1e14, 1_000), (1e17, 1))  # below which number since 1970: µs in its unit
_SURELY_EPOCH = (1e9, 4.2e9)  # the years 2001 to 2103 in seconds
_TOD = r"^(?:T)?(\d{1,3}):([0-5]?\d)(?::([0-5]?\d(?:[.,]\d+)?))?(?:\s*([AaPp][Mm]))?$"
_THOUSANDS = r"^[+-]?\d{1,3}([.,' \u00a0]\d{3})+([.,]\d+)?$"
_CALENDAR_US = (-62_135_596_800_000_000, 253_402_300_799_999_999)  # the years 1 to 9999
_ANY_TIME_US = (1 - 2**62, 2**62 - 1)  # the difference of two such times still fits in int64
_ISO_FORMATS = ("%Y-%m-%dT%H:%M:%S%.f%#z", "%Y-%m-%dT%H:%M%#z", "%Y%m%dT%H%M%S%.f%#z")
_OUT_OF_RANGE = INT32_NULL  # below every valid value: marks "a number, but an impossible one" until it is counted
_POLARS_FAILS = (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError)


@dataclass(frozen=True, slots=True)
class Imported:
    """An imported file."""

    frame: pl.DataFrame
    """t_us (int64, first 0, strictly increasing), then the mapped channels (int32) in the channel table's order."""
    repairs: dict[str, int]
    """Number of repairs by kind. unsorted: rows after a later one; duplicate_time, missing_time: rows dropped;
    not_a_number, out_of_range: cells of the remaining rows set to null. Empty cells are no repair. Kinds that did not
    occur are absent."""
    start_utc: str | None
    """Time of the first row, ISO 8601 with a Z; None where the file's time is not tied to a calendar."""
    columns_seen: tuple[str, ...]
    """Every column name in the file, in its order."""
    time: TimeSpec
    """With the unit that it was read in, as in the next."""
    maps: tuple[MapSpec, ...]
    units_said: frozenset[str]
    """Columns whose unit was asked for, or said by the file; the others were read in the default unit."""
    notes: tuple[str, ...]
    """What whoever asked should know: units said by the file, lines skipped, cells that are empty."""
    doubts: tuple[ImportDataError, ...]
    """Why some columns are hardly what was meant."""


@dataclass(frozen=True, slots=True)
class _Source:
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


_Targets = dict[Channel, tuple[MapSpec, int]]  # channel to fill → where from, and signed storage steps in its unit


def column_names(path: Path) -> tuple[str, ...]:
    """Names of the columns of a CSV or Parquet file, those without a name left out. Raises ImportDataError."""
    with ExitStack() as kept:
        return tuple(name for name in _open(path, set(), kept).names if name)


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
    _targets(maps, discharge)
    with ExitStack() as kept:
        source = _open(Path(path), {time.column, *(spec.column for spec in maps)}, kept)
        place = {time.column: _find(source, time)} | {spec.column: _find(source, spec) for spec in maps}
        notes, said = list(source.notes), set[str]()
        time = TimeSpec(time.column, _time_unit(source, time, place[time.column], notes, said))
        maps = tuple(
            MapSpec(spec.channel, spec.column, _channel_unit(source, spec, place[spec.column], notes, said))
            for spec in maps
        )
        targets = _targets(maps, discharge)
        rows, comma = _convert(source, time, targets, place, notes)
        rows = rows.filter(~pl.col("blank"))
        doubts = _check(source, time, targets, place, rows)
        _look_at_missing(source, time, targets, place, rows, comma, notes)

    timed = rows.filter(pl.col(TIME_COLUMN).is_not_null())
    repairs = {"missing_time": rows.height - timed.height}
    if time.unit == "tod":
        timed, midnights = _over_midnight(timed)
        if midnights:
            notes.append(f"column {time.column!r} rolls over midnight {_times(midnights)}")
    repairs["unsorted"] = int((timed[TIME_COLUMN] < timed[TIME_COLUMN].cum_max()).sum())
    if repairs["unsorted"]:
        timed = timed.sort(TIME_COLUMN, maintain_order=True)
    first_of_its_time = timed[TIME_COLUMN].diff().fill_null(1) > 0
    repairs["duplicate_time"] = timed.height - int(first_of_its_time.sum())
    timed = timed.filter(first_of_its_time)
    start_us = int(timed[TIME_COLUMN][0])
    values = timed.select(channel.name for channel in targets)
    repairs["not_a_number"] = sum(int(timed[_odd(channel)].sum()) for channel in targets)
    repairs["out_of_range"] = sum(int((column == _OUT_OF_RANGE).sum()) for column in values)
    frame = timed.select(
        pl.col(TIME_COLUMN) - start_us,
        *(pl.when(pl.col(name) != _OUT_OF_RANGE).then(pl.col(name)).alias(name) for name in values.columns),
    )
    start_utc = None
    if time.unit in ("iso", "epoch"):
        start_utc = (datetime(1970, 1, 1) + timedelta(microseconds=start_us)).isoformat(timespec="microseconds") + "Z"
    counted = {name: count for name, count in repairs.items() if count}
    return Imported(frame, counted, start_utc, source.names, time, maps, frozenset(said), tuple(notes), tuple(doubts))


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _over_midnight(timed: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """Times of day in file order as one rising time, and the number of midnights in it."""
    t_us = timed[TIME_COLUMN].to_numpy()
    steps = np.diff(t_us, prepend=t_us[:1])
    days = np.zeros(len(t_us), np.int64)
    day = 0
    for row in np.flatnonzero(2 * np.abs(steps) > _DAY_US):
        # A row out of order may step back over a midnight that was already passed, but not over the first evening.
        day = day + 1 if steps[row] < 0 else max(day - 1, 0)
        days[row:] = day
    return timed.with_columns(pl.Series(TIME_COLUMN, t_us + days * _DAY_US)), int(days.max(initial=0))


def _file_unit(source: _Source, column: str, place: int, units: Sequence[str]) -> tuple[str | None, str]:
    """The unit that the file says, and where it says so."""
    in_row = unit_of(source.units[place].strip("[](){}<> ")) if place < len(source.units) else None
    if in_row is not None:
        return in_row, "the row of units"
    return unit_in_name(column, units), "its name"


def _time_unit(source: _Source, time: TimeSpec, place: int, notes: list[str], said: set[str]) -> str:
    column, dtype = time.column, source.dtypes[place]
    named, by = _file_unit(source, column, place, TIME_UNITS)
    if time.unit is not None:
        said.add(column)
        if named in TIME_UNITS_US and time.unit in TIME_UNITS_US and named != time.unit:
            notes.append(f"column {column!r} is read in {time.unit}, as asked, although {by} says {named}")
        return time.unit
    if isinstance(dtype, pl.Datetime | pl.Time):
        return "tod" if isinstance(dtype, pl.Time) else "iso"
    if dtype.is_temporal():
        return "s"
    first = _first_cells(source, place)
    numbers = first.cast(pl.Float64, strict=False).drop_nulls() if len(first) else first
    kind = _kind_of_time(str(first[0])) if len(first) and not len(numbers) else None
    if kind is not None:
        notes.append(f"column {column!r} holds {_KINDS[kind]}, for example {str(first[0])[:40]!r}")
        said.add(column)
        return kind
    if _since_1970(numbers):
        notes.append(f"column {column!r} counts from 1970 (unit epoch)")
        said.add(column)
        return "epoch"
    if named is None:
        return "s"
    said.add(column)
    if named not in TIME_UNITS:
        raise refusal(f"{source.where}: {by} says that column {column!r} is in {named}, which is no unit of time here: "
                      f"{', '.join(TIME_UNITS)}. Convert it, or write the unit after a colon.")  # fmt: skip
    notes.append(f"column {column!r} is read in {named}: {by} says so")
    return named


_KINDS = {"iso": "ISO date-times", "tod": "times of day"}


def _kind_of_time(cell: str) -> str | None:
    """iso or tod where a cell is text of that form."""
    if pl.Series([cell]).str.contains(_TOD).item():
        return "tod"
    return "iso" if pl.Series([cell]).str.contains(r"^\d{4}-?\d\d-?\d\d[T ] *\d\d:?\d\d").item() else None


def _since_1970(numbers: pl.Series) -> bool:
    """Whether numbers can only be times since 1970: of this century, in steps that fit."""
    if len(numbers) < 2:
        return False
    largest, step = float(numbers.max()), float(numbers.diff().drop_nulls().abs().median())  # type: ignore[arg-type]
    low, high = _SURELY_EPOCH
    return any(low <= largest / unit <= high and step < 10 * unit for unit in (1, 1e3, 1e6))


def _channel_unit(source: _Source, spec: MapSpec, place: int, notes: list[str], said: set[str]) -> str:
    units, column = spec.units, spec.column
    named, by = _file_unit(source, column, place, tuple(units))
    if not units:
        return ""
    if spec.unit is not None:
        said.add(column)
        if named is not None and named != spec.unit:
            notes.append(f"column {column!r} is read in {spec.unit}, as asked, although {by} says {named}")
        return spec.unit
    if named is None:
        return next(iter(units))
    said.add(column)
    if named not in units:
        raise refusal(f"{source.where}: {by} says that column {column!r} is in {named}, and {spec.channel.si_name} "
                      f"is in {', '.join(units)}. Map another column, or write the unit after a colon.")  # fmt: skip
    notes.append(f"column {column!r} is read in {named}: {by} says so")
    return named


def _first_cells(source: _Source, place: int) -> pl.Series:
    """Some cells from the top of a column that are not empty."""
    return _collect(source, source.cells.head(1000).select(_cleaned(f"c{place}"))).to_series().drop_nulls()


def _targets(maps: Sequence[MapSpec], discharge: str) -> _Targets:
    if discharge not in ("positive", "negative"):
        raise ValueError(f"discharge is 'positive' or 'negative', not {discharge!r}")
    if not maps:
        raise refusal("no column is mapped. Add at least one --map CHANNEL=COLUMN.")
    found: _Targets = {}
    for spec in maps:
        target, steps = spec.channel, spec.units.get(spec.unit or "", 1)
        if discharge == "negative" and target.unit == "µA" and "_rms_" not in target.name:
            swap = {"min": "max", "max": "min"}
            target, steps = BY_NAME["_".join(swap.get(part, part) for part in target.name.split("_"))], -steps
        if target in found:
            raise refusal(f"{spec.channel.si_name} is mapped twice. Keep one --map of the two.")
        found[target] = (spec, steps)
    return {channel: found[channel] for channel in CHANNELS if channel in found}


def _open(path: Path, wanted: set[str], kept: ExitStack) -> _Source:
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
        raise _unreadable(str(path), error) from error
    cells = lazy.select(pl.nth(place).alias(f"c{place}") for place in range(len(schema)))
    return _Source(str(path), path, tuple(schema.names()), tuple(schema.dtypes()), cells)


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


def _open_csv(where: str, path: Path, wanted: set[str], *notes: str) -> _Source:
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
    return _Source(where, path, table.names, dtypes, cells, table.separator, lines - comments, table.lines_above,
                   table.width, table.units, (*notes, *table.notes))  # fmt: skip


def _find(source: _Source, spec: TimeSpec | MapSpec) -> int:
    """Position of a column; raises with the nearest names where there is none, more than one, or no numbers."""
    where, named = source.where, [name for name in source.names if name]
    units = TIME_UNITS if isinstance(spec, TimeSpec) else tuple(spec.units)
    if named.count(spec.column) > 1:
        raise refusal(f"{where} has {named.count(spec.column)} columns named {spec.column!r}. Rename all but one.")
    if spec.column in named:
        dtype = source.dtypes[place := source.names.index(spec.column)]
        if dtype.is_numeric() or _is_text(dtype) or (dtype.is_temporal() and "iso" in units):
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


def _convert(
    source: _Source, time: TimeSpec, targets: _Targets, place: dict[str, int], notes: list[str]
) -> tuple[pl.DataFrame, bool]:
    """Every row in file order: absolute t_us (null: no time), storage values (null: no number), blank.

    And whether the decimal mark is a comma.
    """
    text = {k for k in place.values() if _is_text(source.dtypes[k])}
    cells = source.cells.with_columns(_cleaned(c) for c in [*(f"c{k}" for k in text), *source.extra])
    comma = source.separator != "," and _has_decimal_comma(source, cells, [f"c{k}" for k in text])
    if comma:
        notes.append("decimal commas")
    stored = {
        channel: _stored(_number(f"c{place[spec.column]}", comma and place[spec.column] in text) * steps, channel)
        for channel, (spec, steps) in targets.items()
    }
    asked = cells.select(
        _time_us(source, time, place[time.column], comma).alias(TIME_COLUMN),
        *(values.alias(channel.name) for channel, values in stored.items()),
        *((values.is_null() & pl.col(f"c{place[targets[channel][0].column]}").is_not_null()).alias(_odd(channel))
          for channel, values in stored.items()),
        pl.all_horizontal(pl.col(f"c{k}").is_null() for k in place.values()).alias("blank"),
        pl.any_horizontal(pl.lit(False), *(pl.col(column).is_not_null() for column in source.extra)).alias("too_long"),
    )  # fmt: skip
    rows = _collect(source, asked)
    if rows["too_long"].any():
        raise _unreadable(source.where, ValueError("a row is too long"), source)
    if rows.height < source.lines:
        raise refusal(f"{source.where}: stray quotes join {source.lines - rows.height} lines. Remove them and "
                      "line breaks within cells.")  # fmt: skip
    return rows, comma


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
    return possible.when(rounded.is_finite()).then(float(_OUT_OF_RANGE)).cast(pl.Int32)


def _odd(channel: Channel) -> str:
    """Name of the column that says where a cell is filled, but not with a number."""
    return f"{channel.name} odd"


def _time_us(source: _Source, time: TimeSpec, place: int, decimal_comma: bool) -> pl.Expr:
    """A time column as int64 µs; null where a cell holds no time. Whole numbers never pass through a float."""
    dtype, cell = source.dtypes[place], pl.col(f"c{place}")
    factor = _epoch_unit_us(source, place) if time.unit == "epoch" else TIME_UNITS_US.get(time.unit or "s", 1)
    low, high = _CALENDAR_US if time.unit in ("iso", "epoch") else _ANY_TIME_US
    if isinstance(dtype, pl.Datetime) and time.unit == "iso":
        moment = cell.cast(pl.Datetime("us", dtype.time_zone)).cast(pl.Int64)
    elif _is_text(dtype) and time.unit == "iso":
        text = cell.str.to_uppercase().str.replace(",", ".", literal=True).str.replace(r"^([\d-]+) +", "${1}T")
        zoned = pl.when(text.str.contains(r"T.*(Z|[+-]\d\d(:?\d\d)?)$")).then(text).otherwise(text + "Z")
        moments = (zoned.str.strptime(pl.Datetime("us", "UTC"), form, strict=False) for form in _ISO_FORMATS)
        moment = pl.coalesce(moments).cast(pl.Int64)
    elif isinstance(dtype, pl.Time) and time.unit == "tod":
        moment = cell.cast(pl.Int64) // 1000
    elif _is_text(dtype) and time.unit == "tod":
        parts = cell.str.replace(",", ".", literal=True).str.extract_groups(_TOD).struct
        hours, minutes, seconds, half = (parts.field(str(group)) for group in range(1, 5))
        evening = half.str.to_lowercase().replace_strict({"am": 0, "pm": 12}, default=None, return_dtype=pl.Int64)
        hour = hours.cast(pl.Int64)
        clock_h = pl.when(half.is_null()).then(hour).when(hour.is_between(1, 12)).then(hour % 12 + evening)
        moment = ((clock_h * 60 + minutes.cast(pl.Int64)) * 60_000_000) + (
            seconds.fill_null("0").cast(pl.Float64) * 1e6
        ).round().cast(pl.Int64)
    elif time.unit not in ("iso", "tod") and not dtype.is_temporal():
        scaled = (_number(f"c{place}", decimal_comma and _is_text(dtype)) * factor).round()
        moment = pl.when(scaled.is_between(low, high)).then(scaled).cast(pl.Int64)
        if dtype.is_integer() or _is_text(dtype):
            whole = cell.cast(pl.Int64, strict=False)
            exact = pl.when(whole.is_between(low // factor + 1, high // factor)).then(whole) * factor
            moment = pl.coalesce(exact, moment)
    else:
        likely = "tod" if isinstance(dtype, pl.Time) else "iso" if isinstance(dtype, pl.Datetime) else None
        raise refusal(f"{source.where}: column {time.column!r} holds {dtype}, which does not match unit {time.unit}. "
                      "Unit iso takes date-times, tod times of day; s, ms, us and epoch take numbers.",
                      corrected(time, time.column, likely) if likely else None)  # fmt: skip
    return pl.when(moment.is_between(low, high)).then(moment)


def _epoch_unit_us(source: _Source, place: int) -> int:
    """Microseconds in the unit in which a column counts from 1970."""
    numbers = _first_cells(source, place).cast(pl.Float64, strict=False).drop_nulls().abs()
    largest = float(numbers.max() or 0.0) if len(numbers) else 0.0  # type: ignore[arg-type]
    return next((factor for limit, factor in _EPOCH_US if largest < limit), 1)


def _check(
    source: _Source, time: TimeSpec, targets: _Targets, place: dict[str, int], rows: pl.DataFrame
) -> list[ImportDataError]:
    """Raise where there is nothing to import: no rows, no times, or a mapped column without one usable number.

    Returned is what is wrong with columns of which a part is impossible, and would not be in another unit.
    """
    where, doubts = source.where, list[ImportDataError]()
    if not rows.height:
        raise refusal(f"{where} has column names but no rows. Export the data again.")
    if not rows[TIME_COLUMN].count():
        first = _first_cells(source, place[time.column])
        likely = _kind_of_time(str(first[0])) if len(first) else None
        likely = (
            "s" if time.unit in ("iso", "tod") and len(first.cast(pl.Float64, strict=False).drop_nulls()) else likely
        )
        raise refusal(f"{where}: no row has a time; column {time.column!r} was read as {time.unit}, {_example(first)}. "
                      f"Write --time COLUMN:UNIT with {', '.join(TIME_UNITS[:-1])} or {TIME_UNITS[-1]}.",
                      corrected(time, time.column, likely) if likely else None)  # fmt: skip
    for channel, (spec, _) in targets.items():
        asked, values = spec.channel.si_name, rows[channel.name].drop_nulls()
        first = _first_cells(source, place[spec.column])
        if values.is_empty():
            _refuse_thousands(source, spec.column, first)
            raise refusal(f"{where}: column {spec.column!r} holds no number, {_example(first)}. Map a column of "
                          f"numbers to {asked}; a decimal comma needs ';' or tabs between columns.")  # fmt: skip
        outside = int((values == _OUT_OF_RANGE).sum())
        if outside > max(_STRAY_SHARE * len(values), _STRAYS) or outside == len(values):
            low, high = (f"{limit * channel.si_per_step:g}" for limit in channel.valid)
            share = "every number" if outside == len(values) else f"{outside} of {len(values)} numbers"
            likely = _usual_unit(spec, source, place[spec.column])
            if likely is None and outside < len(values):
                continue
            doubt = refusal(
                f"{where}: read in {spec.unit or 'counts'}, {share} in column {spec.column!r} would be outside the "
                f"range of {asked}, {low} to {high} {channel.si_unit}, {_example(first)}. "
                + (f"Probably it is in {likely}." if likely else "Check the column and its unit."),
                all_of_a_kind(spec, likely, [spec for spec, _ in targets.values()]),
            )
            if outside == len(values):
                raise doubt
            doubts.append(doubt)
    return doubts


def _usual_unit(spec: MapSpec, source: _Source, place: int) -> str | None:
    """The unit in which the numbers of a column are usual for a small machine; None without one."""
    number = _number(f"c{place}", False)
    if _is_text(source.dtypes[place]):
        number = _cleaned(f"c{place}").str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    typical = source.cells.select(number.abs().quantile(0.999))
    value = _collect(source, typical).item()
    return None if value is None else usual_unit(spec.channel, float(value))


def _example(cells: pl.Series) -> str:
    return f"for example {str(cells[0])[:40]!r}" if len(cells) else "every cell is empty"


def _look_at_missing(
    source: _Source,
    time: TimeSpec,
    targets: _Targets,
    place: dict[str, int],
    rows: pl.DataFrame,
    comma: bool,
    notes: list[str],
) -> None:
    """Say which columns have empty cells or others that are no numbers; raise for thousands separators."""
    where_missing = {time.column: rows[TIME_COLUMN].null_count()}
    where_missing |= {spec.column: rows[channel.name].null_count() for channel, (spec, _) in targets.items()}
    for column, missing in where_missing.items():
        if not missing:
            continue
        dtype, cell, others = source.dtypes[place[column]], pl.col(f"c{place[column]}"), pl.Series([], dtype=pl.String)
        if _is_text(dtype):
            cells = source.cells.select(_cleaned(f"c{place[column]}"))
            odd = cells.filter(cell.is_not_null() & _number(f"c{place[column]}", comma).is_null())
            others = _collect(source, odd.head(1000)).to_series()
            if column != time.column or time.unit not in ("iso", "tod"):
                _refuse_thousands(source, column, others)
        if len(others):
            notes.append(f"column {column!r}: {missing} of {rows.height} cells empty or no numbers, {_example(others)}")
        else:
            notes.append(f"column {column!r}: {missing} of {rows.height} cells are empty; nothing is filled in")


def _refuse_thousands(source: _Source, column: str, cells: pl.Series) -> None:
    grouped = cells.filter(cells.cast(pl.String).str.contains(_THOUSANDS)) if len(cells) else cells
    if len(grouped):
        raise refusal(f"{source.where}: column {column!r} seems to hold thousands separators, {_example(grouped)}, "
                      "and such a mark may as well be a decimal one. Export the numbers without them.")  # fmt: skip


def _unreadable(where: str, error: BaseException, csv_source: _Source | None = None) -> ImportDataError:
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
