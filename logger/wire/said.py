"""`--map`, `--time` and `--columns` of `record` → what the operator says about the board's lines."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from amptally.logger.channels import BY_SI_NAME, TIME_UNITS_US
from amptally.logger.column_names import plain, steps_per
from amptally.logger.errors import BoardTextError
from amptally.logger.unit_words import unit_of
from amptally.logger.wire.text_header import MAX_CELLS, ColumnMap, Said, header_of


def said_by(maps: Sequence[str], time: str | None, columns: Sequence[str]) -> Said:
    """Read `CHANNEL=COLUMN[:UNIT]`, `COLUMN[:UNIT]` and names. Raises BoardTextError, one line."""
    said = Said(tuple(map(_column_map, maps)), None if time is None else _time(time), tuple(columns))
    for one in said.maps:
        if sum(other.channel == one.channel for other in said.maps) > 1:
            raise BoardTextError(f"--map: {one.channel} is mapped twice. Keep one of the two.")
    if columns and (len(columns) > MAX_CELLS or header_of(columns, b",", said) is None):
        raise BoardTextError(
            f"--columns {','.join(columns)[:200]}: no name of a channel, a channel twice, or a time without its unit. "
            "Write for example --columns time_ms,battery_voltage_v,left_current_a"
        )
    return said


def _split(text: str, units: Sequence[str]) -> tuple[str, str | None]:
    """Column and unit, split at the last `:` where a unit follows it."""
    column, _, last = text.rpartition(":")
    unit = unit_of(last) if column else None
    return (column.strip(), unit) if unit in units else (text.strip(), None)


def _column_map(text: str) -> ColumnMap:
    name, _, rest = text.partition("=")
    channel = BY_SI_NAME.get(name.strip())
    if channel is None:
        near = difflib.get_close_matches(plain(name), BY_SI_NAME, 3, 0.5)
        advice = f"Nearest: {', '.join(near)}." if near else f"Channels: {', '.join(BY_SI_NAME)}."
        raise BoardTextError(f"--map {text!r}: there is no channel {name.strip()!r}. {advice}")
    units = [unit for unit in ("A", "mA", "uA", "V", "mV", "uV", "us", "ms", "C") if steps_per(channel, unit)]
    column, unit = _split(rest, units)
    if not column:
        raise BoardTextError(f"--map {text!r} names no column. Write CHANNEL=COLUMN, for example {name}=Vbat.")
    return ColumnMap(column, channel.name, unit)


def _time(text: str) -> tuple[str, str | None]:
    column, unit = _split(text, list(TIME_UNITS_US))
    if not column:
        raise BoardTextError(f"--time {text!r} names no column. Write COLUMN:UNIT, for example --time t:ms.")
    return column, unit
