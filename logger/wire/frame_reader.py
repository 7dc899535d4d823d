"""Frames of docs/wire-format.md in a stream of bytes → sample blocks, messages and faults.

Any split of the stream gives the same samples. Frames that arrive together and in sequence are decoded as a table
(`frame_table.py`), several times as fast; every other frame is decoded on its own.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import numpy as np

from amptally.logger.channels import BY_WIRE_ID
from amptally.logger.wire.blocks import (
    CLOCK_WRAP,
    Block,
    BoardTime,
    Booted,
    Item,
    Layout,
    Message,
    StreamItem,
    Stretch,
    finish_block,
    is_clean,
    known_columns,
    last_time,
    single_items,
)
from amptally.logger.wire.frame_batch import OFFSET, PIECE, SAMPLES, FrameBatch
from amptally.logger.wire.frame_table import FrameTable, Ints, tabulate
from amptally.logger.wire.frames import (
    MAX_FRAME,
    Describe,
    Event,
    EventCode,
    Extremes,
    Fault,
    FrameError,
    Reply,
    Samples,
    decode,
)

RECENT_SEQUENCES = 64
MAX_WAITING_FRAMES = 256
"""Number of samples frames buffered until the describe frame of their layout arrives."""
MAX_LAYOUTS = 32
NEAR_US = 1_000_000
"""A samples frame further ahead than this, and than ten times its own duration, waits for a second to confirm it."""
AGREE_US = 600_000_000
"""The second frame confirms it if it follows within this time. A damaged time is confirmed only by chance."""
TABLE_FRAMES = 8
"""Number of frames from which a table is faster than decoding frame by frame."""
TABLE_BYTES = 16_384
"""Number of bytes fed together from which frames are decoded as a table."""


class FrameReader:
    """Zero-delimited frames, resynchronising at every delimiter."""

    def __init__(self, table_bytes: int = TABLE_BYTES) -> None:
        self._table_bytes = table_bytes
        self.first_valid_end: int | None = None
        """Offset of the end of the first valid frame; None before it."""
        self.newest_version = 0
        """Newest version among valid frames of other versions than ours."""
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
        self._piece = 0
        self._batch = FrameBatch()
        self._batch_layout: Layout | None = None
        self._after: int | None = None
        """Time in µs of the last sample delivered in this boot."""
        self._doubtful: tuple[int, Samples, Layout] | None = None
        """A frame whose time jumps. One in 65,536 damaged frames passes the CRC; its time would shift all others."""
        self._missing: list[Fault] = []
        """Jumps of the sequence number since the last samples: of frames lost, or of a board that started anew."""

    def feed_pieces(self, pieces: Sequence[bytes], number: int = 0) -> list[StreamItem]:
        """Items that the pieces complete, in the order sent; blocks name their pieces, counted from `number`."""
        items: list[StreamItem] = []
        if sum(map(len, pieces)) < self._table_bytes:
            for self._piece, piece in enumerate(pieces, number):
                self._feed_bytes(piece, items)
        else:
            self._feed_table(pieces, number, items)
        self._close_batch(items)
        self._piece = 0
        return items

    def _feed_bytes(self, data: bytes, items: list[StreamItem]) -> None:
        buffer = self._buffer
        buffer += data
        start = 0
        while (end := buffer.find(0, max(start, self._searched))) >= 0:
            self._searched = end + 1
            self._between_zeros(bytes(buffer[start:end]), self._offset, items)
            self._offset += end + 1 - start
            start = end + 1
        del buffer[:start]
        self._keep_rest()

    def _keep_rest(self) -> None:
        """Drop bytes that are already too long for a frame; remember that the rest contains no zero."""
        buffer = self._buffer
        if len(buffer) > MAX_FRAME:
            self._overlong += len(buffer)
            self._offset += len(buffer)
            buffer.clear()
        self._searched = len(buffer)

    def _between_zeros(self, stuffed: bytes, offset: int, items: list[StreamItem]) -> None:
        if self._overlong:
            self._fault("long", offset - self._overlong, self._overlong + len(stuffed), items)
            self._overlong = 0
        elif stuffed:
            self._frame(stuffed, offset, items)

    def _feed_table(self, pieces: Sequence[bytes], number: int, items: list[StreamItem]) -> None:
        edges = len(self._buffer) + np.cumsum([len(piece) for piece in pieces])
        self._buffer += b"".join(pieces)
        size = self._buffer.rfind(0) + 1
        data = bytes(self._buffer[:size])
        del self._buffer[:size]
        if data and self._overlong:
            # The end of a piece that is too long for a frame.
            start = data.index(0) + 1
            self._between_zeros(data[: start - 1], self._offset, items)
            self._offset += start
            data, edges = data[start:], edges - start
        if data:
            table = tabulate(data, NEAR_US)
            piece_of = number + np.searchsorted(edges, table.ends, "right")
            for first, end in table.stretches:
                self._stretch(data, table, piece_of, first, end, items)
            self._offset += len(data)
        self._keep_rest()

    def _stretch(
        self, data: bytes, table: FrameTable, piece_of: Ints, first: int, end: int, items: list[StreamItem]
    ) -> None:
        """Take frames, each of which, except the first, follows the one before."""
        for place in range(first, end):
            offset = self._offset + int(table.starts[place])
            self._piece = int(piece_of[place])
            self._frame(data[table.starts[place] : table.ends[place]], offset, items)
            # If this frame was accepted, with its boot, layout and time, so are those that follow it.
            many = end - place > TABLE_FRAMES and self._batch.ends_with(offset)
            if many and self._take_all(table, piece_of, place + 1, end):
                return

    def _take_all(self, table: FrameTable, piece_of: Ints, first: int, end: int) -> bool:
        """Take the frames that follow the one just taken; False, and no change, where the clock would overrun."""
        heads = table.heads[first - 1 : end]
        times_us = self._clock.unwrap_all(heads["first_us"].astype(np.int64))
        if times_us is None:
            return False
        self._recent.extend(heads["sequence"][1:][-RECENT_SEQUENCES:].tolist())
        offsets, counts = table.starts[first:end] + self._offset, heads["count"][1:]
        fields = (piece_of[first:end], offsets, times_us, heads["interval_us"][1:], counts)
        self._batch.add_all(np.stack(fields, axis=1, dtype=np.int64), table.rows(first, end))
        return True

    def _frame(self, stuffed: bytes, offset: int, items: list[StreamItem]) -> None:
        try:
            frame = decode(stuffed)
        except FrameError as error:
            if error.kind == "version":
                self.newest_version = max(self.newest_version, error.found or 0)
            self._fault("long" if len(stuffed) > MAX_FRAME else error.kind, offset, len(stuffed), items)
            return
        if self.first_valid_end is None:
            self.first_valid_end = offset + len(stuffed)
        self._notice_boot(frame.message, items)
        if not self._in_sequence(frame.sequence, offset, len(stuffed), items):
            return
        match frame.message:
            case Samples():
                self._samples(frame.message, offset, items)
            case Describe():
                self._describe(frame.message, items)
            case Event(code=EventCode.RESET) if self._missing and self._clock.known:
                self._restart(items)
                self._recent.append(frame.sequence)
                self._message(frame.message, items)
            case Extremes() | Event() | Reply():
                self._message(frame.message, items)
            case _:
                self._fault("type", offset, len(stuffed), items)

    def _notice_boot(self, message: object, items: list[StreamItem]) -> None:
        """A changed boot counter restarts sequence and clock. Samples frames carry its low byte."""
        if not isinstance(message, Describe | Samples):
            return
        counter = message.boot & 0xFF
        if self._counter is not None and counter != self._counter:
            self._count_missing(items)
            self._start_boot(items)
        self._counter = counter

    def _start_boot(self, items: list[StreamItem]) -> None:
        self._close_batch(items)
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

    def _in_sequence(self, sequence: int, offset: int, length: int, items: list[StreamItem]) -> bool:
        recent = self._recent
        if recent:
            ahead = (sequence - recent[-1]) & 0xFFFF
            if ahead == 0 or (ahead >= 0x8000 and sequence in recent):
                self._fault("duplicate", offset, length, items)
                return False
            if ahead >= 0x10000 - RECENT_SEQUENCES:
                self._fault("order", offset, length, items)
                return False
            if ahead > 1:
                self._close_batch(items)  # samples from before the missing frames are delivered first
                self._missing.append(Fault("sequence", offset, ahead - 1))
        recent.append(sequence)
        return True

    def _count_missing(self, items: list[StreamItem]) -> None:
        """Count the frames missing before the next samples: their time says that the board did not start anew."""
        items += self._missing
        self._missing.clear()

    def _restart(self, items: list[StreamItem]) -> None:
        """The board started anew under the same boot counter: its sequence number did too, and no frame is missing."""
        if self._missing:
            self._missing.remove(max(self._missing, key=lambda jump: jump.length))
        self._count_missing(items)
        self._start_boot(items)

    def _message(self, message: Message, items: list[StreamItem]) -> None:
        """Deliver a message in its place among the samples, without cutting the block."""
        if self._batch.frames:
            self._batch.add_message(message)
        else:
            items.append(message)

    def _describe(self, board: Describe, items: list[StreamItem]) -> None:
        key = (board.boot & 0xFF, board.layout)
        known = self._layouts.get(key)
        if known is not None and known.board is board and not self._waiting:
            self._message(board, items)
            return
        self._close_batch(items)
        if known is None or known.board is not board:
            if len(self._layouts) >= MAX_LAYOUTS:
                self._layouts.clear()
            self._layouts[key] = _layout(board)
        items.append(board)
        waiting, self._waiting = self._waiting, deque()
        for offset, samples in waiting:
            self._samples(samples, offset, items)

    def _samples(self, samples: Samples, offset: int, items: list[StreamItem]) -> None:
        layout = self._layouts.get((samples.boot, samples.layout))
        if layout is None:
            self._waiting.append((offset, samples))
            if len(self._waiting) > MAX_WAITING_FRAMES:
                late_offset, late = self._waiting.popleft()
                self._fault("layout", late_offset, len(late.rows), items)
            return
        # A frame longer than half a wrap of the clock is rejected: the time of the next one would be ambiguous.
        span_us = samples.count * samples.interval_us
        if len(samples.rows) != samples.count * layout.row_size or span_us > CLOCK_WRAP // 2:
            self._fault("payload", offset, len(samples.rows), items)
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
                self._fault("order", doubtful[0], len(doubtful[1].rows), items)
        if near:
            self._place(offset, samples, layout, items)
        else:
            self._doubtful = (offset, samples, layout)

    def _place(self, offset: int, samples: Samples, layout: Layout, items: list[StreamItem]) -> None:
        first = self._clock.unwrap(samples.first_us)
        if first is None:
            # Earlier: a board without a boot counter has restarted.
            self._restart(items)
            first = self._clock.unwrap(samples.first_us)
            assert first is not None
        self._count_missing(items)
        if self._batch_layout is not layout:
            self._close_batch(items)
            self._batch_layout = layout
        self._batch.add((self._piece, offset, first, samples.interval_us, samples.count), samples.rows)

    def finish(self) -> list[Item]:
        """The frame that was still waiting for confirmation at the end of the stream; nothing contradicted it."""
        items: list[StreamItem] = []
        doubtful, self._doubtful = self._doubtful, None
        if doubtful is not None:
            self._place(*doubtful, items)
        self._count_missing(items)
        self._close_batch(items)
        return single_items(items)

    def _fault(self, kind: str, offset: int, length: int, items: list[StreamItem]) -> None:
        """Report a fault, after the samples of earlier pieces."""
        self._close_earlier(items)
        items.append(Fault(kind, offset, length))

    def _close_earlier(self, items: list[StreamItem]) -> None:
        if not self._batch.frames or (self._batch.first_piece == self._piece and not self._batch.messages):
            return
        layout = self._batch_layout
        self._batch, later = self._batch.cut(self._piece)
        self._close_batch(items)
        if later.frames:
            self._batch, self._batch_layout = later, layout

    def _close_batch(self, items: list[StreamItem]) -> None:
        """Deliver the collected samples frames, all of one layout, as one block. A part ends with its piece of the
        stream and at each message."""
        batch, layout = self._batch, self._batch_layout
        if not batch.frames or layout is None:
            return
        self._batch, self._batch_layout = FrameBatch(), None
        block, frames = batch.read(layout, self._boot), batch.table()
        pieces, offsets = frames[:, PIECE], frames[:, OFFSET]
        parted = np.append(pieces[1:] != pieces[:-1], True)
        parted[[count - 1 for count, _ in batch.messages]] = True
        last = np.flatnonzero(parted)
        ends = np.cumsum(frames[:, SAMPLES])[last]
        messages = tuple((int(np.searchsorted(last, count)), message) for count, message in batch.messages)
        known = known_columns(block)
        if is_clean(known, self._after):
            self._after = int(known.time_us[-1])
            items.append(Stretch(known, pieces[last], ends, messages))
            return
        # Faults are counted for each part.
        first_offsets = iter(offsets[np.append(0, last[:-1] + 1)].tolist())
        for piece, part in Stretch(block, pieces[last], ends, messages).parts():
            if isinstance(part, Block):
                assert piece is not None
                self._finish(part, piece, next(first_offsets), items)
            else:
                items.append(part)

    def _finish(self, block: Block, piece: int, offset: int, items: list[StreamItem]) -> None:
        done = finish_block(block, offset, self._after)
        self._after = last_time(done, self._after)
        items += (Stretch.of(item, piece) if isinstance(item, Block) else item for item in done)


def _layout(board: Describe) -> Layout:
    names = (BY_WIRE_ID[c.wire_id].name if c.wire_id in BY_WIRE_ID else f"unknown_{c.wire_id}" for c in board.channels)
    return Layout(tuple(names), board.interval_us, board, sum(channel.bits // 8 for channel in board.channels))
