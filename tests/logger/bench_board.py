"""A board on the other end of a real pseudo-terminal, driven step by step by a test."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import numpy as np

from amptally.logger.channels import BY_NAME
from amptally.logger.wire.frames import Command, Describe, Kind, Message, Samples, WireChannel, decode, encode

CHANNELS = tuple(
    WireChannel(BY_NAME[name].wire_id, 32, 1, 1, 0, 0, 0)
    for name in ("battery_current_ua", "battery_voltage_uv", "left_current_ua", "right_current_ua")
)
INTERVAL_US = 2_000


@dataclass
class BenchBoard:
    """Speaks wire format 1 over the master side; `path` is what a recorder opens."""

    master: int
    slave: int
    path: str
    boot: int = 1
    sequence: int = 0
    sent: int = 0
    """Samples put into good frames, lost ones included."""
    started: threading.Event = field(default_factory=threading.Event)
    commands: list[Kind] = field(default_factory=list)
    _received: bytes = b""

    def frame(self, message: Message) -> bytes:
        """Encode with the next sequence number."""
        data = encode(message, self.sequence)
        self.sequence += 1
        return data

    def describe(self) -> bytes:
        """A describe frame."""
        return self.frame(Describe(1, self.boot, 1, INTERVAL_US, "bench", CHANNELS))

    def samples(self, count: int = 10) -> bytes:
        """The next samples, at most 50 a frame: battery current counts up in mA, voltage steady at 24 V."""
        if count > 50:
            return self.samples(50) + self.samples(count - 50)
        numbers = np.arange(self.sent, self.sent + count)
        rows = np.stack(
            [numbers * 1000, np.full(count, 24_000_000), np.full(count, 1_000_000), np.full(count, 2_000_000)], axis=1
        )
        message = Samples(1, self.boot, self.sent * INTERVAL_US, INTERVAL_US, rows.astype("<i4").tobytes(), count)
        self.sent += count
        return self.frame(message)

    def write(self, data: bytes) -> None:
        """Put bytes on the line."""
        view = memoryview(data)
        while view:
            view = view[os.write(self.master, view) :]

    def listen(self, timeout_s: float = 0.0) -> None:
        """Take in what the host says."""
        ready, _, _ = select.select([self.master], [], [], timeout_s)
        if not ready:
            return
        self._received += os.read(self.master, 4096)
        *frames, self._received = self._received.split(b"\0")
        for stuffed in frames:
            message = decode(stuffed).message
            assert isinstance(message, Command)
            self.commands.append(message.kind)
            if message.kind is Kind.START:
                self.started.set()

    def wait_for_start(self, timeout_s: float = 120.0) -> None:
        """Until the host has sent START."""
        waited = 0.0
        while not self.started.is_set():
            self.listen(0.05)
            waited += 0.05
            assert waited < timeout_s, "the host never sent START"

    def unplug(self) -> None:
        """Close the line: reading it fails from now on."""
        for handle in (self.slave, self.master):
            if handle >= 0:
                os.close(handle)
        self.master = self.slave = -1


@contextmanager
def bench_board() -> Iterator[BenchBoard]:
    """A board behind a fresh pseudo-terminal."""
    master, slave = os.openpty()
    tty.setraw(slave)
    board = BenchBoard(master, slave, os.ttyname(slave))
    try:
        yield board
    finally:
        board.unplug()
