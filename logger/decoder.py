"""Bytes → sample blocks, messages and faults. No port, clock, thread or log inside.

`BoardDecoder.feed` takes any split of the stream and gives the same samples. It recognises by itself whether the board
sends frames (docs/wire-format.md) or plain text lines: both readers listen until one of them understands something.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np

from logger.blocks import CLOCK_WRAP, BoardTime, Booted, Item, Layout, finish_block, last_time
from logger.channels import BY_WIRE_ID
from logger.frames import (
    MAX_FRAME,
    VERSION,
    Describe,
    Event,
    Extremes,
    Fault,
    FrameError,
    Message,
    Reply,
    Samples,
    decode,
    row_dtype,
    unpack_rows,
)
from logger.textmode import TextReader

RECENT_SEQUENCES = 64
MAX_WAITING_FRAMES = 256
"""Sample frames kept while the describe frame that explains them has not arrived."""
MAX_LAYOUTS = 32
NEAR_US = 1_000_000
"""A samples frame further ahead than this, and than ten times its own length, waits for a second one to bear it out."""
AGREE_US = 600_000_000
"""It does where it follows within this; a time that is damaged has nothing behind it but by chance."""


class FrameReader:
    """Zero-delimited frames, resynchronising at every delimiter."""

    def __init__(self) -> None:
        self.understood = False
        self.newest_version = 0
        """Greatest version of a good frame that is not ours."""
        self._buffer = bytearray()
        self._searched = 0
        self._offset = 0
        self._overlong = 0
        self._recent: deque[int] = deque(maxlen=RECENT_SEQUENCES)
        self._layouts: dict[tuple[int, int], Layout] = {}
        self._counter: int | None = None
        self._boot = 0
        self._clock = BoardTime()
        self._waiting: deque[tuple[int, Samples]] = deque()
        self._run: list[tuple[int, int, Samples]] = []
        """Offset, unwrapped time of the first sample, frame."""
        self._run_layout: Layout | None = None
        self._after: int | None = None
        """Time of the last sample given out in this boot."""
        self._doubtful: tuple[int, Samples, Layout] | None = None
        """A frame whose time jumps: one in 65,536 damaged frames passes the CRC, and its time would move all later."""

    def feed(self, data: bytes) -> list[Item]:
        """Items completed by `data`, in the order they were sent."""
        items: list[Item] = []
        buffer = self._buffer
        buffer += data
        start = 0
        while (end := buffer.find(0, max(start, self._searched))) >= 0:
            self._searched = end + 1
            if self._overlong:
                items.append(Fault("long", self._offset - self._overlong, self._overlong + end - start))
                self._overlong = 0
            elif end > start:
                self._frame(bytes(buffer[start:end]), self._offset, items)
            self._offset += end + 1 - start
            start = end + 1
        del buffer[:start]
        if len(buffer) > MAX_FRAME:
            self._overlong += len(buffer)
            self._offset += len(buffer)
            buffer.clear()
        self._searched = len(buffer)
        self._close_run(items)
        return items

    def _frame(self, stuffed: bytes, offset: int, items: list[Item]) -> None:
        try:
            frame = decode(stuffed)
        except FrameError as error:
            if error.kind == "version":
                self.newest_version = max(self.newest_version, error.found or 0)
            items.append(Fault("long" if len(stuffed) > MAX_FRAME else error.kind, offset, len(stuffed)))
            return
        self.understood = True
        self._notice_boot(frame.message, items)
        if not self._in_sequence(frame.sequence, offset, len(stuffed), items):
            return
        match frame.message:
            case Samples():
                self._samples(frame.message, offset, items)
            case Describe():
                self._describe(frame.message, items)
            case Extremes() | Event() | Reply():
                self._close_run(items)
                items.append(frame.message)
            case _:
                items.append(Fault("type", offset, len(stuffed)))

    def _notice_boot(self, message: Message, items: list[Item]) -> None:
        """A changed boot counter starts sequence and clock anew; sample frames carry its low byte."""
        if not isinstance(message, Describe | Samples):
            return
        counter = message.boot & 0xFF
        if self._counter is not None and counter != self._counter:
            self._start_boot(items)
        self._counter = counter

    def _start_boot(self, items: list[Item]) -> None:
        self._close_run(items)
        items += (Fault("layout", offset, len(samples.rows)) for offset, samples in self._waiting)
        self._waiting.clear()
        if self._doubtful is not None:
            items.append(Fault("order", self._doubtful[0], len(self._doubtful[1].rows)))
            self._doubtful = None
        self._recent.clear()
        self._clock = BoardTime()
        self._boot += 1
        self._after = None
        items.append(Booted(self._boot))

    def _in_sequence(self, sequence: int, offset: int, length: int, items: list[Item]) -> bool:
        recent = self._recent
        if recent:
            ahead = (sequence - recent[-1]) & 0xFFFF
            if ahead == 0 or (ahead >= 0x8000 and sequence in recent):
                items.append(Fault("duplicate", offset, length))
                return False
            if ahead >= 0x10000 - RECENT_SEQUENCES:
                items.append(Fault("order", offset, length))
                return False
            if ahead > 1:
                items.append(Fault("sequence", offset, ahead - 1))
        recent.append(sequence)
        return True

    def _describe(self, board: Describe, items: list[Item]) -> None:
        self._close_run(items)
        columns = tuple(
            BY_WIRE_ID[c.wire_id].name if c.wire_id in BY_WIRE_ID else f"unknown_{c.wire_id}" for c in board.channels
        )
        key = (board.boot & 0xFF, board.layout)
        if len(self._layouts) >= MAX_LAYOUTS:
            self._layouts.clear()
        self._layouts[key] = Layout(columns, board.interval_us, board, row_dtype(board.channels).itemsize)
        items.append(board)
        waiting, self._waiting = self._waiting, deque()
        for offset, samples in waiting:
            self._samples(samples, offset, items)

    def _samples(self, samples: Samples, offset: int, items: list[Item]) -> None:
        layout = self._layouts.get((samples.boot, samples.layout))
        if layout is None:
            self._waiting.append((offset, samples))
            if len(self._waiting) > MAX_WAITING_FRAMES:
                late_offset, late = self._waiting.popleft()
                items.append(Fault("layout", late_offset, len(late.rows)))
            return
        # A stretch of more than half the clock is no stretch: the next frame's time could mean two things.
        span_us = samples.count * samples.interval_us
        if len(samples.rows) != samples.count * layout.row_size or span_us > CLOCK_WRAP // 2:
            items.append(Fault("payload", offset, len(samples.rows)))
            return
        near_us = max(NEAR_US, 10 * span_us)
        near = self._clock.step(samples.first_us) <= near_us
        doubtful, self._doubtful = self._doubtful, None
        if doubtful is not None:
            agree = not near and (samples.first_us - doubtful[1].first_us) % CLOCK_WRAP <= max(AGREE_US, near_us)
            if agree:
                self._place(*doubtful, items)
                near = self._clock.step(samples.first_us) <= near_us
            else:
                items.append(Fault("order", doubtful[0], len(doubtful[1].rows)))
        if near:
            self._place(offset, samples, layout, items)
        else:
            self._doubtful = (offset, samples, layout)

    def _place(self, offset: int, samples: Samples, layout: Layout, items: list[Item]) -> None:
        first = self._clock.unwrap(samples.first_us)
        if first is None:
            # In sequence, yet earlier: a board that counts no boots has started anew.
            self._start_boot(items)
            first = self._clock.unwrap(samples.first_us)
            assert first is not None
        if self._run_layout is not layout:
            self._close_run(items)
            self._run_layout = layout
        self._run.append((offset, first, samples))

    def finish(self) -> list[Item]:
        """What still waited for a witness when the stream ended; nobody spoke against it."""
        items: list[Item] = []
        doubtful, self._doubtful = self._doubtful, None
        if doubtful is not None:
            self._place(*doubtful, items)
            self._close_run(items)
        return items

    def _close_run(self, items: list[Item]) -> None:
        """Turn the sample frames gathered so far, all of one layout, into one block."""
        run, layout = self._run, self._run_layout
        if not run or layout is None or layout.board is None:
            return
        self._run, self._run_layout = [], None
        offset = run[0][0]
        counts = np.array([s.count for *_, s in run])
        # The place of each row in its frame, and what its frame says, for all rows at once.
        place = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        first = np.repeat(np.array([first for _, first, _ in run], np.int64), counts)
        time_us = first + place * np.repeat(np.array([s.interval_us for *_, s in run]), counts)
        rows = b"".join(s.rows for *_, s in run)
        values = unpack_rows(replace(run[0][2], rows=rows, count=len(time_us)), layout.board.channels)
        assert values is not None
        done = finish_block(layout, self._boot, time_us, values, offset, self._after)
        self._after = last_time(done, self._after)
        items += done


class BoardDecoder:
    """Frames or text lines, whichever the board turns out to send."""

    def __init__(self) -> None:
        self._readers: list[FrameReader | TextReader] = [FrameReader(), TextReader()]
        self._held: list[list[Item]] = [[], []]

    @property
    def understood(self) -> bool:
        """Something valid has arrived, so the bytes are what we think they are."""
        return len(self._readers) == 1

    def feed(self, data: bytes) -> list[Item]:
        """Items completed by `data`. Until the format is known nothing but a bounded number of faults is held back."""
        if self.understood:
            return self._readers[0].feed(data)
        for place, reader in enumerate(self._readers):
            self._held[place] += reader.feed(data)
            if reader.understood:
                held = self._held[place]
                self._readers, self._held = [reader], []
                return held
        for place, held in enumerate(self._held):
            self._held[place] = merge_faults(held)
        return []

    @property
    def newer_board(self) -> bool:
        """Good frames have arrived, but of a later version of the wire format."""
        return any(isinstance(reader, FrameReader) and reader.newest_version > VERSION for reader in self._readers)

    def finish(self) -> list[Item]:
        """What was held back when the stream ended."""
        if not self.understood:
            return self._held[0]
        reader = self._readers[0]
        return reader.finish() if isinstance(reader, FrameReader) else []


def merge_faults(items: list[Item], most: int = 1024) -> list[Item]:
    """Bound what endless garbage can pile up: beyond half of `most`, one fault stands for all of its kind."""
    if len(items) <= most:
        return items
    kept, spare = items[: most // 2], items[most // 2 :]
    merged: dict[str, Fault] = {}
    for item in spare:
        if isinstance(item, Fault):
            known = merged.get(item.kind, Fault(item.kind, item.offset, 0, 0))
            merged[item.kind] = replace(known, length=known.length + item.length, count=known.count + item.count)
    return [*kept, *merged.values()]
