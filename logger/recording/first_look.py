"""The first bytes from a board, judged before anything is recorded: what is it, and can it be right?

No port and no clock inside. A board that sends frames passes at once. Text passes when its lines can be read and their
first values can be; otherwise the answer is a question, with what was read and what to write. Later a recording goes on
whatever arrives: a drive happens only once.
"""

from __future__ import annotations

import shlex
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from math import log10
from statistics import median
from typing import Literal

from amptally.logger.channels import BY_NAME, TIME_UNITS_US
from amptally.logger.column_names import nearest_channel, time_unit
from amptally.logger.errors import BoardTextError
from amptally.logger.machine.description import Machine
from amptally.logger.wire.decoder import BoardDecoder
from amptally.logger.wire.frames import INT64_NULL
from amptally.logger.wire.text_header import (
    LABELS,
    MAX_CELLS,
    Header,
    Said,
    header_of,
    labelled,
    number_in,
    printable,
    splits,
)
from amptally.logger.wire.textmode import MAX_LINE

TEXT_S = 0.4
"""How long lines that can be read are looked at."""
GARBAGE_S = 1.2
"""How long bytes that are no text are looked at: a board that sends frames describes itself every second."""
SLOW_S = 2.5
"""The same for a board that prints less than once in `TEXT_S`."""
UNREAD_S = 2.2
"""How long lines that cannot be read are looked at: a header repeated every second must have come."""
SILENT_S = 4.0
"""How long to wait for the first byte: a board that opening the port resets starts after two seconds."""
MIN_LINES = 3
MAX_LINES = 2_000
TEXT_SHARE = 0.9
"""Least share of bytes that are text, in lines."""
MIN_BYTES = 24
_SHOWN = 60
MAX_VOLTAGE_V = 300.0
MAX_CURRENT_A = 300.0
FUSE_FACTOR = 3.0
"""At first, a current above this many times the lead's fuse is a wrong unit. Our own choice, as all here."""
VOLTAGE_FACTOR = 5.0
"""The same for a voltage against the battery's."""
CLOCK_FACTOR = 200.0
"""A clock that runs this much faster or slower than ours has another unit."""

State = Literal["silent", "listening", "garbage", "unread", "frames", "text"]


@dataclass(frozen=True, slots=True)
class _Line:
    text: bytes
    at_s: float


