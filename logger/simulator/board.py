"""The sensor board as seen by the host: commands in, messages out. It has no port and no clock of its own.

Silent until START. Board time stands still while it is stopped, so a second recording continues where the first one
ended. A message gets its sequence number in `frame`, when it is sent.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from amptally.logger.channels import BY_SI_NAME
from amptally.logger.simulator.drive import CHUNK_MS, STEP_US, Cart, check_interval
from amptally.logger.simulator.sensors import SI_NAMES, WIRE, codes_to_stored, combine
from amptally.logger.wire.frames import (
    MAX_FRAME,
    Command,
    Describe,
    Event,
    EventCode,
    Extreme,
    Extremes,
    FrameError,
    Kind,
    Message,
    Reply,
    Samples,
    decode,
    encode,
    row_dtype,
)

BOARD_ID = 0x5EED_CA27
FIRMWARE = "simulated cart 1"
LAYOUT = 1
DONE, REFUSED = 0, 1
"""Reply.status."""
ROWS_PER_FRAME = 10
SECOND_US = 1_000_000
CLOCK_MASK = 0xFFFF_FFFF
MOST_HOST_MARKS = 20_000
AWAKE_US = 2_300_000
"""Board time at the first START: the board has been on for some time by then."""
CURRENTS = tuple(place for place, name in enumerate(SI_NAMES) if name.endswith("_current_a"))
MARK = SI_NAMES.index("mark")
_DTYPE = row_dtype(WIRE)

Due = tuple[int, Message]
"""A message and the board time in µs at which it is sent."""


class Commands:
    """Splits the bytes from the host into commands, in bounded memory. Anything invalid is dropped and counted."""

    def __init__(self) -> None:
        self._held = bytearray()
        self._skipping = False
        self.dropped = 0

    def feed(self, data: bytes) -> list[Command]:
        """The commands completed by `data`."""
        found = []
        for piece_end in data.split(b"\0")[:-1]:
            body = bytes(self._held) + piece_end
            self._held.clear()
            if self._skipping or len(body) > MAX_FRAME:
                self._skipping = False
                self.dropped += 1
                continue
            if not body:
                continue
            try:
                message = decode(body).message
            except FrameError:
                self.dropped += 1
                continue
            if isinstance(message, Command):
                found.append(message)
            else:
                self.dropped += 1
        rest = data[data.rfind(b"\0") + 1 :]
        if not self._skipping:
            self._held += rest
            if len(self._held) > MAX_FRAME:
                self._held.clear()
                self._skipping = True
        return found


class Board:
    """One cart's board from power-up on."""

    def __init__(self, cart: Cart, *, boot: int = 1, interval_us: int = 2000) -> None:
        self._rows = check_interval(interval_us)
        self._cart = cart
        self._boot = boot
        self._sequence = 0
        self.time_us = AWAKE_US
        """Board time of the next sample, not wrapped."""
        self._started_us = AWAKE_US
        self.running = False
        self._host_marks = 0
        self._seen_marks = 0
        self._reset_extremes()

    def frame(self, message: Message) -> bytes:
        """The bytes of a message, under the next sequence number."""
        sequence = self._sequence
        self._sequence = (sequence + 1) & 0xFFFF
        return encode(message, sequence)

    def obey(self, command: Command) -> tuple[Message, ...]:
        """The board's answer to a command."""
        match command.kind:
            case Kind.IDENTIFY:
                return (self._describe(),)
            case Kind.START:
                if not self.running:  # a host that reconnects must not reset the extremes
                    self.running = True
                    self._started_us = self.time_us
                    self._reset_extremes()
                return self._reply(command, DONE), self._describe()
            case Kind.STOP:
                last = (self._extremes(),) if self.running and self.time_us > self._started_us else ()
                self.running = False
                return *last, self._reply(command, DONE)
            case Kind.SET_RATE:
                try:
                    self._rows = check_interval(command.value)
                except ValueError:
                    return (self._reply(command, REFUSED),)
                return self._reply(command, DONE), self._describe()
            case Kind.MARK:
                self._host_marks = min(self._host_marks + 1, MOST_HOST_MARKS)
                return (self._reply(command, DONE),)
            case _:
                return (self._reply(command, REFUSED),)

    def advance(self) -> list[Due]:
        """The messages of the next CHUNK_MS, in the order in which they are sent."""
        chunk = self._cart.advance()
        chunk.codes[:, MARK] += self._host_marks
        out: list[Due] = []
        since = self.time_us - self._started_us
        if since and since % SECOND_US == 0:
            out.append((self.time_us, self._describe()))
            out.append((self.time_us, self._extremes()))
        self._note_extremes(chunk.codes)
        out += self._samples(combine(chunk.codes, self._rows))
        self.time_us += CHUNK_MS * STEP_US
        for name in chunk.over_range:
            event = Event(self.time_us & CLOCK_MASK, EventCode.OVER_RANGE, BY_SI_NAME[name].wire_id)
            out.append((self.time_us, event))
        return out

    def _samples(self, codes: npt.NDArray[np.int64]) -> list[Due]:
        table = np.empty(len(codes), _DTYPE)
        for place in range(len(WIRE)):
            table[f"c{place}"] = codes[:, place]
        out: list[Due] = []
        interval = self._rows * STEP_US
        for start in range(0, len(codes), ROWS_PER_FRAME):
            rows = table[start : start + ROWS_PER_FRAME]
            first = self.time_us + start * interval
            leaves = first + len(rows) * interval
            out.append((leaves, Samples(LAYOUT, self._boot, first & CLOCK_MASK, interval, rows.tobytes(), len(rows))))
            marks = codes[start : start + ROWS_PER_FRAME, MARK]
            for row in np.flatnonzero(np.diff(marks, prepend=self._seen_marks) > 0):
                at = first + int(row) * interval
                out.append((leaves, Event(at & CLOCK_MASK, EventCode.MARKER, int(marks[row]))))
            self._seen_marks = int(marks[-1])
        return out

    def _reply(self, command: Command, status: int) -> Reply:
        return Reply(command.kind, status, self._rows * STEP_US)

    def _describe(self) -> Describe:
        return Describe(BOARD_ID, self._boot, LAYOUT, self._rows * STEP_US, FIRMWARE, WIRE)

    def _reset_extremes(self) -> None:
        self._minimum: npt.NDArray[np.int64] | None = None
        self._maximum = np.zeros(len(CURRENTS), np.int64)
        self._squares = np.zeros(len(CURRENTS))
        self._conversions = 0

    def _note_extremes(self, codes: npt.NDArray[np.int64]) -> None:
        currents = codes_to_stored(codes)[:, CURRENTS]
        minimum, maximum = currents.min(axis=0), currents.max(axis=0)
        self._minimum = minimum if self._minimum is None else np.minimum(self._minimum, minimum)
        self._maximum = maximum if self._conversions == 0 else np.maximum(self._maximum, maximum)
        self._squares += (currents.astype(np.float64) ** 2).sum(axis=0)
        self._conversions += len(codes)

    def _extremes(self) -> Extremes:
        minimum: Sequence[int] = [] if self._minimum is None else self._minimum.tolist()
        entries = tuple(
            Extreme(WIRE[place].wire_id, low, int(high), round(math.sqrt(square / self._conversions)))
            for place, low, high, square in zip(CURRENTS, minimum, self._maximum, self._squares, strict=False)
        )
        duration_ms = (self.time_us - self._started_us) // 1000
        return Extremes(self.time_us & CLOCK_MASK, duration_ms, entries)
