"""Text mode of docs/wire-format.md: comma-separated lines under a header line, for a sketch that can only print."""

from __future__ import annotations

import binascii
import re
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from amptally.logger.channels import BY_NAME, BY_SI_NAME, TIME_UNITS_US
from amptally.logger.wire.blocks import (
    CLOCK_WRAP,
    LONGEST_US,
    Block,
    Item,
    Layout,
    StreamItem,
    Stretch,
    finish_block,
    last_time,
)
from amptally.logger.wire.frames import INT64_NULL, Fault

MAX_LINE = 1024
MAX_WRAP_STEP_US = 60_000_000
"""Text mode has no boot counter: a step back is a restart if a wrap would mean a longer pause than this."""
JUMP_FACTOR = 2
"""A line jumps if it is later than the one before by more than this many usual intervals, or earlier."""
USUAL_STEPS = 9
"""Number of intervals whose median is the usual one."""
CLOSE_FACTOR = 10
"""A line within this many usual intervals of the last one accepted contradicts one that jumped over or behind it."""
NEAR_US = 1_000_000
"""The same while no interval is known yet."""
AGREE_US = 600_000_000
"""A restart of the board is one if the next line follows within this time."""
_MICROSECONDS = {f"time_{unit}": factor_us for unit, factor_us in TIME_UNITS_US.items()}
_NUMBER = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Header:
    """The columns of the following lines."""

    time_factor: int
    """Microseconds per unit of the time column."""
    layout: Layout
    factors: tuple[float, ...]
    """Storage steps per printed unit of each column."""
    checked: bool
    """Each line ends in a CRC."""


def parse_header(line: bytes) -> Header | None:
    """The header in `line`; None where it is not one."""
    names = line.decode("ascii", "replace").strip().lower().split(",")
    names = [name.strip() for name in names]
    if names[0] not in _MICROSECONDS:
        return None
    checked = names[-1] == "crc"
    columns = names[1 : len(names) - checked]
    factors = []
    for name in columns:
        channel = BY_NAME.get(name) or BY_SI_NAME.get(name)
        if channel is None:
            return None
        factors.append(1.0 if name == channel.name else 1.0 / channel.si_per_step)
    stored = tuple((BY_NAME.get(name) or BY_SI_NAME[name]).name for name in columns)
    if not stored or len(set(stored)) != len(stored):
        return None
    return Header(_MICROSECONDS[names[0]], Layout(stored, 0, None), tuple(factors), checked)


@dataclass(frozen=True, slots=True)
class _Line:
    """A data line."""

    offset: int
    length: int
    raw_us: int
    """Its time, wrapped."""
    values: list[int]