class FirstLook:
    """Takes bytes with the time of their arrival [s]; says what they are."""

    def __init__(self, said: Said, machine: Machine) -> None:
        self._said = said
        self._machine = machine
        self._decoder = BoardDecoder(said=said)
        self._rest = b""
        self._first_s: float | None = None
        self._understood_s: float | None = None
        self._bytes = 0
        self._text_bytes = 0
        self._lines: deque[_Line] = deque(maxlen=MAX_LINES)

    def feed(self, data: bytes, at_s: float) -> None:
        """Take what arrived."""
        if not data:
            return
        self._first_s = at_s if self._first_s is None else self._first_s
        self._bytes += len(data)
        self._text_bytes += sum(byte in _TEXT for byte in data)
        self._decoder.feed(data)
        if self._understood_s is None and self._decoder.understood:
            self._understood_s = at_s
        *lines, self._rest = (self._rest + data).split(b"\n")
        self._rest = self._rest[-MAX_LINE:]
        self._lines.extend(_Line(line.strip(), at_s) for line in lines if line.strip() and len(line) <= MAX_LINE)

    @property
    def heard(self) -> bool:
        """Whether anything has arrived."""
        return self._bytes > 0

    def state(self, now_s: float) -> State:
        """What is known so far."""
        if self._first_s is None:
            return "silent"
        if self._decoder.newer_board or (self._decoder.understood and self._header is None):
            return "frames"
        since_s = now_s - self._first_s
        if self._understood_s is not None:
            enough = now_s - self._understood_s >= TEXT_S and self._lines_read() >= MIN_LINES
            return "text" if enough or since_s >= SLOW_S else "listening"
        if self.is_text:
            return "unread" if since_s >= UNREAD_S and self._lines else "listening"
        return "garbage" if since_s >= GARBAGE_S and self._bytes >= MIN_BYTES else "listening"

    @property
    def is_text(self) -> bool:
        """Whether the bytes are text in lines: at a wrong baud rate they are not."""
        return self._text_bytes >= TEXT_SHARE * self._bytes and (bool(self._lines) or self._bytes < MIN_BYTES)

    @property
    def _header(self) -> Header | None:
        return self._decoder.text_header

    def _lines_read(self) -> int:
        return len(self._rows()) if len(self._lines) <= MAX_LINES // 10 else len(self._lines)

    def _rows(self) -> list[tuple[float, int, list[int]]]:
        """(arrival in s, time in µs, stored values) of the lines that the latest header reads."""
        header = self._header
        rows: list[tuple[float, int, list[int]]] = []
        if header is None:
            return rows
        for line in self._lines:
            labels = labelled(line.text) if header.separator == LABELS else None
            row = header.read(labels[1]) if labels else header.row(line.text)
            if not isinstance(row, str):
                rows.append((line.at_s, *row))
        return rows

    def notes(self) -> list[str]:
        """What the operator should know of lines that can be read."""
        header = self._header
        if header is None:
            return []
        taken = ", ".join(BY_NAME[name].si_name for name in header.layout.columns)
        said = [f"The board prints {taken}."]
        if header.skipped:
            offers = [
                f"{name!r}: --map {near}={shlex.quote(name)}"
                for name in header.skipped
                if (near := nearest_channel(name))
            ]
            few = "1 column is" if len(header.skipped) == 1 else f"{len(header.skipped)} columns are"
            more = f" To record: {', '.join(offers)}." if offers else ""
            said.append(f"{few} not recorded, as no channel has this name: {_listed(header.skipped)}.{more}")
        if header.time_place is None:
            said.append("The board prints no time: lines get the time of their arrival, as uneven as the line is.")
        return said

    def question(self) -> BoardTextError | None:
        """What must be answered before this can be recorded, as an error to be raised; None where nothing must."""
        if self._decoder.newer_board:
            return None
        if self._header is not None:
            return self._no_row_question() or self._clock_question() or self._unit_question()
        if not self.is_text or not self._lines:
            return None
        return self._unread_question()

    def _unread_question(self) -> BoardTextError:
        named = self._names()
        shown = _shown(self._lines[-1].text)
        if self._said.columns:
            return BoardTextError(
                f"I read {shown}: that is not {len(self._said.columns)} numbers, as --columns names. Name one for each "
                "number of a line, in order; any other word skips a column."
            )
        if named is None:
            numbers = self._numbers()
            if numbers < 1:
                return BoardTextError(
                    f"I read {shown}: no line of names, and no line of numbers. Let the board print one line of names, "
                    "for example time_ms,battery_voltage_v, then lines of numbers: docs/wire-format.md, Plain text."
                )
            few = "1 number" if numbers == 1 else f"{numbers} numbers"
            return BoardTextError(
                f"I read {shown}: lines of {few}, but no line of names. Say what they are, in order, for example "
                f"--columns {','.join(_EXAMPLE[:numbers])}; any other word skips a column."
            )
        line, names = named
        maps: list[str] = []
        times, unknown = [], []
        for name in names:
            if time_unit(name) is not None or (self._said.time and name == self._said.time[0]):
                times.append(name)
            elif (offer := nearest_channel(name)) is not None and not any(
                entry.startswith(f"{offer}=") for entry in maps
            ):
                maps.append(f"{offer}={name}")
                unknown.append(f"{name!r} (nearest: {offer})")
            else:
                unknown.append(repr(name))
        time = next((f"{name}:{self._likely_unit(names, name)}" for name in times if time_unit(name) == ""), None)
        if self._said.time is not None:
            time = None
        parts = []
        if unknown and not self._known(names):
            parts.append(f"no name I know: {', '.join(unknown)}.")
        else:
            maps = []
        if time is not None:
            parts.append(f"{time.rpartition(':')[0]!r} is a time that names no unit.")
        if not parts:
            parts.append("a channel comes twice. Keep one of the two.")
        return BoardTextError(f"I read {_shown(line)}: {' '.join(parts)}", tuple(maps), time)

    def _known(self, names: Sequence[str]) -> bool:
        """Whether one of the names is a channel, so that only the time stands in the way."""
        return header_of([name for name in names if time_unit(name) is None] or ["-"], b",", self._said) is not None

    def _no_row_question(self) -> BoardTextError | None:
        header = self._header
        if header is None or self._rows():
            return None
        other = [line.text for line in self._lines if any(48 <= byte < 58 for byte in line.text)]
        if len(other) < MIN_LINES:
            return None
        return BoardTextError(
            f"I read {_shown(other[-1])} under {len(header.names)} names ({_listed(header.names)}): it does not "
            "fit them. Print one number for each name; a decimal comma needs ; or tabs between the numbers."
        )

    def _names(self) -> tuple[bytes, list[str]] | None:
        """The line that most looks like names of columns: no number in it, as many cells as a line of numbers."""
        for line in self._lines:
            labels = labelled(line.text)
            if labels is not None:
                return line.text, list(labels[0])
            for mark, cells in splits(printable(line.text)):
                while cells and not cells[-1]:
                    cells.pop()
                names = [cell.decode("utf-8", "replace") for cell in cells]
                words = all(name and number_in(name.encode(), True) is None for name in names)
                if words and len(names) > 1 and self._has_numbers(mark, len(names)):
                    return line.text, names
        return None

    def _has_numbers(self, mark: bytes, count: int) -> bool:
        for line in self._lines:
            cells = next((cells for other, cells in splits(line.text) if other == mark), [])
            if len(cells) - (bool(cells) and not cells[-1]) == count and _all_numbers(cells, mark):
                return True
        return False

    def _numbers(self) -> int:
        """How many numbers the latest line of numbers holds; 0 without one."""
        for line in reversed(self._lines):
            for mark, cells in sorted(splits(line.text), key=lambda split: b";\t, ".find(split[0] or b" ")):
                if _all_numbers(cells, mark):
                    return len(cells) - (not cells[-1])
        return 0

    def _likely_unit(self, names: Sequence[str], name: str) -> str:
        """The unit in which a time column runs most nearly with our clock; s where that cannot be told."""
        times: list[tuple[float, float]] = []
        for line in self._lines:
            labels = labelled(line.text)
            options = [(LABELS, labels[1])] if labels else splits(line.text)
            for mark, cells in options:
                if len(cells) >= len(names) and _all_numbers(cells, mark):
                    number = number_in(cells[list(names).index(name)], mark != b",")
                    if number is not None:
                        times.append((line.at_s, number))
                    break
        rate = _rate(times)
        if rate is None:
            return "ms"
        return min(TIME_UNITS_US, key=lambda unit: abs(_decades(rate * TIME_UNITS_US[unit] * 1e-6)))

    def _clock_question(self) -> BoardTextError | None:
        header, rows = self._header, self._rows()
        if header is None or header.time_place is None or (self._said.time and self._said.time[1]):
            return None
        rate = _rate([(at_s, time_us * 1e-6) for at_s, time_us, _ in rows])
        if rate is None or 1 / CLOCK_FACTOR < rate < CLOCK_FACTOR:
            return None
        name = header.names[header.time_place]
        now = next(unit for unit, factor in TIME_UNITS_US.items() if factor == header.time_factor)
        unit = min(TIME_UNITS_US, key=lambda other: abs(_decades(rate * TIME_UNITS_US[other] / header.time_factor)))
        per_s = len(rows) / max(rows[-1][0] - rows[0][0], 1e-9)
        printed_hz = per_s / rate
        time = f"{name}:{unit}"
        return BoardTextError(
            f"{name!r} read in {now} gives {_rounded(printed_hz)} samples/s, but about {_rounded(per_s)} lines arrive "
            f"each second. It is probably in {unit}.",
            time=time,
        )

    def _unit_question(self) -> BoardTextError | None:
        header, rows = self._header, self._rows()
        if header is None or not rows:
            return None
        asked: list[str] = []
        maps: list[str] = []
        for number, (column, place) in enumerate(zip(header.layout.columns, header.places, strict=True)):
            name = header.names[place]
            if any(one.channel == column and one.unit is not None for one in self._said.maps):
                continue  # the operator has said the unit
            values = [row[2][number] for row in rows if row[2][number] != INT64_NULL]
            if not values:
                continue
            channel = BY_NAME[column]
            value = median(map(abs, values)) * channel.si_per_step
            found = self._wrong_unit(channel.si_name, channel.si_unit, value, header.factors[number])
            if found is not None:
                limit, unit = found
                asked.append(
                    f"{name!r} read as {channel.si_name} gives {value:.5g} {channel.si_unit}: {limit}. It is probably "
                    f"in {unit}"
                )
                maps.append(f"{channel.si_name}={name}:{unit}")
        if not maps:
            return None
        return BoardTextError(f"{'. '.join(asked)}.", tuple(maps))

    def _wrong_unit(self, si_name: str, unit: str, value: float, factor: float) -> tuple[str, str] | None:
        """(why a value cannot be, the likely unit); None where it can be."""
        if unit == "V":
            limit, why = self._voltage_limit()
            if value > limit:
                return why, "uV" if value > limit * 1000 else "mV"
            if si_name == "battery_voltage_v" and 0.003 <= value < 0.3 and factor < 1e6:
                return "no battery of a machine has so little", "V"
        elif unit == "A":
            limit, why = self._current_limit(si_name)
            if value > limit:
                return why, "uA" if value > limit * 1000 else "mA"
        elif unit == "µs" and 0.5 <= value <= 3:
            return "command pulses are 1000 to 2000 µs", "ms"
        return None

    def _voltage_limit(self) -> tuple[float, str]:
        battery = self._machine.battery
        nominal = None if battery is None else battery.nominal_voltage_v
        if nominal is not None:
            return VOLTAGE_FACTOR * nominal, f"the machine file's battery has {nominal:g} V"
        return MAX_VOLTAGE_V, "no machine of this kind has so much"

    def _current_limit(self, si_name: str) -> tuple[float, str]:
        place = si_name.partition("_current")[0]
        fuse = self._machine.fuses.get("main" if place == "battery" else place)
        rating = None if fuse is None else fuse.rating_a
        if rating is not None:
            return FUSE_FACTOR * rating, f"more than {FUSE_FACTOR:g} times its {rating:g} A fuse"
        return MAX_CURRENT_A, "no machine of this kind draws so much at the start"


