"""What an import is asked for: `COLUMN[:UNIT]` for the time, `CHANNEL=COLUMN[:UNIT]` for a channel.

Split at the first `=`; the part after the last `:` is the unit only if it is a unit of that quantity, otherwise the
whole text is the column's name. So `Current: left` works as it is, and a column really named `time:ms` is written
`time:ms:ms`.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from amptally.logger.channels import BY_SI_NAME, COLUMN_UNITS, Channel
from amptally.logger.errors import Correction, ImportDataError
from amptally.logger.unit_words import TIME_UNITS, plain_unit

"""iso: ISO 8601, without a zone taken as UTC; epoch: since 1970, UTC; tod: time of day, which rolls over midnight."""


@dataclass(frozen=True, slots=True)
class TimeSpec:
    """The column that holds the time."""

    column: str
    """Name as in the file's header."""
    unit: str | None
    """One of TIME_UNITS; None where none was given."""

    @property
    def text(self) -> str:
        """As written on the command line."""
        return _with_unit(self.column, self.unit)


@dataclass(frozen=True, slots=True)
class MapSpec:
    """The column that holds one channel."""

    channel: Channel
    """The channel as asked for, before any change of sign."""
    column: str
    """Name as in the file's header."""
    unit: str | None
    """Unit of the numbers in the file; None where none was given."""

    @property
    def text(self) -> str:
        """As written on the command line."""
        return f"{self.channel.si_name}={_with_unit(self.column, self.unit)}"

    @property
    def units(self) -> dict[str, int]:
        """Storage steps in each unit that the column may have; the first is the default. Empty for a count."""
        return COLUMN_UNITS[self.channel.unit]


def one_line(message: str) -> str:
    """The message in one printable line, whatever the file or its name contains."""
    return "".join(c if c.isprintable() else "?" for c in message)


def refusal(message: str, correction: Correction | None = None) -> ImportDataError:
    """The error to raise."""
    return ImportDataError(one_line(message), correction)


def parse_time(spec: str) -> TimeSpec:
    """Read `COLUMN[:UNIT]`. Raises ImportDataError if no column is named."""
    if not spec.split(":")[0].strip():
        raise refusal(f"--time {spec!r} names no column. Write COLUMN or COLUMN:UNIT, for example --time time_s:s.")
    return TimeSpec(*_split_unit(spec, TIME_UNITS))


def parse_map(spec: str) -> MapSpec:
    """Read `CHANNEL=COLUMN[:UNIT]`. Raises ImportDataError if the channel is unknown or no column is named."""
    name, _, rest = spec.partition("=")
    if not rest.split(":")[0].strip():
        raise refusal(f"--map {spec!r} names no column. Write CHANNEL=COLUMN, for example battery_current_a=Amps:A.")
    channel = BY_SI_NAME.get(name.strip())
    if channel is None:
        near = difflib.get_close_matches(name.strip().lower(), BY_SI_NAME, 3, 0.5)
        raise refusal(
            f"--map {spec!r}: there is no channel {name.strip()!r}. "
            + (f"Nearest: {', '.join(near)}." if near else f"Channels: {', '.join(BY_SI_NAME)}."),
            Correction(maps={name.strip(): f"{near[0]}={rest}"}) if near else None,
        )
    return MapSpec(channel, *_split_unit(rest, COLUMN_UNITS[channel.unit]))


def corrected(spec: TimeSpec | MapSpec, column: str, unit: str | None) -> Correction:
    """The same with another column or unit."""
    if isinstance(spec, TimeSpec):
        return Correction(time=TimeSpec(column, unit).text)
    return Correction(maps={spec.channel.si_name: MapSpec(spec.channel, column, unit).text})


def _split_unit(text: str, units: Iterable[str]) -> tuple[str, str | None]:
    column, _, last = text.rpartition(":")
    unit = plain_unit(last)
    return (column.strip(), unit) if unit in units else (text.strip(), None)


def _with_unit(column: str, unit: str | None) -> str:
    return column if unit is None else f"{column}:{unit}"
