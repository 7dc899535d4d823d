"""Text mode of docs/wire-format.md: comma-separated lines under a header line, for a sketch that can only print."""

from __future__ import annotations

import binascii
import re
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
        """Nothing is held back: an incomplete line does not count."""
        return []

    def _line(self, line: bytes, items: list[Item]) -> None:
        text = line.strip()
        if not text or text.startswith(b"#"):
            return
        header = parse_header(text)
        if header is not None:
            if self.first_valid_end is None:
                self.first_valid_end = self._offset + len(line)
            if header != self._header:
                self._close_rows(items)
                self._header = header
            return
        if text.lower().startswith(b"time_"):
            # A damaged header: its lines must not be read under the header before it.
            self._close_rows(items)
            self._header = None
        if self._header is None:
            items.append(Fault("text", self._offset, len(line)))
            return
        row = self._row(self._header, text)
        if isinstance(row, str):
            items.append(Fault(row, self._offset, len(line)))
            return
        raw, values = row
        step = 0 if self._last_raw is None else raw - self._last_raw
        if step < 0:
            step += CLOCK_WRAP * self._header.time_factor
            if step > MAX_WRAP_STEP_US or self._time_us + step > LONGEST_US:
                self._close_rows(items)
                self._boot += 1
                self._after = self._last_raw = None
        self._time_us = raw if self._last_raw is None else self._time_us + step
        self._last_raw = raw
        if not self._rows:
            self._rows_offset = self._offset
        self._rows.append((self._time_us, values))

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
