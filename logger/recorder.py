"""One recording: port → journal → decoder → observers, and at the end the run file.

A thread only reads the port, so that neither a slow disk nor sealing a segment can overflow the system's buffer.
"""

from __future__ import annotations

import contextlib
import queue
import secrets
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.builder import Observer, RunBuilder, program_version
from logger.errors import LoggerError, PortError, StorageError
from logger.frames import Command, Kind, encode
from logger.journal import JournalReader, JournalWriter, Record
from logger.lock import PortLock
from logger.machine import Machine
from logger.metadata import SCHEMA
from logger.ports import Port, PortEnded, PortGone, open_port
from logger.progress import Progress, Status
from logger.recovery import run_header

RETRY_S = 600.0
"""How long an unplugged port is waited for."""
_BACK_OFF_S = (0.2, 0.5, 1.0, 2.0, 5.0)
_ASK_AGAIN_S = 1.0
SILENT_S = 10.0
DISK_WARN_BYTES = 500 << 20
DISK_STOP_BYTES = 100 << 20
_QUEUE_ITEMS = 4096


@dataclass(frozen=True, slots=True)
class Options:
    """What the operator asked for."""

    port: str
    baud: int
    out: Path
    machine: Machine
    for_s: float | None = None
    """Run time after which to stop by itself."""
    notes: tuple[str, ...] = ()
    rested_h: float | None = None
    start_charge: float | None = None
    keep_journal: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a recording came to."""

    path: Path | None
    """The run file; None where no sample arrived."""
    journal: Path | None
    """The journal where it was kept."""
    exit_code: int
    stop_reason: str


class Stop(Exception):  # noqa: N818 (the normal end of a recording)
    """Ends the loop; carries the reason and the exit code."""

    def __init__(self, reason: str, exit_code: int) -> None:
        super().__init__(reason)
        self.reason = reason
        self.exit_code = exit_code


def host_us() -> int:
    """The host's monotonic clock."""
    return time.monotonic_ns() // 1000


def new_run_id() -> str:
    """A name that sorts by time and does not collide; says nothing of who recorded where."""
    return f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}-{secrets.token_hex(2)}"


class _Reader(threading.Thread):
    """Puts (arrival, bytes) into a bounded queue; the exception that ended it comes last."""

    def __init__(self, port: Port) -> None:
        super().__init__(daemon=True, name="port reader")
        self.arrived: queue.Queue[tuple[int, bytes | LoggerError]] = queue.Queue(_QUEUE_ITEMS)
        self._port = port
        self._ended = threading.Event()

    def run(self) -> None:
        while not self._ended.is_set():
            try:
                data: bytes | LoggerError = self._port.read()
            except LoggerError as error:
                data = error
            if data:
                self._put(data)
            if not isinstance(data, bytes):
                return

    def _put(self, data: bytes | LoggerError) -> None:
        """Waits where the queue is full, so that a fast source is slowed down, not cut."""
        item = (host_us(), data)
        while not self._ended.is_set():
            with contextlib.suppress(queue.Full):
                self.arrived.put(item, timeout=0.2)
                return

    def end(self) -> None:
        self._ended.set()
        self.join(timeout=5)


