"""Names of columns → how the following lines of text are read. No I/O, no state.

Names come from a header line, from labels within a line (`Vbat=12.6 I=3.2`) or from the operator (`--columns`). The
operator may also say which column holds which channel (`--map`) and the time (`--time`).
"""

from __future__ import annotations

import binascii
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from amptally.logger.channels import BY_NAME, TIME_UNITS_US
from amptally.logger.column_names import known_channel, plain, steps_per, time_unit
from amptally.logger.unit_words import split_unit
from amptally.logger.wire.blocks import CLOCK_WRAP, Layout
from amptally.logger.wire.frames import INT64_NULL

_TIME_UNITS = tuple(TIME_UNITS_US)
MAX_CELLS = 256
MAX_LABELS = 64
LABELS = b"="
"""In place of the separator, for lines that name each value."""
_DIGITS = rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_NUMBER = re.compile(_DIGITS)
_DECIMAL_COMMA = re.compile(rb"[+-]?(?:\d+,\d*|,\d+)(?:[eE][+-]?\d+)?")
_LABELLED = re.compile(
    r"\s*+([A-Za-z_][\w.()\[\]/-]*+(?: ++[\w.()\[\]/-]++)*+)\s*+[=:]\s*+"
    r"([+-]?(?:\d++[.,]?\d*+|[.,]\d++)(?:[eE][+-]?\d++)?+)"
    r"(?:\s?([A-Za-zµμ°]{1,4})(?=[\s,;|]|$)(?!\s*[=:]))?[\s,;|]*+",
    re.ASCII,
)
"""One label with its number. Nothing is tried twice, so that a line costs its length, whatever it holds."""


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """The operator's word on one column."""

    column: str
    """Name as the board prints it, with or without its unit."""
    channel: str
    """Run-file column."""
    unit: str | None
    """Unit of the numbers; None: as the name says, else SI."""


@dataclass(frozen=True, slots=True)
class Said:
    """What the operator says about the board's lines. It goes into the journal's header."""

    maps: tuple[ColumnMap, ...] = ()
    time: tuple[str, str | None] | None = None
    """(column, unit s, ms or us) of the time; unit None: as the name says, else s."""
    columns: tuple[str, ...] = ()
    """Names of the columns of a board that prints no header; () where it prints one."""

    def as_json(self) -> dict[str, Any]:
        """For the journal's header."""
        maps = [[one.column, one.channel, one.unit] for one in self.maps]
        return {"map": maps, "time": self.time, "columns": list(self.columns)}


NOTHING_SAID = Said()


def said_in(header: Mapping[str, Any]) -> Said:
    """What a journal's header says; what is missing or invalid in it is left out."""
    entry = header.get("text")
    if not isinstance(entry, dict):
        return NOTHING_SAID
    maps = [ColumnMap(*row) for row in _lists(entry.get("map"), 3) if _is_map(row)]
    time = next((row for row in _lists([entry.get("time")], 2) if isinstance(row[0], str)), None)
    columns = entry.get("columns")
    named = isinstance(columns, list) and len(columns) <= MAX_CELLS and all(isinstance(name, str) for name in columns)
    return Said(
        tuple(maps),
        (time[0], time[1]) if time and (time[1] is None or time[1] in _TIME_UNITS) else None,
        tuple(columns) if named and columns else (),
    )


def _lists(value: object, length: int) -> list[list[Any]]:
    rows = value if isinstance(value, list) else []
    return [list(row) for row in rows[:MAX_CELLS] if isinstance(row, list | tuple) and len(row) == length]


def _is_map(row: Sequence[Any]) -> bool:
    column, channel, unit = row
    if not isinstance(column, str) or not isinstance(channel, str) or channel not in BY_NAME:
        return False
    return unit is None or (isinstance(unit, str) and steps_per(BY_NAME[channel], unit) is not None)


