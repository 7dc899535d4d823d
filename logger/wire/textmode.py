"""Text mode of docs/wire-format.md: lines of numbers under a header line, for a sketch that can only print."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from amptally.logger.wire.blocks import (
    CLOCK_WRAP,
    LONGEST_US,
    Block,
    Item,
    StreamItem,
    Stretch,
    finish_block,
    last_time,
)
from amptally.logger.wire.frames import Fault
from amptally.logger.wire.text_header import (
    NOTHING_SAID,
    Header,
    Said,
    cells_of,
    columns_header,
    labelled,
    labels_header,
    parse_header,
)

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
_BEGINS_A_NUMBER = b"+-.,;0123456789"


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

    def __init__(self, said: Said = NOTHING_SAID) -> None:
        """`said`: what the operator says about the lines."""
        self._said = said
        self.first_valid_end: int | None = None
        """Offset of the end of the first header, or of the first line that needs none; None before it."""
        self._buffer = bytearray()
        self._offset = 0
        self._skipped = 0
        """Number of bytes of an over-long line already dropped."""
        self._header: Header | None = None
        self._labelled = False
        """The lines name their own values: the header is made of their labels."""
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

    @property
    def header(self) -> Header | None:
        """How lines are read at present."""
        return self._header

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
        if self._header is None or self._labelled or text[0] not in _BEGINS_A_NUMBER:
            row = self._names(line, text, items)
            if row is None:
                return
        else:
            row = self._header.row(text)
        if isinstance(row, str):
            items.append(Fault(row, self._offset, len(line)))
            return
        assert self._header is not None
        found = _Line(self._offset, len(line), *row)
        if self._header.time_place is None:
            self._count(found)
        else:
            self._judge(found, items)

    def _names(self, line: bytes, text: bytes, items: list[Item]) -> tuple[int, list[int]] | str | None:
        """A line that may bring names: its row or the kind of fault, as `Header.row`; None where it holds no data."""
        if self._said.columns:
            if self._header is None:
                self._take(columns_header(text, self._said), line, items)
            return "text" if self._header is None else self._header.row(text)
        header = None if self._labelled else parse_header(text, self._said)
        if header is not None:
            self._take(header, line, items)
            return None
        labels = labelled(text)
        header = None if labels is None else labels_header(labels[0], self._said)
        if labels is not None and header is not None and (self._labelled or self._header is None):
            self._labelled = True
            self._take(header, line, items)
            return header.read(labels[1])
        if self._header is not None and not self._labelled and self._spoils(text, self._header):
            self._end_header(items)
            self._header = None
        return "text" if self._header is None or self._labelled else self._header.row(text)

    @staticmethod
    def _spoils(text: bytes, header: Header) -> bool:
        """Whether this is a damaged header: its lines must not be read under the header before it."""
        first = cells_of(text, header.separator)[:1]
        return text.lower().startswith(b"time_") or first == [header.names[0].encode()]

    def _take(self, header: Header | None, line: bytes, items: list[Item]) -> None:
        if header is None:
            return
        if self.first_valid_end is None:
            self.first_valid_end = self._offset + len(line)
        if header != self._header:
            self._end_header(items)
            if self._header is not None and self._header.layout.timed != header.layout.timed:
                self._boot, self._after, self._last_raw, self._time_us = self._boot + 1, None, None, 0
            self._header = header

    def _count(self, line: _Line) -> None:
        """Take a line without a time: it is numbered."""
        if not self._rows:
            self._rows_offset = line.offset
        self._time_us += 1
        self._rows.append((self._time_us, line.values))

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
