"""The unit of a column: as asked for, else as the file says, else the first of its quantity; and what to tell of it."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from amptally.logger.channels import TIME_UNITS_US
from amptally.logger.importing.source import Source, first_cells
from amptally.logger.importing.specs import MapSpec, TimeSpec, refusal
from amptally.logger.unit_words import TIME_UNITS, unit_in_name, unit_of

_SURELY_EPOCH = (1e9, 4.2e9)  # the years 2001 to 2103 in seconds
TIME_OF_DAY = r"^(?:T)?(\d{1,3}):([0-5]?\d)(?::([0-5]?\d(?:[.,]\d+)?))?(?:\s*([AaPp][Mm]))?$"
_DATE = r"^(\d{4}-?\d\d-?\d\d|\d{4}/\d\d?/\d\d?|\d\d?\.\d\d?\.\d{4})[T ] *\d\d?:?\d\d"
_KINDS = {"iso": "dates with times", "tod": "times of day"}


def _file_unit(source: Source, column: str, place: int, units: Sequence[str]) -> tuple[str | None, str]:
    """The unit that the file says, and where it says so."""
    in_row = unit_of(source.units[place].strip("[](){}<> ")) if place < len(source.units) else None
    if in_row is not None:
        return in_row, "the row of units"
    return unit_in_name(column, units), "its name"


def time_unit(source: Source, time: TimeSpec, place: int, notes: list[str], said: set[str]) -> str:
    """Unit of the time column. Adds to `notes` what the file said, to `said` the column if it is not the default."""
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
    first = first_cells(source, place)
    numbers = first.cast(pl.Float64, strict=False).drop_nulls() if len(first) else first
    kind = kind_of_time(str(first[0])) if len(first) and not len(numbers) else None
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


def kind_of_time(cell: str) -> str | None:
    """iso or tod where a cell is text of that form."""
    if pl.Series([cell]).str.contains(TIME_OF_DAY).item():
        return "tod"
    return "iso" if pl.Series([cell]).str.contains(_DATE).item() else None


def _since_1970(numbers: pl.Series) -> bool:
    """Whether numbers can only be times since 1970: of this century, in steps that fit."""
    if len(numbers) < 2:
        return False
    largest, step = float(numbers.max()), float(numbers.diff().drop_nulls().abs().median())  # type: ignore[arg-type]
    low, high = _SURELY_EPOCH
    return any(low <= largest / unit <= high and step < 10 * unit for unit in (1, 1e3, 1e6))


def channel_unit(source: Source, spec: MapSpec, place: int, notes: list[str], said: set[str]) -> str:
    """Unit of a channel's column, as above; empty for a count."""
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