class Recorder:
    """Records one run. `run` returns when it is written."""

    def __init__(
        self,
        options: Options,
        *,
        observers: tuple[Observer, ...] = (),
        on_status: Callable[[Status], None] = lambda _: None,
        say: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._options = options
        self._on_status = on_status
        self._say = say
        self._run_id = new_run_id()
        self._stop_signal: int | None = None
        self._observers = observers
        self._sequence = 0
        self._said: set[str] = set()

    def run(self) -> Outcome:
        """Record until told to stop. Raises PortError before anything was recorded, StorageError where none can be."""
        options = self._options
        try:
            options.out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StorageError(
                f"Cannot make the folder {options.out}: {error.strerror}. Name another with --out."
            ) from error
        journal_path = options.out / f"{self._run_id}.journal"
        lock = PortLock(options.port, journal_path)
        with self._signals():
            try:
                port = open_port(options.port, options.baud)
                try:
                    journal = JournalWriter(journal_path, self._header())
                except StorageError:
                    port.close()
                    raise
                return self._record(port, journal)
            finally:
                lock.release()

    def _header(self) -> dict[str, Any]:
        options = self._options
        return {
            "schema": SCHEMA,
            "program": program_version(),
            "run_id": self._run_id,
            "utc": datetime.now(UTC).isoformat(timespec="microseconds"),
            "host_us": host_us(),
            "machine": options.machine.text,
            "for_s": options.for_s,
            "notes": list(options.notes),
            "rested_h": options.rested_h,
            "start_charge": options.start_charge,
        }

    @contextlib.contextmanager
    def _signals(self) -> Iterator[None]:
        """Ctrl-C, SIGTERM and a closed terminal ask the loop to stop; the run is kept."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return

        def ask(number: int, frame: object) -> None:  # noqa: ARG001 (the form that signal needs)
            self._stop_signal = number

        names = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
        before = {number: signal.signal(number, ask) for number in names}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _record(self, port: Port, journal: JournalWriter) -> Outcome:
        options = self._options
        limit = None if options.for_s is None else round(options.for_s * 1e6)
        builder = RunBuilder(options.out, self._run_id, limit_us=limit, observers=self._observers)
        stop = Stop("lost", 4)
        try:
            self._follow(port, journal, builder)
        except Stop as reached:
            stop = reached
        except StorageError as error:
            self._say(str(error))
            stop = Stop("disk full or not writable", 5)
        with contextlib.suppress(StorageError):
            journal.note(host_us(), what="stop", reason=stop.reason)
            journal.close()
        return self._finish(builder, journal, stop)

    def _follow(self, port: Port, journal: JournalWriter, builder: RunBuilder) -> None:
        """The loop; leaves only by raising Stop or StorageError."""
        opened = time.monotonic()
        progress = Progress(opened)
        reader = self._start(port)
        try:
            while True:
                try:
                    arrived, data = reader.arrived.get(timeout=0.05)
                except queue.Empty:
                    data = b""
                    arrived = host_us()
                if isinstance(data, PortEnded):
                    raise Stop("source ended", 0)
                if isinstance(data, LoggerError):
                    reader.end()
                    port.close()
                    self._say(f"{data} Waiting up to ten minutes for it to come back; what was recorded is kept.")
                    self._note(journal, builder, what="unplugged")
                    port = self._reopen(journal)
                    self._note(journal, builder, what="reopened")
                    reader = self._start(port)
                elif data:
                    record = Record("bytes", arrived, data)
                    journal.append(record.kind, record.host_us, record.payload)
                    builder.accept(record)
                else:
                    journal.sync_if_due()
                if builder.samples == 0 and progress.due("ask", _ASK_AGAIN_S):
                    self._send(port, Kind.START)
                if progress.due("status", 0.25):
                    self._on_status(progress.status(builder, journal))
                    self._watch(progress, journal, builder)
        finally:
            with contextlib.suppress(PortGone):
                self._send(port, Kind.STOP)
            reader.end()
            port.close()

    def _start(self, port: Port) -> _Reader:
        reader = _Reader(port)
        reader.start()
        with contextlib.suppress(PortGone):
            self._send(port, Kind.IDENTIFY)
            self._send(port, Kind.START)
        return reader

    def _send(self, port: Port, kind: Kind) -> None:
        port.write(encode(Command(kind), self._sequence))
        self._sequence += 1

    def _note(self, journal: JournalWriter, builder: RunBuilder, what: str) -> None:
        now = host_us()
        journal.note(now, what=what)
        builder.accept(Record("note", now, b'{"what": "%s"}' % what.encode()))

    def _reopen(self, journal: JournalWriter) -> Port:
        """Wait for an unplugged port to come back."""
        deadline = time.monotonic() + RETRY_S
        attempt = 0
        while time.monotonic() < deadline:
            self._check_asked(journal.path, lost=True)
            with contextlib.suppress(PortError):
                return open_port(self._options.port, self._options.baud)
            wait_until = time.monotonic() + _BACK_OFF_S[min(attempt, len(_BACK_OFF_S) - 1)]
            attempt += 1
            while time.monotonic() < wait_until:
                self._check_asked(journal.path, lost=True)
                journal.sync_if_due()
                time.sleep(0.05)
        raise Stop("port missing", 4)

    def _check_asked(self, journal: Path, *, lost: bool = False) -> None:
        """Stop where a signal or the control file asks for it."""
        if self._stop_signal == signal.SIGINT:
            raise Stop("Ctrl-C", 130)
        if self._stop_signal is not None:
            raise Stop("terminated", 143)
        control = journal.with_suffix(".stop")
        if control.exists():
            control.unlink(missing_ok=True)
            raise Stop("port missing" if lost else "control file", 4 if lost else 0)

    def _watch(self, progress: Progress, journal: JournalWriter, builder: RunBuilder) -> None:
        """Everything that ends a recording or deserves a word while it runs."""
        self._check_asked(journal.path)
        for_s = self._options.for_s
        if for_s is not None and builder.run_s >= for_s:
            raise Stop("time reached", 0)
        silent_s = progress.silent_s(builder)
        if for_s is not None and silent_s > SILENT_S and progress.host_s > for_s + SILENT_S:
            raise Stop("no more samples", 4)
        if not builder.understood and progress.host_s > 3:
            self._say_once(self._not_understood(builder))
        elif builder.samples and silent_s > SILENT_S:
            self._say_once("No sample for 10 s: is the board still powered and connected? Still listening.")
        self._watch_disk(journal)

    def _watch_disk(self, journal: JournalWriter) -> None:
        free = free_bytes(self._options.out)
        if free < DISK_STOP_BYTES + journal.size // 2:
            raise Stop("disk nearly full", 5)
        if free < DISK_WARN_BYTES:
            self._say_once(
                f"Only {free >> 20} MB are free under {self._options.out}: make room, or the recording stops."
            )

    def _not_understood(self, builder: RunBuilder) -> str:
        port, baud = self._options.port, self._options.baud
        if builder.from_newer_board:
            return f"{port}: the board speaks a newer version of the wire format than this program. Update amptally."
        if builder.bytes:
            return (
                f"{port}: bytes arrive at {baud} baud, but no frame or text line checks out: the wrong baud rate "
                "(--baud), or a board that does not speak docs/wire-format.md. Still listening."
            )
        return f"{port}: nothing arrives. Is the board powered, and is this its port? Still listening."

    def _say_once(self, text: str) -> None:
        if text not in self._said:
            self._said.add(text)
            self._say(text)

    def _finish(self, builder: RunBuilder, journal: JournalWriter, stop: Stop) -> Outcome:
        options = self._options
        path = options.out / f"{self._run_id}.parquet"
        header = run_header(self._header_of(journal.path), builder)
        try:
            metadata = builder.finish(path, header, stop.reason)
        except StorageError as error:
            self._say(
                f"{error} What was recorded is in {journal.path}; make room, then: amptally recover {journal.path}"
            )
            return Outcome(None, journal.path, 5, stop.reason)
        if metadata is None:
            if not builder.bytes:
                journal.path.unlink(missing_ok=True)
                self._say(f"No sample was recorded: {self._not_understood(builder).removesuffix(' Still listening.')}")
                return Outcome(None, None, stop.exit_code or 4, stop.reason)
            self._say(
                f"No sample was recorded: {self._not_understood(builder).removesuffix(' Still listening.')} "
                f"The raw bytes are kept in {journal.path}"
            )
            return Outcome(None, journal.path, stop.exit_code or 4, stop.reason)
        if not options.keep_journal:
            journal.path.unlink(missing_ok=True)
        return Outcome(path, journal.path if options.keep_journal else None, stop.exit_code, stop.reason)

    @staticmethod
    def _header_of(journal: Path) -> dict[str, Any]:
        return JournalReader(journal).header


def free_bytes(folder: Path) -> int:
    """Free space where `folder` lives."""
    return shutil.disk_usage(folder).free