class TextReader:
    """Lines of numbers, resynchronising at every line end."""

    def __init__(self) -> None:
        self.first_valid_end: int | None = None
        """Offset of the end of the first header; None before it."""
        self._buffer = bytearray()
        self._offset = 0
        self._skipped = 0
        """Number of bytes of an over-long line already dropped."""
        self._header: Header | None = None
        self._last_raw: int | None = None
        self._time_us = 0
        self._boot = 0
        self._rows: list[tuple[int, list[int]]] = []
        self._rows_offset = 0
        self._after: int | None = None
        """Time of the last row delivered in this boot."""
        self._steps: deque[int] = deque(maxlen=USUAL_STEPS)
        """The latest intervals between lines accepted."""
        self._doubtful: _Line | None = None
        """A line whose time jumps: without a CRC one wrong digit would move all that follow."""

    def feed(self, data: bytes) -> list[Item]:
        """Items completed by `data`, in the order they were sent."""
        items: list[Item] = []
        self._buffer += data
        *lines, rest = bytes(self._buffer).split(b"\n")
        for line in lines:
            if self._skipped + len(line) > MAX_LINE:
                items.append(Fault("long", self._offset - self._skipped, self._skipped + len(line)))
                self._skipped = 0
            else:
                self._line(line, items)
            self._offset += len(line) + 1
        if self._skipped + len(rest) > MAX_LINE:
            self._skipped += len(rest)
            self._offset += len(rest)
            rest = b""
        self._buffer = bytearray(rest)
        self._close_rows(items)
        return items

    def feed_pieces(self, pieces: Sequence[bytes], number: int = 0) -> list[StreamItem]:
        """Items from `feed` for each piece in turn, counted from `number`; each block names its piece."""
        return [
            Stretch.of(item, place) if isinstance(item, Block) else item
            for place, piece in enumerate(pieces, number)
            for item in self.feed(piece)
        ]

    def finish(self) -> list[Item]:
        """The line that was still waiting for the next one; nothing contradicted it. An incomplete line is none."""
        items: list[Item] = []
        self._accept_doubtful(items)
        self._close_rows(items)
        return items

    def _line(self, line: bytes, items: list[Item]) -> None:
        text = line.strip()
        if not text or text.startswith(b"#"):
            return
        header = parse_header(text)
        if header is not None:
            if self.first_valid_end is None:
                self.first_valid_end = self._offset + len(line)
            if header != self._header:
                self._end_header(items)
                self._header = header
            return
        if text.lower().startswith(b"time_"):
            # A damaged header: its lines must not be read under the header before it.
            self._end_header(items)
            self._header = None
        if self._header is None:
            items.append(Fault("text", self._offset, len(line)))
            return
        row = self._row(self._header, text)
        if isinstance(row, str):
            items.append(Fault(row, self._offset, len(line)))
            return
        self._judge(_Line(self._offset, len(line), *row), items)

    def _judge(self, line: _Line, items: list[Item]) -> None:
        """Accept a line, or hold it where its time jumps, until the next one agrees with it or contradicts it."""
        follows = False
        if self._doubtful is not None:
            follows = self._contradicts(line, self._doubtful)
            if not follows and self._agrees(line, self._doubtful):
                self._accept_doubtful(items)
            else:
                items.append(Fault("order", self._doubtful.offset, self._doubtful.length))
                self._doubtful = None
        if follows or self._last_raw is None or self._within(self._last_raw, line, JUMP_FACTOR * self._usual_us()):
            self._accept(line, items)
        else:
            self._doubtful = line

    def _contradicts(self, line: _Line, doubtful: _Line) -> bool:
        """Whether a line follows the last one accepted closely, and lies before the one that jumped."""
        assert self._last_raw is not None
        ahead = self._step(self._last_raw, doubtful.raw_us)
        limit_us = CLOSE_FACTOR * self._usual_us() if self._steps else NEAR_US
        return self._within(self._last_raw, line, limit_us if ahead is None else min(limit_us, ahead - 1))

    def _agrees(self, line: _Line, doubtful: _Line) -> bool:
        """Whether a line goes on from one that jumped: later, and soon after one that shows a restart."""
        assert self._last_raw is not None
        restart = self._step(self._last_raw, doubtful.raw_us) is None
        return self._within(doubtful.raw_us, line, AGREE_US if restart else LONGEST_US)

    def _within(self, before_us: int, line: _Line, limit_us: int) -> bool:
        step = self._step(before_us, line.raw_us)
        return step is not None and step <= limit_us

    def _usual_us(self) -> int:
        return sorted(self._steps)[len(self._steps) // 2] if self._steps else 0

    def _step(self, before_us: int, raw_us: int) -> int | None:
        """Time from one reading to a later one, over a wrap of the counter too; None where the board started anew."""
        assert self._header is not None
        step = raw_us - before_us
        if step < 0:
            step += CLOCK_WRAP * self._header.time_factor
            return step if step <= MAX_WRAP_STEP_US else None
        return step

    def _accept_doubtful(self, items: list[Item]) -> None:
        doubtful, self._doubtful = self._doubtful, None
        if doubtful is not None:
            self._accept(doubtful, items)

    def _accept(self, line: _Line, items: list[Item]) -> None:
        step = None if self._last_raw is None else self._step(self._last_raw, line.raw_us)
        if step is not None and self._time_us + step <= LONGEST_US:
            self._time_us += step
            self._steps.append(step)
        else:
            if self._last_raw is not None:
                self._close_rows(items)
                self._boot += 1
                self._after = None
            self._time_us = line.raw_us
        self._last_raw = line.raw_us
        if not self._rows:
            self._rows_offset = line.offset
        self._rows.append((self._time_us, line.values))

    def _end_header(self, items: list[Item]) -> None:
        """Deliver the lines under the present header: a line that jumps finds no next one under it."""
        self._accept_doubtful(items)
        self._close_rows(items)

    def _row(self, header: Header, text: bytes) -> tuple[int, list[int]] | str:
        """Wrapped time in µs and storage values, or the kind of fault."""
        if header.checked:
            text, _, crc = text.rpartition(b",")
            if len(crc) != 4 or f"{binascii.crc_hqx(text, 0xFFFF):04x}".encode() != crc.lower():
                return "crc"
        fields = [field.strip() for field in text.split(b",")]
        if len(fields) != len(header.factors) + 1 or not _NUMBER.fullmatch(fields[0]):
            return "text"
        values = []
        for field, factor in zip(fields[1:], header.factors, strict=True):
            if not field:
                values.append(INT64_NULL)
            elif _NUMBER.fullmatch(field) and abs(value := float(field) * factor) < 2**62:
                values.append(round(value))
            else:
                return "text"
        time = float(fields[0]) * header.time_factor
        return (round(time), values) if 0 <= time < CLOCK_WRAP * header.time_factor else "text"

    def _close_rows(self, items: list[Item]) -> None:
        rows, header = self._rows, self._header
        if not rows or header is None:
            return
        self._rows = []
        time_us = np.array([time for time, _ in rows], np.int64)
        values = np.array([values for _, values in rows], np.int64).reshape(len(rows), -1)
        done = finish_block(Block(header.layout, self._boot, time_us, values), self._rows_offset, self._after)
        self._after = last_time(done, self._after)
        items += done
