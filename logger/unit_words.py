"""The unit that a column's name, or a row of units under it, says: `I [mA]`, `Vbat (V)`, `current_ma`, `U/V`, `millis`.

What is said is taken as said; nothing is guessed from the numbers here. Boards that print and logs from elsewhere are
read by the same words.
"""

from __future__ import annotations

import re
from collections.abc import Collection

from amptally.logger.channels import COLUMN_UNITS, TIME_UNITS_US

TIME_UNITS = (*TIME_UNITS_US, "iso", "epoch", "tod")
MAX_NAME = 200
"""In longer names no unit is looked for."""
_WORDS = {
    "seconds": "s", "second": "s", "secs": "s", "sec": "s", "millis": "ms", "milliseconds": "ms", "millisecond": "ms",
    "msec": "ms", "micros": "us", "microseconds": "us", "microsecond": "us", "usec": "us", "amps": "A", "amp": "A",
    "ampere": "A", "amperes": "A", "milliamps": "mA", "milliamperes": "mA", "volts": "V", "volt": "V",
    "millivolts": "mV", "millivolt": "mV", "celsius": "C", "degc": "C", "cc": "cC", "hh:mm:ss": "tod", "h:m:s": "tod",
    "hms": "tod", "utc": "iso", "iso8601": "iso", "iso 8601": "iso",
}  # fmt: skip
"""Units in words, lower case; cC is a hundredth of a degree."""
_OTHER = ("min", "h", "hr", "d", "kA", "kV", "cA", "dA", "cV", "dV", "W", "kW", "mW", "Ah", "mAh", "Wh", "mWh",
          "%", "F", "K", "ohm", "mohm", "Ω", "mΩ", "Hz", "ns", "km/h", "m/s", "rpm", "g", "-", "1", "°")  # fmt: skip
"""Units that no channel is given in: a column that says one of them is not read as something else."""
_KNOWN = {*TIME_UNITS, "cC", *(unit for units in COLUMN_UNITS.values() for unit in units)}
_IN_ENDINGS = _KNOWN - {"iso", "epoch", "tod"}
# MV and MA would be megavolt and megaampere: no board of this kind prints them, capitals are a matter of taste.
_BY_LOWER = {unit.lower(): unit for unit in sorted((*_OTHER, *_KNOWN))} | _WORDS
_BRACKET = re.compile(r"^(.*\S)?\s*[\[({<]\s*([^\[\](){}<>]+?)\s*(?:\(\))?[\])}>]\s*$")
_ENDINGS = (
    re.compile(r"(?:[_\s/,.-]|\bin\s)\s*([^\W\d_]+)$"),
    re.compile(r"(?<=[a-z0-9])(m[VAS]|u[VAS]|µ[VAS]|M[sS]|U[sS])$"),
    re.compile(r"(?<=\d)([^\W\d_]+)$"),
)


def plain_unit(text: str) -> str:
    """A unit as this program writes it: `µA` → `uA`, `°C` → `C`."""
    return text.strip().replace("µ", "u").replace("μ", "u").removeprefix("°")


def unit_of(text: str) -> str | None:
    """`text` as a unit, whatever its case; None where it is none."""
    text = plain_unit(text)
    return text if text in _KNOWN or text in _OTHER else _BY_LOWER.get(text.lower())


def split_unit(name: str, units: Collection[str] | None = None) -> tuple[str, str | None]:
    """A name without the unit that it ends in, and that unit; None where it says none.

    In brackets any unit counts. An ending without brackets counts only if it is one of `units`, those of the quantity
    where that is known: `block_a` need not be in amperes, nor `laps_c` in degrees.
    """
    name = name.strip()
    if len(name) > MAX_NAME:
        return name, None
    bracket = _BRACKET.match(name)
    if bracket is not None:
        unit = unit_of(bracket[2])
        return (name, None) if unit is None else (bracket[1] or "", unit)
    allowed = _IN_ENDINGS if units is None else units
    for ending in _ENDINGS:
        found = ending.search(name)
        stem = name[: found.start()].rstrip(" _/,.-") if found else ""
        if found and stem and (unit := unit_of(found[1])) in allowed:
            return stem, unit
    return name, None


def unit_in_name(name: str, units: Collection[str]) -> str | None:
    """The unit of a column by its name, which may be nothing but the unit."""
    alone = _WORDS.get(name.strip().lower())
    return alone if alone in units else split_unit(name, units)[1]


def is_unit_row(cells: Collection[str]) -> bool:
    """Whether a row under the header holds the columns' units: most of its cells are units, none is a number."""
    filled = [cell.strip().strip("[](){}<>").strip() for cell in cells if cell.strip()]
    known = sum(unit_of(cell) is not None and not cell.isdigit() for cell in filled)
    return bool(filled) and 2 * known > len(filled) and not any(re.search(r"\d", cell) for cell in filled)