@dataclass(frozen=True, slots=True)
class Header:
    """How the following lines are read."""

    names: tuple[str, ...]
    """All names, as printed."""
    time_place: int | None
    """Place of the time among them; None where the board prints none: lines are then counted."""
    time_factor: int
    """Microseconds per unit of the time."""
    layout: Layout
    places: tuple[int, ...]
    """Place of each column of the layout."""
    factors: tuple[float, ...]
    """Storage steps per printed unit of each column."""
    checked: bool
    """Each line ends in a CRC."""
    separator: bytes
    """`,`, `;`, tab, or nothing for blanks."""

    @property
    def skipped(self) -> tuple[str, ...]:
        """Names of columns that are not recorded."""
        taken = {*self.places, self.time_place}
        end = len(self.names) - self.checked
        return tuple(name for place, name in enumerate(self.names[:end]) if place not in taken and name)

    def row(self, text: bytes) -> tuple[int, list[int]] | str:
        """Wrapped time in µs (0 without a time) and storage values of a line, or the kind of fault."""
        if self.checked:
            body, _, crc = text.rpartition(self.separator or b" ")
            if len(crc) != 4 or f"{binascii.crc_hqx(body, 0xFFFF):04x}".encode() != crc.lower():
                return "crc"
        cells = cells_of(text, self.separator)
        if len(cells) == len(self.names) + 1 and not cells[-1]:
            cells.pop()
        return self.read(cells)

    def read(self, cells: Sequence[bytes]) -> tuple[int, list[int]] | str:
        """The same from the cells of a line."""
        if len(cells) != len(self.names):
            return "text"
        comma = self.separator != b","
        values: list[int] = []
        for place, factor in zip(self.places, self.factors, strict=True):
            cell = cells[place]
            if not cell:
                values.append(INT64_NULL)
                continue
            number = number_in(cell, comma)
            if number is None or abs(value := number * factor) >= 2**62:
                return "text"
            values.append(round(value))
        if self.time_place is None:
            return 0, values
        number = number_in(cells[self.time_place], comma)
        if number is None:
            return "text"
        time = number * self.time_factor
        return (round(time), values) if 0 <= time < CLOCK_WRAP * self.time_factor else "text"


def number_in(cell: bytes, decimal_comma: bool) -> float | None:
    """The number in a cell; None where it holds none."""
    if _NUMBER.fullmatch(cell):
        return float(cell)
    if decimal_comma and _DECIMAL_COMMA.fullmatch(cell):
        return float(cell.replace(b",", b"."))
    return None


def cells_of(text: bytes, separator: bytes) -> list[bytes]:
    """The cells of a line, without blanks and quotes around them."""
    return [cell.strip(b' \t"') for cell in (text.split(separator) if separator else text.split())]


def splits(text: bytes) -> list[tuple[bytes, list[bytes]]]:
    """Every way to cut a line into more than one cell, the likeliest separator first."""
    found = [(mark, cells_of(text, mark)) for mark in (b",", b";", b"\t", b"") if not mark or mark in text]
    return [(mark, cells) for mark, cells in found if len(cells) > 1] or [(b",", [text.strip(b' \t"')])]


def printable(line: bytes) -> bytes:
    """A line without what a board that starts sends before it: bytes that are no text, and the CR at its end."""
    text = line.decode("utf-8", "replace").rstrip()
    last = max((place for place, letter in enumerate(text) if not _is_text(letter)), default=-1)
    return text[last + 1 :].strip().encode()


def _is_text(letter: str) -> bool:
    return " " <= letter <= "~" or letter in "\tµμ°"


@lru_cache(maxsize=256)
def parse_header(line: bytes, said: Said = NOTHING_SAID) -> Header | None:
    """The header in a line; None where it is none, or where its names leave open what the lines hold."""
    if said.columns or len(line) > 4 * MAX_CELLS:
        return None
    found: list[Header] = []
    for mark, cells in splits(printable(line)):
        while cells and not cells[-1]:
            cells.pop()
        header = header_of([cell.decode("utf-8", "replace") for cell in cells], mark, said)
        if header is not None:
            found.append(header)
    return max(found, key=lambda header: (len(header.places), len(header.names)), default=None)


