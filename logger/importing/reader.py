"""A CSV or Parquet log of another logger → run-file columns, with every repair counted.

Units: as asked for; else as the column's name or a row of units under it says; else the first of its quantity.
Time units: s (default), ms, us, epoch (since 1970, UTC, in s, ms or us by its size), iso (ISO 8601, also 2026/04/11 or
11.04.2026; without a zone taken as UTC), tod (time of day; a step back of more than twelve hours is midnight).

CSV: comma, semicolon or tab; lines above the names are skipped; lines that start with `#` are comments; UTF-8 or
UTF-16.
Where the separator is not a comma the decimal mark may be one: the form that more cells use holds for the whole file;
cells in the other form are not numbers, and thousands separators are refused.
A row that is empty in every column asked for counts as a blank line, not as a row.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np
import polars as pl

from amptally.logger.channels import BY_NAME, CHANNELS, INT32_NULL, TIME_COLUMN, TIME_UNITS_US, Channel
from amptally.logger.errors import ImportDataError
from amptally.logger.importing.plausible import all_of_a_kind, usual_unit
from amptally.logger.importing.said_units import TIME_OF_DAY, channel_unit, kind_of_time, time_unit
from amptally.logger.importing.source import (
    Source,
    cleaned,
    collect,
    find,
    first_cells,
    is_text,
    open_source,
    unreadable,
)
from amptally.logger.importing.specs import MapSpec, TimeSpec, corrected, refusal
from amptally.logger.unit_words import TIME_UNITS

_STRAY_SHARE, _STRAYS = 0.005, 5  # fewer impossible numbers are faults of a sensor, not of a unit
_DAY_US = 86_400_000_000
_EPOCH_US = ((1e11, 1_000_000), (1e14, 1_000), (1e17, 1))  # below which number since 1970: µs in its unit
_THOUSANDS = r"^[+-]?\d{1,3}([.,' \u00a0]\d{3})+([.,]\d+)?$"
_CALENDAR_US = (-62_135_596_800_000_000, 253_402_300_799_999_999)  # the years 1 to 9999
_ANY_TIME_US = (1 - 2**62, 2**62 - 1)  # the difference of two such times still fits in int64
_DAY_FIRST, _SLASHES = r"^(\d\d?)\.(\d\d?)\.(\d{4})[ T]+", r"^(\d{4})/(\d\d?)/(\d\d?)[ T]+"
_ISO_FORMATS = ("%Y-%m-%dT%H:%M:%S%.f%#z", "%Y-%m-%dT%H:%M%#z", "%Y%m%dT%H%M%S%.f%#z")
_OUT_OF_RANGE = INT32_NULL  # below every valid value: marks "a number, but an impossible one" until it is counted


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


_Targets = dict[Channel, tuple[MapSpec, int]]  # channel to fill → where from, and signed storage steps in its unit


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
        source = open_source(Path(path), {time.column, *(spec.column for spec in maps)}, kept)
        place = {time.column: find(source, time)} | {spec.column: find(source, spec) for spec in maps}
        notes, said = list(source.notes), set[str]()
        time = TimeSpec(time.column, time_unit(source, time, place[time.column], notes, said))
        maps = tuple(
            MapSpec(spec.channel, spec.column, channel_unit(source, spec, place[spec.column], notes, said))
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


def _convert(
    source: Source, time: TimeSpec, targets: _Targets, place: dict[str, int], notes: list[str]
) -> tuple[pl.DataFrame, bool]:
    """Every row in file order: absolute t_us (null: no time), storage values (null: no number), blank.

    And whether the decimal mark is a comma.
    """
    text = {k for k in place.values() if is_text(source.dtypes[k])}
    cells = source.cells.with_columns(cleaned(c) for c in [*(f"c{k}" for k in text), *source.extra])
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
    rows = collect(source, asked)
    if rows["too_long"].any():
        raise unreadable(source.where, ValueError("a row is too long"), source)
    if rows.height < source.lines:
        raise refusal(f"{source.where}: stray quotes join {source.lines - rows.height} lines. Remove them and "
                      "line breaks within cells.")  # fmt: skip
    return rows, comma


def _has_decimal_comma(source: Source, cells: pl.LazyFrame, columns: Sequence[str]) -> bool:
    def count(mark: str) -> pl.Expr:
        pattern = rf"^[+-]?\d*{mark}\d+([eE][+-]?\d+)?$"
        return pl.sum_horizontal(pl.lit(0), *(pl.col(column).str.contains(pattern).sum() for column in columns))

    commas, points = collect(source, cells.select(count(",").alias("commas"), count(r"\.").alias("points"))).row(0)
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


def _time_us(source: Source, time: TimeSpec, place: int, decimal_comma: bool) -> pl.Expr:
    """A time column as int64 µs; null where a cell holds no time. Whole numbers never pass through a float."""
    dtype, cell = source.dtypes[place], pl.col(f"c{place}")
    factor = _epoch_unit_us(source, place) if time.unit == "epoch" else TIME_UNITS_US.get(time.unit or "s", 1)
    low, high = _CALENDAR_US if time.unit in ("iso", "epoch") else _ANY_TIME_US
    if isinstance(dtype, pl.Datetime) and time.unit == "iso":
        moment = cell.cast(pl.Datetime("us", dtype.time_zone)).cast(pl.Int64)
    elif is_text(dtype) and time.unit == "iso":
        text = cell.str.to_uppercase().str.replace(",", ".", literal=True).str.replace(_DAY_FIRST, "${3}-${2}-${1}T")
        text = text.str.replace(_SLASHES, "${1}-${2}-${3}T").str.replace(r"^([\d-]+) +", "${1}T")
        zoned = pl.when(text.str.contains(r"T.*(Z|[+-]\d\d(:?\d\d)?)$")).then(text).otherwise(text + "Z")
        moments = (zoned.str.strptime(pl.Datetime("us", "UTC"), form, strict=False) for form in _ISO_FORMATS)
        moment = pl.coalesce(moments).cast(pl.Int64)
    elif isinstance(dtype, pl.Time) and time.unit == "tod":
        moment = cell.cast(pl.Int64) // 1000
    elif is_text(dtype) and time.unit == "tod":
        parts = cell.str.replace(",", ".", literal=True).str.extract_groups(TIME_OF_DAY).struct
        hours, minutes, seconds, half = (parts.field(str(group)) for group in range(1, 5))
        evening = half.str.to_lowercase().replace_strict({"am": 0, "pm": 12}, default=None, return_dtype=pl.Int64)
        hour = hours.cast(pl.Int64)
        clock_h = pl.when(half.is_null()).then(hour).when(hour.is_between(1, 12)).then(hour % 12 + evening)
        moment = ((clock_h * 60 + minutes.cast(pl.Int64)) * 60_000_000) + (
            seconds.fill_null("0").cast(pl.Float64) * 1e6
        ).round().cast(pl.Int64)
    elif time.unit not in ("iso", "tod") and not dtype.is_temporal():
        scaled = (_number(f"c{place}", decimal_comma and is_text(dtype)) * factor).round()
        moment = pl.when(scaled.is_between(low, high)).then(scaled).cast(pl.Int64)
        if dtype.is_integer() or is_text(dtype):
            whole = cell.cast(pl.Int64, strict=False)
            exact = pl.when(whole.is_between(low // factor + 1, high // factor)).then(whole) * factor
            moment = pl.coalesce(exact, moment)
    else:
        likely = "tod" if isinstance(dtype, pl.Time) else "iso" if isinstance(dtype, pl.Datetime) else None
        raise refusal(f"{source.where}: column {time.column!r} holds {dtype}, which does not match unit {time.unit}. "
                      "Unit iso takes date-times, tod times of day; s, ms, us and epoch take numbers.",
                      corrected(time, time.column, likely) if likely else None)  # fmt: skip
    return pl.when(moment.is_between(low, high)).then(moment)


def _epoch_unit_us(source: Source, place: int) -> int:
    """Microseconds in the unit in which a column counts from 1970."""
    numbers = first_cells(source, place).cast(pl.Float64, strict=False).drop_nulls().abs()
    largest = float(numbers.max() or 0.0) if len(numbers) else 0.0  # type: ignore[arg-type]
    return next((factor for limit, factor in _EPOCH_US if largest < limit), 1)


def _check(
    source: Source, time: TimeSpec, targets: _Targets, place: dict[str, int], rows: pl.DataFrame
) -> list[ImportDataError]:
    """Raise where there is nothing to import: no rows, no times, or a mapped column without one usable number.

    Returned is what is wrong with columns of which a part is impossible, and would not be in another unit.
    """
    where, doubts = source.where, list[ImportDataError]()
    if not rows.height:
        raise refusal(f"{where} has column names but no rows. Export the data again.")
    if not rows[TIME_COLUMN].count():
        first = first_cells(source, place[time.column])
        likely = kind_of_time(str(first[0])) if len(first) else None
        likely = (
            "s" if time.unit in ("iso", "tod") and len(first.cast(pl.Float64, strict=False).drop_nulls()) else likely
        )
        if len(first) and re.match(r"\d\d?[/-]\d\d?[/-]\d", str(first[0])):
            raise refusal(f"{where}: column {time.column!r} does not say which number is the day and which the month, "
                          f"{_example(first)}. Write dates as 2026-04-11.")  # fmt: skip
        raise refusal(f"{where}: no row has a time; column {time.column!r} was read as {time.unit}, {_example(first)}. "
                      f"Write --time COLUMN:UNIT with {', '.join(TIME_UNITS[:-1])} or {TIME_UNITS[-1]}.",
                      corrected(time, time.column, likely) if likely else None)  # fmt: skip
    for channel, (spec, _) in targets.items():
        asked, values = spec.channel.si_name, rows[channel.name].drop_nulls()
        first = first_cells(source, place[spec.column])
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


def _usual_unit(spec: MapSpec, source: Source, place: int) -> str | None:
    """The unit in which the numbers of a column are usual for a small machine; None without one."""
    number = _number(f"c{place}", False)
    if is_text(source.dtypes[place]):
        number = cleaned(f"c{place}").str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    typical = source.cells.select(number.abs().quantile(0.999))
    value = collect(source, typical).item()
    return None if value is None else usual_unit(spec.channel, float(value))


def _example(cells: pl.Series) -> str:
    return f"for example {str(cells[0])[:40]!r}" if len(cells) else "every cell is empty"


def _look_at_missing(
    source: Source,
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
        if is_text(dtype):
            cells = source.cells.select(cleaned(f"c{place[column]}"))
            odd = cells.filter(cell.is_not_null() & _number(f"c{place[column]}", comma).is_null())
            others = collect(source, odd.head(1000)).to_series()
            if column != time.column or time.unit not in ("iso", "tod"):
                _refuse_thousands(source, column, others)
        if len(others):
            notes.append(f"column {column!r}: {missing} of {rows.height} cells empty or no numbers, {_example(others)}")
        else:
            notes.append(f"column {column!r}: {missing} of {rows.height} cells are empty; nothing is filled in")


def _refuse_thousands(source: Source, column: str, cells: pl.Series) -> None:
    grouped = cells.filter(cells.cast(pl.String).str.contains(_THOUSANDS)) if len(cells) else cells
    if len(grouped):
        raise refusal(f"{source.where}: column {column!r} seems to hold thousands separators, {_example(grouped)}, "
                      "and such a mark may as well be a decimal one. Export the numbers without them.")  # fmt: skip
