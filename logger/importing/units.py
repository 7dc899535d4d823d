"""The unit that a column's name, or a row of units under it, says: `I [mA]`, `Vbat (V)`, `current_ma`, `U/V`, `millis`.

What is said is taken as said; nothing is guessed from the numbers here.
"""

from __future__ import annotations

import re
from collections.abc import Collection

from amptally.logger.channels import COLUMN_UNITS
from amptally.logger.importing.specs import TIME_UNITS, plain_unit

_WORDS = {
    "seconds": "s", "second": "s", "secs": "s", "sec": "s", "millis": "ms", "milliseconds": "ms", "millisecond": "ms",
    "msec": "ms", "micros": "us", "microseconds": "us", "microsecond": "us", "usec": "us", "amps": "A", "amp": "A",
    "ampere": "A", "amperes": "A", "milliamps": "mA", "milliamperes": "mA", "volts": "V", "volt": "V",
    "millivolts": "mV", "millivolt": "mV", "celsius": "C", "degc": "C", "hh:mm:ss": "tod", "h:m:s": "tod",
    "hms": "tod", "utc": "iso", "iso8601": "iso", "iso 8601": "iso",
}  # fmt: skip
"""Units in words, lower case."""
_OTHER = ("min", "h", "hr", "d", "kA", "kV", "cA", "dA", "cV", "dV", "W", "kW", "mW", "Ah", "mAh", "Wh", "mWh",
          "%", "F", "K", "ohm", "mohm", "Ω", "mΩ", "Hz", "ns", "km/h", "m/s", "rpm", "g", "-", "1", "°")  # fmt: skip
"""Units that no channel is given in: a column that says one of them is not read as something else."""
_KNOWN = {*TIME_UNITS, *(unit for units in COLUMN_UNITS.values() for unit in units)}
_BY_LOWER = {unit.lower(): unit for unit in sorted((*_OTHER, *_KNOWN))} | _WORDS
_BRACKET = re.compile(r"[\[({<]\s*([^\[\](){}<>]+?)\s*[\])}>]\s*$")
_ENDING = re.compile(r"(?:[_\s/,.-]|\bin\s)\s*([^\W\d_]+)$")
_CAMEL = re.compile(r"(?<=[a-z0-9])(m[VAS]|u[VAS]|µ[VAS]|M[sS]|U[sS])$")


def unit_of(text: str) -> str | None:
    """`text` as a unit, whatever its case; None where it is none."""
    text = plain_unit(text)
    return text if text in _KNOWN or text in _OTHER else _BY_LOWER.get(text.lower())


def unit_in_name(name: str, units: Collection[str]) -> str | None:
    """The unit that a column's name ends in.

    In brackets any unit counts. An ending without brackets counts only if it is one of `units`, those of the quantity:
    `block_a` need not be in amperes, nor `laps_c` in degrees.
    """
    bracket = _BRACKET.search(name)
    if bracket is not None:
        return unit_of(bracket[1])
    if name.strip().lower() in _WORDS:
        ending = unit_of(name)
        return ending if ending in units else None
    found = _ENDING.search(name) or _CAMEL.search(name)
    ending = None if found is None else unit_of(found[1])
    return ending if ending in units else None


def is_unit_row(cells: Collection[str]) -> bool:
    """Whether a row under the header holds the columns' units: most of its cells are units, none is a number."""
    filled = [cell.strip().strip("[](){}<>").strip() for cell in cells if cell.strip()]
    known = sum(unit_of(cell) is not None and not cell.isdigit() for cell in filled)
    return bool(filled) and 2 * known > len(filled) and not any(re.search(r"\d", cell) for cell in filled)