_TEXT = frozenset(b"\t\r\n" + bytes(range(32, 127)))
_EXAMPLE = ("time_ms", "battery_voltage_v", "left_current_a", "right_current_a", "pulse_a_us", "pulse_b_us",
            *(f"skip{number}" for number in range(1, MAX_CELLS)))  # fmt: skip


def _all_numbers(cells: Sequence[bytes], mark: bytes) -> bool:
    found = [number_in(cell, mark != b",") is not None for cell in cells if cell]
    return bool(found) and all(found)


def _rate(times: Sequence[tuple[float, float]]) -> float | None:
    """Units of a time column per second of our clock, from (arrival, reading); None where too little is known."""
    if len(times) < MIN_LINES:
        return None
    first_s = times[0][0]
    # What lay in a buffer arrives together: from the last of these on.
    start = next((place for place, (at_s, _) in enumerate(times) if at_s > first_s), len(times)) - 1
    passed_s, grown = times[-1][0] - first_s, times[-1][1] - times[start][1]
    return grown / passed_s if passed_s >= TEXT_S / 2 and grown > 0 else None


def _rounded(number: float) -> str:
    """One digit: these rates are measured over less than a second."""
    return f"{float(f'{number:.1g}'):g}"


def _decades(ratio: float) -> float:
    return log10(ratio)


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(repr(name) for name in names[:8])
    return shown + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def _shown(line: bytes) -> str:
    """A line as it was read, shortened, without anything that could steer a terminal."""
    text = line.decode("utf-8", "replace")
    text = "".join(letter if letter.isprintable() else "?" for letter in text)
    return f"`{text[:_SHOWN]}{'…' if len(text) > _SHOWN else ''}`"
