"""Port → journal, each in a thread of its own.

Bytes reach the journal whatever the rest of the program is doing: decoding a backlog, sealing a segment, or waiting for
a blocked terminal.
"""

from __future__ import annotations

import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator

from amptally.logger.errors import LoggerError, StorageError
from amptally.logger.recording.ports import Port, PortGone
from amptally.logger.storage.journal import JournalWriter, Record

MAX_QUEUED_BYTES = 16 << 20
"""Bound of each queue: twenty minutes of a 115,200 baud line. A faster source is slowed down; nothing is dropped."""
_SMALL_BYTES = 1 << 16
_MAX_TAKEN_BYTES = 1 << 19
_ITEM_BYTES = 200
"""Memory of an item in addition to its bytes."""


def host_us() -> int:
    """The host's monotonic clock in µs: unaffected by steps of the wall clock, and not stopped by sleep."""
    if sys.platform == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000  # time.monotonic stops during sleep
    return time.monotonic_ns() // 1000


class _Queue:
    """A queue between two threads, bounded by bytes."""

    def __init__(self) -> None:
        self._items: deque[tuple[Record | LoggerError, int]] = deque()
        self._bytes = 0
        self._changed = threading.Condition()

    def put(self, item: Record | LoggerError, go_on: Callable[[], bool]) -> None:
        """Add `item`, waiting for room as long as `go_on` returns True. Errors are added at once."""
        cost = _ITEM_BYTES + (len(item.payload) if isinstance(item, Record) else 0)
        with self._changed:
            while self._bytes > MAX_QUEUED_BYTES and isinstance(item, Record) and go_on():
                self._changed.wait(0.1)
            self._items.append((item, cost))
            self._bytes += cost
            self._changed.notify_all()

    def get(self, timeout_s: float) -> Record | LoggerError | None:
        """The next item; None after `timeout_s` without one."""
        with self._changed:
            if not self._items:
                self._changed.wait(timeout_s)
            if not self._items:
                return None
            item, cost = self._items.popleft()
            self._bytes -= cost
            self._changed.notify_all()
            return item

    def take(self, pause_s: float) -> list[Record | LoggerError]:
        """All items up to a bound. If there are few, it waits `pause_s` first, so that batches are not small."""
        if self._bytes < _SMALL_BYTES:
            time.sleep(pause_s)
        taken: list[Record | LoggerError] = []
        with self._changed:
            left = _MAX_TAKEN_BYTES
            while self._items and left > 0:
                item, cost = self._items.popleft()
                taken.append(item)
                self._bytes -= cost
                left -= cost
            self._changed.notify_all()
        return taken


class Capture:
    """Reads one port into one journal. Records are handed on once they are written there."""

    def __init__(self, port: Port, journal: JournalWriter) -> None:
        self._port = port
        self._journal = journal
        self._arrived = _Queue()
        self._written = _Queue()
        self._ending = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True, name="port reader")
        self._writer = threading.Thread(target=self._write, daemon=True, name="journal writer")
        self._reader.start()
        self._writer.start()

    def take(self, pause_s: float) -> list[Record | LoggerError]:
        """The next records, after a pause if there are few; an error that ended the port or the journal comes last."""
        return self._written.take(pause_s)

    def end(self, linger_s: float = 0.0) -> None:
        """Stop reading after `linger_s`; bytes already read are still written. Safe to call twice."""
        if linger_s and not self._ending.is_set():
            self._reader.join(timeout=linger_s)
        self._ending.set()
        self._reader.join(timeout=5)
        self._writer.join(timeout=60)

    def rest(self) -> Iterator[Record]:
        """After `end`: the records that `take` has not returned yet."""
        while (item := self._written.get(0)) is not None:
            if isinstance(item, Record):
                yield item

    def _going_on(self) -> bool:
        return not self._ending.is_set()

    def _read(self) -> None:
        while self._going_on():
            try:
                data = self._port.read()
            except LoggerError as error:
                self._arrived.put(error, self._going_on)
                return
            except Exception as error:  # drivers raise anything: the port is lost, the recording is not
                self._arrived.put(PortGone(f"The port failed: {type(error).__name__}: {error}"), self._going_on)
                return
            if data:
                self._arrived.put(Record("bytes", host_us(), data), self._going_on)

    def _write(self) -> None:
        while True:
            read_all = not self._reader.is_alive()
            item = self._arrived.get(0.05)
            if item is None:
                if read_all:
                    return
                continue
            if isinstance(item, Record):
                try:
                    self._journal.append(item.kind, item.host_us, item.payload)
                except StorageError as error:
                    item = error
            self._written.put(item, self._going_on)
            if isinstance(item, LoggerError):
                return
