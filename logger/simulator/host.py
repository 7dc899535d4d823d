"""The other end of the cable: a pseudo-terminal or a loopback socket, served at a chosen multiple of real time."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import time
from collections import deque
from collections.abc import Callable
from typing import Protocol

from amptally.logger.simulator.board import Board, Commands, Due
from amptally.logger.wire.frames import Kind

READ_BYTES = 4096
MOST_PENDING = 32_768
"""Maximum number of bytes waiting for a slow reader; above it the cart waits, so that nothing is dropped."""
MOST_DEBT_S = 1.0
"""Maximum part of a reader's pause that is caught up."""
ABSENT_POLL_S = 0.02
LONGEST_WAIT_S = 0.05
CLOCK_PPM = 35.0
"""Error of the board's crystal, which runs fast."""


class Port(Protocol):
    """One end of a byte stream whose other end a reader may open, close and open again."""

    address: str
    """URL or name that the reader opens."""

    def read(self) -> bytes | None:
        """The bytes that have arrived, perhaps none; None while the other end is not open."""

    def write(self, data: bytes) -> int:
        """Write; return the number of bytes accepted, perhaps 0."""

    def wait(self, seconds: float, writing: bool) -> None:
        """Wait until bytes arrive (or, with `writing`, there is room), for at most `seconds`."""

    def close(self) -> None:
        """Release the port."""


class TerminalPort:
    """The controlling side of a pseudo-terminal in raw mode; raises OSError or ImportError where there is none."""

    def __init__(self) -> None:
        import pty
        import tty

        self._controller, reader = pty.openpty()
        tty.setraw(reader)
        self.address = os.ttyname(reader)
        os.close(reader)
        os.set_blocking(self._controller, False)

    def read(self) -> bytes | None:
        """See Port: a closed far side shows as an I/O error here, on some systems as end of file."""
        try:
            return os.read(self._controller, READ_BYTES) or None
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def write(self, data: bytes) -> int:
        """See Port."""
        try:
            return os.write(self._controller, data)
        except OSError:
            return 0

    def wait(self, seconds: float, writing: bool) -> None:
        """See Port."""
        select.select([self._controller], [self._controller] if writing else [], [], seconds)

    def close(self) -> None:
        """See Port."""
        os.close(self._controller)


class SocketPort:
    """A listening loopback socket that serves one reader at a time."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=1)
        self._listener.setblocking(False)
        self._peer: socket.socket | None = None
        self.address = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def read(self) -> bytes | None:
        """See Port."""
        if self._peer is None:
            try:
                self._peer, _ = self._listener.accept()
            except OSError:
                return None
            self._peer.setblocking(False)
            self._peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            data = self._peer.recv(READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if data:
            return data
        self._peer.close()
        self._peer = None
        return None

    def write(self, data: bytes) -> int:
        """See Port."""
        if self._peer is None:
            return 0
        try:
            return self._peer.send(data)
        except OSError:
            return 0

    def wait(self, seconds: float, writing: bool) -> None:
        """See Port."""
        end = self._peer or self._listener
        select.select([end], [end] if writing and self._peer else [], [], seconds)

    def close(self) -> None:
        """See Port."""
        if self._peer is not None:
            self._peer.close()
        self._listener.close()


def open_port(use_socket: bool) -> Port:
    """A pseudo-terminal; a socket if requested or if the system has no pseudo-terminals."""
    if not use_socket:
        with contextlib.suppress(ImportError, OSError):
            return TerminalPort()
    return SocketPort()


class Pace:
    """Board time that corresponds to now, at `speed` × real time; with speed 0 the board never waits."""

    def __init__(self, speed: float, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._us_per_s = speed * 1e6 * (1.0 + CLOCK_PPM * 1e-6)
        self._base_s = clock()
        self._base_us = 0.0

    def restart(self, board_us: float) -> None:
        """Set the present board time to `board_us`."""
        self._base_s, self._base_us = self._clock(), board_us

    def ahead_s(self, board_us: float) -> float:
        """Seconds until that board time, 0 or negative once it has passed; a long pause of the reader is skipped."""
        if self._us_per_s == 0.0:
            return 0.0
        ahead = (board_us - self._base_us) / self._us_per_s - (self._clock() - self._base_s)
        if ahead < -MOST_DEBT_S:
            self._base_s += -MOST_DEBT_S - ahead
            return -MOST_DEBT_S
        return ahead


class Server:
    """Sends the board's messages to the port when they are due, and the host's commands to the board."""

    def __init__(self, board: Board, port: Port, speed: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._board = board
        self._port = port
        self._pace = Pace(speed, clock)
        self._clock = clock
        self._commands = Commands()
        self._queue: deque[Due] = deque()
        self._pending = bytearray()

    def run(self, linger_s: float, alive: Callable[[], bool]) -> None:
        """Serve until `alive` returns False, or until `linger_s` after the reader has closed the port."""
        came = False
        left_at: float | None = None
        while alive():
            data = self._port.read()
            if data is None:
                now = self._clock()
                if came and left_at is None:
                    left_at = now
                    self._hang_up()
                if left_at is not None and now - left_at > linger_s:
                    return
                time.sleep(ABSENT_POLL_S)
                continue
            if not came or left_at is not None:
                came, left_at = True, None
                self._pace.restart(self._next_us())
            self._obey(data)
            wait_s = self._fill()
            if self._pending:
                del self._pending[: self._port.write(bytes(self._pending))]
            self._port.wait(wait_s, bool(self._pending))

    def _hang_up(self) -> None:
        """Drop the bytes in transit; the cart waits for the next reader."""
        self._pending.clear()
        self._commands = Commands()

    def _next_us(self) -> int:
        return self._queue[0][0] if self._queue else self._board.time_us

    def _obey(self, data: bytes) -> None:
        for command in self._commands.feed(data):
            if command.kind is Kind.STOP:
                self._send(len(self._queue))
            was_running = self._board.running
            for message in self._board.obey(command):
                self._pending += self._board.frame(message)
            if self._board.running and not was_running:
                self._pace.restart(self._board.time_us)

    def _send(self, count: int) -> None:
        for _ in range(count):
            self._pending += self._board.frame(self._queue.popleft()[1])

    def _fill(self) -> float:
        """Frame the messages that are due; return the time until the next one [s]."""
        while self._board.running and len(self._pending) < MOST_PENDING:
            if not self._queue:
                self._queue.extend(self._board.advance())
            ahead_s = self._pace.ahead_s(self._queue[0][0])
            if ahead_s > 0.0:
                return min(ahead_s, LONGEST_WAIT_S)
            self._send(1)
        return LONGEST_WAIT_S
