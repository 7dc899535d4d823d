"""Frames of docs/wire-format.md in a stream of bytes → sample blocks, messages and faults.

`feed` takes any split of the stream and gives the same samples. `feed_pieces` gives what `feed` gives for one piece
after the other, several times as fast where frames follow one another as they should (`frame_table.py`); every other
frame goes through the same hands as ever.
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
    Stretch,
    finish_block,
    goes_on_well,
    known_columns,
    last_time,
)
from amptally.logger.wire.frame_table import FrameTable, Ints, tabulate
from amptally.logger.wire.frames import (
    MAX_FRAME,
    Describe,
    Event,
    Extremes,
    Fault,
    FrameError,
    Reply,
    Samples,
    decode,
)
from amptally.logger.wire.gathered import OFFSET, PIECE, SAMPLES, Gathered

RECENT_SEQUENCES = 64
MAX_WAITING_FRAMES = 256
"""Sample frames kept while the describe frame that explains them has not arrived."""
MAX_LAYOUTS = 32
NEAR_US = 1_000_000
"""A samples frame further ahead than this, and than ten times its own length, waits for a second one to bear it out."""
AGREE_US = 600_000_000
"""It does where it follows within this; a time that is damaged has nothing behind it but by chance."""
LEAST_STRETCH = 8
"""Frames from which a table is faster than one frame after the other."""
LEAST_TABLE_BYTES = 16_384


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
        self._piece = 0
        self._run = Gathered()
        self._run_layout: Layout | None = None
        self._after: int | None = None
        """Time of the last sample given out in this boot."""
        self._doubtful: tuple[int, Samples, Layout] | None = None
        """A frame whose time jumps: one in 65,536 damaged frames passes the CRC, and its time would move all later."""

    def feed(self, data: bytes) -> list[Item]:
        """Items completed by `data`, in the order they were sent."""
        return _told(self.feed_pieces([data]))

    def feed_pieces(self, pieces: Sequence[bytes], number: int = 0) -> list[Item | Stretch]:
        """What `feed` gives for one piece after the other, counted from `number`; blocks say which they came in."""
        items: list[Item | Stretch] = []
        if sum(map(len, pieces)) < LEAST_TABLE_BYTES:
            for self._piece, piece in enumerate(pieces, number):
                self._feed_bytes(piece, items)
        else:
            self._feed_table(pieces, number, items)
        self._close_run(items)
        self._piece = 0
        return items

    def _feed_bytes(self, data: bytes, items: list[Item | Stretch]) -> None:
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
        """Let go what is too long for a frame already; remember that no zero is in the rest."""
        buffer = self._buffer
        if len(buffer) > MAX_FRAME:
            self._overlong += len(buffer)
            self._offset += len(buffer)
            buffer.clear()
        self._searched = len(buffer)

    def _between_zeros(self, stuffed: bytes, offset: int, items: list[Item | Stretch]) -> None:
        if self._overlong:
            self._blame("long", offset - self._overlong, self._overlong + len(stuffed), items)
            self._overlong = 0
        elif stuffed:
            self._frame(stuffed, offset, items)

    def _feed_table(self, pieces: Sequence[bytes], number: int, items: list[Item | Stretch]) -> None:
        edges = len(self._buffer) + np.cumsum([len(piece) for piece in pieces])
        self._buffer += b"".join(pieces)
        size = self._buffer.rfind(0) + 1
        data = bytes(self._buffer[:size])
        del self._buffer[:size]
        if data and self._overlong:
            # The end of what is no frame in any case.
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
        self, data: bytes, table: FrameTable, piece_of: Ints, first: int, end: int, items: list[Item | Stretch]
    ) -> None:
        """Frames each of which, but the first, follows the one before."""
        for place in range(first, end):
            offset = self._offset + int(table.starts[place])
            self._piece = int(piece_of[place])
            self._frame(data[table.starts[place] : table.ends[place]], offset, items)
            # Where it was taken, in this boot and layout and at its time, those after it are too.
            many = end - place > LEAST_STRETCH and self._run.ends_with(offset)
            if many and self._take_all(table, piece_of, place + 1, end):
                return

    def _take_all(self, table: FrameTable, piece_of: Ints, first: int, end: int) -> bool:
        """Take frames that follow the one just taken; False, and nothing done, where the clock would run too long."""
        heads = table.heads[first - 1 : end]
        times_us = self._clock.unwrap_all(heads["first_us"].astype(np.int64))
        if times_us is None:
            return False
        self._recent.extend(heads["sequence"][1:][-RECENT_SEQUENCES:].tolist())
        offsets, counts = table.starts[first:end] + self._offset, heads["count"][1:]
        fields = (piece_of[first:end], offsets, times_us, heads["interval_us"][1:], counts)
        self._run.add_all(np.stack(fields, axis=1, dtype=np.int64), table.rows(first, end))
        return True

    def _frame(self, stuffed: bytes, offset: int, items: list[Item | Stretch]) -> None:
        try:
            frame = decode(stuffed)
        except FrameError as error:
            if error.kind == "version":
                self.newest_version = max(self.newest_version, error.found or 0)
            self._blame("long" if len(stuffed) > MAX_FRAME else error.kind, offset, len(stuffed), items)
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
                self._say(frame.message, items)
            case _:
                self._blame("type", offset, len(stuffed), items)

    def _notice_boot(self, message: object, items: list[Item | Stretch]) -> None:
        """A changed boot counter starts sequence and clock anew; sample frames carry its low byte."""
        if not isinstance(message, Describe | Samples):
            return
        counter = message.boot & 0xFF
        if self._counter is not None and counter != self._counter:
            self._start_boot(items)
        self._counter = counter

    def _start_boot(self, items: list[Item | Stretch]) -> None:
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

    def _in_sequence(self, sequence: int, offset: int, length: int, items: list[Item | Stretch]) -> bool:
        recent = self._recent
        if recent:
            ahead = (sequence - recent[-1]) & 0xFFFF
            if ahead == 0 or (ahead >= 0x8000 and sequence in recent):
                self._blame("duplicate", offset, length, items)
                return False
            if ahead >= 0x10000 - RECENT_SEQUENCES:
                self._blame("order", offset, length, items)
                return False
            if ahead > 1:
                self._close_run(items)  # what came before the frames that are missing is told before it
                items.append(Fault("sequence", offset, ahead - 1))
        recent.append(sequence)
        return True

    def _say(self, message: Message, items: list[Item | Stretch]) -> None:
        """Tell a message in its place among the samples, which need not be cut for it."""
        if self._run.frames:
            self._run.say(message)
        else:
            items.append(message)

    def _describe(self, board: Describe, items: list[Item | Stretch]) -> None:
        key = (board.boot & 0xFF, board.layout)
        known = self._layouts.get(key)
        if known is not None and known.board is board and not self._waiting:
            self._say(board, items)
            return
        self._close_run(items)
        if known is None or known.board is not board:
            if len(self._layouts) >= MAX_LAYOUTS:
                self._layouts.clear()
            self._layouts[key] = _layout(board)
        items.append(board)
        waiting, self._waiting = self._waiting, deque()
        for offset, samples in waiting:
            self._samples(samples, offset, items)

    def _samples(self, samples: Samples, offset: int, items: list[Item | Stretch]) -> None:
        layout = self._layouts.get((samples.boot, samples.layout))
        if layout is None:
            self._waiting.append((offset, samples))
            if len(self._waiting) > MAX_WAITING_FRAMES:
                late_offset, late = self._waiting.popleft()
                self._blame("layout", late_offset, len(late.rows), items)
            return
        # A stretch of more than half the clock is no stretch: the next frame's time could mean two things.
        span_us = samples.count * samples.interval_us
        if len(samples.rows) != samples.count * layout.row_size or span_us > CLOCK_WRAP // 2:
            self._blame("payload", offset, len(samples.rows), items)
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
                self._blame("order", doubtful[0], len(doubtful[1].rows), items)
        if near:
            self._place(offset, samples, layout, items)
        else:
            self._doubtful = (offset, samples, layout)

    def _place(self, offset: int, samples: Samples, layout: Layout, items: list[Item | Stretch]) -> None:
        first = self._clock.unwrap(samples.first_us)
        if first is None:
            # In sequence, yet earlier: a board that counts no boots has started anew.
            self._start_boot(items)
            first = self._clock.unwrap(samples.first_us)
            assert first is not None
        if self._run_layout is not layout:
            self._close_run(items)
            self._run_layout = layout
        self._run.add((self._piece, offset, first, samples.interval_us, samples.count), samples.rows)

    def finish(self) -> list[Item]:
        """What still waited for a witness when the stream ended; nobody spoke against it."""
        items: list[Item | Stretch] = []
        doubtful, self._doubtful = self._doubtful, None
        if doubtful is not None:
            self._place(*doubtful, items)
            self._close_run(items)
        return _told(items)

    def _blame(self, kind: str, offset: int, length: int, items: list[Item | Stretch]) -> None:
        """Count a fault; samples of earlier pieces are told before it."""
        self._close_earlier(items)
        items.append(Fault(kind, offset, length))

    def _close_earlier(self, items: list[Item | Stretch]) -> None:
        if not self._run.frames or (self._run.first_piece == self._piece and not self._run.said):
            return
        layout = self._run_layout
        self._run, later = self._run.cut(self._piece)
        self._close_run(items)
        if later.frames:
            self._run, self._run_layout = later, layout

    def _close_run(self, items: list[Item | Stretch]) -> None:
        """Turn the sample frames gathered so far, all of one layout, into one block with its parts: what is of one
        piece of the stream, with no message in between."""
        run, layout = self._run, self._run_layout
        if not run.frames or layout is None:
            return
        self._run, self._run_layout = Gathered(), None
        block, frames = run.read(layout, self._boot), run.table()
        pieces, offsets = frames[:, PIECE], frames[:, OFFSET]
        parted = np.append(pieces[1:] != pieces[:-1], True)
        parted[[count - 1 for count, _ in run.said]] = True
        last = np.flatnonzero(parted)
        ends = np.cumsum(frames[:, SAMPLES])[last]
        said = tuple((int(np.searchsorted(last, count)), message) for count, message in run.said)
        known = known_columns(block)
        if goes_on_well(known, self._after):
            self._after = int(known.time_us[-1])
            items.append(Stretch(known, pieces[last], ends, said))
            return
        # What is wrong in it is counted for each part.
        first_offsets = iter(offsets[np.append(0, last[:-1] + 1)].tolist())
        for piece, part in Stretch(block, pieces[last], ends, said).parts():
            if isinstance(part, Block) and piece is not None:
                self._finish(part, piece, next(first_offsets), items)
            else:
                items.append(part)

    def _finish(self, block: Block, piece: int, offset: int, items: list[Item | Stretch]) -> None:
        done = finish_block(block, offset, self._after)
        self._after = last_time(done, self._after)
        items += (Stretch.of(item, piece) if isinstance(item, Block) else item for item in done)


def _told(items: list[Item | Stretch]) -> list[Item]:
    """The same with each part of a stretch as an item."""
    told: list[Item] = []
    for item in items:
        if isinstance(item, Stretch):
            told += [part for _, part in item.parts()]
        else:
            told.append(item)
    return told


def _layout(board: Describe) -> Layout:
    names = (BY_WIRE_ID[c.wire_id].name if c.wire_id in BY_WIRE_ID else f"unknown_{c.wire_id}" for c in board.channels)
    return Layout(tuple(names), board.interval_us, board, sum(channel.bits // 8 for channel in board.channels))
