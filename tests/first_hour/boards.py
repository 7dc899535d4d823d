"""Boards that print, each in its own way, behind a pseudo-terminal; what each was fed is known to the last line.

Line k was fed with `volts(k)`, `left(k)`, `right(k)` and `pulse(k)`. Boards with a time column print faster than they
measure, so that the tests are quick; the others print in real time.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass


def volts(k: int) -> float:
    return 25.2 - 0.01 * (k % 40)


def left(k: int) -> float:
    return 0.5 + 0.25 * (k % 8)


def right(k: int) -> float:
    return 0.75 + 0.125 * (k % 16)


def pulse(k: int) -> int:
    return 1500 + 5 * (k % 50)


@dataclass(frozen=True)
class PrintingBoard:
    """What it prints."""

    line: Callable[[int], str]
    """Line k, without its end."""
    header: str = ""
    every: int = 0
    """Lines between two headers; 0: only at the start."""
    before: bytes = b""
    """What it sends before anything else."""
    end: str = "\n"
    rate_hz: float = 50.0
    """How often it measures."""
    speed: float = 10.0
    """How much faster than that it prints."""

    def text(self, k: int) -> bytes:
        """What it sends at line k."""
        head = self.before if k == 0 else b""
        if self.header and (k == 0 or (self.every and k % self.every == 0)):
            head += (self.header + self.end).encode()
        return head + (self.line(k) + self.end).encode()


@contextmanager
def plugged_in(board: PrintingBoard) -> Iterator[str]:
    """The board prints until the end; yields its port. It starts when the port is opened, as a board that resets."""
    master, slave = os.openpty()
    tty.setraw(slave)
    over = threading.Event()

    def live() -> None:
        os.set_blocking(master, False)
        opened = False
        while not opened and not over.is_set():
            with contextlib.suppress(BlockingIOError):
                opened = bool(os.read(master, 4096))  # the recorder's first command
            time.sleep(0.002)
        started, k = time.monotonic(), 0
        while not over.is_set():
            if k <= (time.monotonic() - started) * board.rate_hz * board.speed:
                waiting, k = board.text(k), k + 1
                while waiting and not over.is_set():
                    with contextlib.suppress(BlockingIOError):
                        waiting = waiting[os.write(master, waiting) :]
            else:
                time.sleep(0.002)
            with contextlib.suppress(BlockingIOError):
                os.read(master, 4096)

    thread = threading.Thread(target=live, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        over.set()
        thread.join(5)
        os.close(slave)
        os.close(master)