def columns_header(line: bytes, said: Said) -> Header | None:
    """The header that `--columns` stands for, cut as a line of numbers must be; None where the line does not fit."""
    for mark, cells in sorted(splits(line), key=lambda split: b";\t, ".find(split[0] or b" ")):
        if len(cells) == len(said.columns) + 1 and not cells[-1]:
            cells.pop()
        numbers = all(not cell or number_in(cell, mark != b",") is not None for cell in cells)
        if len(cells) == len(said.columns) and numbers:
            return header_of(said.columns, mark, said)
    return None


def labelled(line: bytes) -> tuple[tuple[str, ...], list[bytes]] | None:
    """Names and numbers of a line of labels, `Vbat=12.6 I: 3.2 A`; None where it is none."""
    if b"=" not in line and b":" not in line:
        return None
    text = printable(line).decode("utf-8", "replace")
    names: list[str] = []
    cells: list[bytes] = []
    at = 0
    while at < len(text):
        found = _LABELLED.match(text, at)
        if found is None or len(names) == MAX_LABELS:
            return None
        names.append(f"{found[1]} [{found[3]}]" if found[3] else found[1])
        cells.append(found[2].replace(",", ".").encode())
        at = found.end()
    return (tuple(names), cells) if names else None


@lru_cache(maxsize=256)
def labels_header(names: tuple[str, ...], said: Said = NOTHING_SAID) -> Header | None:
    """The header that the labels of a line make; None as for `header_of`."""
    return header_of(names, LABELS, said)


def header_of(names: Sequence[str], separator: bytes, said: Said = NOTHING_SAID) -> Header | None:
    """The header that these names make; None where no channel is known, one comes twice, or the time has no unit."""
    if not 1 <= len(names) <= MAX_CELLS:
        return None
    checked = plain(names[-1]) == "crc"
    time_place, time_factor = None, 1
    found: list[tuple[int, str, float]] = []
    # A channel that the operator mapped a column to is not taken from the column of its own name.
    given = {one.channel for one in said.maps if any(_same(name, one.column) for name in names)}
    for place, name in enumerate(names[: len(names) - checked]):
        if number_in(name.encode(), True) is not None:
            return None
        unit = _time_unit(name, said)
        mapped = _mapped(name, said)
        if mapped is not None:
            found.append((place, *mapped))
        elif unit is not None:
            if unit not in TIME_UNITS_US or time_place is not None:
                return None
            time_place, time_factor = place, TIME_UNITS_US[unit]
        elif (known := known_channel(name)) is not None and known[0].name not in given:
            found.append((place, known[0].name, known[1]))
    stored = tuple(name for _, name, _ in found)
    if not stored or len(set(stored)) != len(stored):
        return None
    # Without a time, a message of the board that happens to hold one of our names must not pass for a header.
    if time_place is None and not given and not said.columns and 2 * len(found) < len(names) - checked:
        return None
    layout = Layout(stored, 0, None, timed=time_place is not None)
    places, factors = tuple(place for place, _, _ in found), tuple(factor for _, _, factor in found)
    return Header(tuple(names), time_place, time_factor, layout, places, factors, checked, separator)


def _same(name: str, wanted: str) -> bool:
    return plain(name) == plain(wanted) or plain(split_unit(name)[0]) == plain(wanted)


def _time_unit(name: str, said: Said) -> str | None:
    if said.time is not None:
        return (said.time[1] or time_unit(name) or split_unit(name)[1] or "s") if _same(name, said.time[0]) else None
    return time_unit(name)


def _mapped(name: str, said: Said) -> tuple[str, float] | None:
    """(run-file column, storage steps per printed unit) of a column that the operator mapped."""
    one = next((one for one in said.maps if _same(name, one.column)), None)
    if one is None:
        return None
    channel = BY_NAME[one.channel]
    steps = steps_per(channel, one.unit or split_unit(name)[1])
    return None if steps is None else (one.channel, steps)
