"""A board that goes on by itself on the far end of a pseudo-terminal or socket, and a recorder as a process of its own.

What the board took into its samples is known to the last one: sample k of a boot has battery current k mA, so every
value of a run file says which sample it is.
"""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from amptally.logger.channels import BY_NAME
from amptally.logger.machine.description import parse
from amptally.logger.recording.recorder import Options, Outcome, Recorder
from amptally.logger.wire.frames import (
    Command,
    Describe,
    Extreme,
    Extremes,
    FrameError,
    Kind,
    Message,
    Reply,
    Samples,
    WireChannel,
    decode,
    encode,
)

ROOT = Path(__file__).parents[2]
MACHINE_TEXT = '[machine]\nname = "bench"\n'
COLUMNS = ("battery_current_ua", "battery_voltage_uv", "left_current_ua", "right_current_ua")
CHANNELS = tuple(WireChannel(BY_NAME[name].wire_id, 32, 1, 1, 0, 0, 0) for name in COLUMNS)
PER_FRAME = 10
RECORD = "import sys, amptally; sys.exit(amptally.main())"
PATIENCE_S = 120.0
"""How long a busy machine may take for what takes a quiet one a second. Only what hangs is waited for so long."""


@dataclass
class LiveBoard:
    """Streams frames in real time from a thread of its own once it was told to start. A full line loses frames."""

    handle: int
    """What it writes to and listens on."""
    rate_hz: int = 500
    interval_us: int = 2000
    """Of board time; with another one than 1 / `rate_hz` the board's clock runs fast or slow."""
    boot: int = 1
    first_us: int = 0
    """Board time of sample 0."""
    always_on: bool = False
    """Streams without being told."""
    damage: Callable[[bytes], bytes] = staticmethod(lambda frame: frame)  # noqa: RUF009 (stateless)
    """What the line does to each frame."""
    taken: int = 0
    """Samples measured in this boot."""
    written: int = 0
    """Samples of this boot put on the line whole."""
    lost: int = 0
    """Frames that found no room on the line."""
    lost_at: list[int] = field(default_factory=list)
    """How many samples had been taken at each of them."""
    slowest_turn_s: float = 0.0
    """Longest that the machine kept the board itself waiting: what it may have done to a recorder too."""
    sequence: int = 0
    running: bool = False
    commands: list[Kind] = field(default_factory=list)
    _started_at: float = 0.0
    _started_with: int = 0
    _received: bytes = b""
    _half: bytes = b""
    """Rest of a frame whose beginning is on the line already."""
    _over: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None
    _next_second: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self) -> None:
        """Switch on."""
        os.set_blocking(self.handle, False)
        self.running = self.always_on
        self._restart_pace()
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Switch off."""
        self._over.set()
        if self._thread is not None:
            self._thread.join(5)

    def reset(self) -> None:
        """Brown-out: a new boot, time and sequence from zero, not started."""
        with self._lock:
            self.boot += 1
            self.sequence = self.taken = self.written = 0
            self.running = self.always_on
            self._restart_pace()

    def _restart_pace(self) -> None:
        self._started_at, self._started_with = time.monotonic(), self.taken
        self._next_second = self.taken

    def _live(self) -> None:
        turned = time.monotonic()
        while not self._over.is_set():
            self.slowest_turn_s = max(self.slowest_turn_s, time.monotonic() - turned)
            turned = time.monotonic()
            try:
                self._listen()
                with self._lock:
                    self._stream()
            except OSError:
                return  # the line is gone
            time.sleep(0.005)

    def _listen(self) -> None:
        ready, _, _ = select.select([self.handle], [], [], 0)
        if not ready:
            return
        data = os.read(self.handle, 4096)
        self._received += data
        *frames, self._received = self._received.split(b"\0")
        for stuffed in frames:
            try:
                message = decode(stuffed).message
            except FrameError:
                continue
            if isinstance(message, Command):
                self._obey(message)

    def _obey(self, command: Command) -> None:
        self.commands.append(command.kind)
        if command.kind is Kind.START and not self.running:
            self.running = True
            self._restart_pace()
        elif command.kind is Kind.STOP:
            self.running = self.always_on
        self.send(Reply(command.kind, 0, 0))
        if command.kind in (Kind.IDENTIFY, Kind.START):
            self.send(self.describe())

    def describe(self) -> Describe:
        return Describe(1, self.boot, 1, self.interval_us, "live", CHANNELS)

    def samples(self, count: int = PER_FRAME) -> Samples:
        numbers = np.arange(self.taken, self.taken + count)
        rows = np.stack(
            [numbers * 1000, np.full(count, 24_000_000), np.full(count, 1_000_000), np.full(count, 2_000_000)], axis=1
        )
        first = (self.first_us + self.taken * self.interval_us) % 2**32
        return Samples(1, self.boot & 0xFF, first, self.interval_us, rows.astype("<i4").tobytes(), count)

    def send(self, message: Message) -> bool:
        """Put a frame on the line; lose it where there is no room for its first byte, as a full driver buffer does."""
        data = self.damage(encode(message, self.sequence))
        self.sequence = (self.sequence + 1) & 0xFFFF
        if self._half:
            self._half = self._half[self._put(self._half) :]
        put = 0 if self._half else self._put(data)
        if data and not put:
            self.lost += 1
            self.lost_at.append(self.taken)
            return False
        self._half = data[put:] if put else self._half
        return True

    def _put(self, data: bytes) -> int:
        try:
            return os.write(self.handle, data) if data else 0
        except BlockingIOError:
            return 0

    def _stream(self) -> None:
        if not self.running:
            return
        due = self._started_with + int((time.monotonic() - self._started_at) * self.rate_hz)
        while self.running and self.taken + PER_FRAME <= due:
            if self.taken >= self._next_second:
                self._next_second = self.taken + self.rate_hz
                self.send(self.describe())
                self.send(self.extremes())
            message = self.samples()
            self.taken += PER_FRAME
            if self.send(message):
                self.written += PER_FRAME

    def extremes(self) -> Extremes:
        since = self.taken - self._started_with
        entry = Extreme(CHANNELS[0].wire_id, self._started_with * 1000, max(self.taken - 1, 0) * 1000, 0)
        time_us = (self.first_us + self.taken * self.interval_us) % 2**32
        return Extremes(time_us, since * self.interval_us // 1000, (entry,))


@contextmanager
def live_board(**settings: object) -> Iterator[tuple[LiveBoard, str]]:
    """A live board behind a fresh pseudo-terminal, and what a recorder opens."""
    master, slave = os.openpty()
    tty.setraw(slave)
    board = LiveBoard(master, **settings)  # type: ignore[arg-type]
    board.begin()
    try:
        yield board, os.ttyname(slave)
    finally:
        board.end()
        os.close(slave)
        os.close(master)


class SocketBoard:
    """A serial server on a loopback socket, whose one reader sees a live board; it can hang up and come back."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.url = f"socket://127.0.0.1:{self.port}"
        self.peer: socket.socket | None = None
        self.board: LiveBoard | None = None

    def accept(self, **settings: object) -> LiveBoard:
        """Wait for a reader and let a board talk to it."""
        self._listener.settimeout(PATIENCE_S)
        self.peer, _ = self._listener.accept()
        self.board = LiveBoard(self.peer.fileno(), **settings)  # type: ignore[arg-type]
        self.board.begin()
        return self.board

    def hang_up(self) -> None:
        """Cut the connection."""
        if self.board is not None:
            self.board.end()
        if self.peer is not None:
            self.peer.close()

    def close(self) -> None:
        self.hang_up()
        self._listener.close()


class RecorderProcess:
    """`amptally record` as a user starts it, in a process of its own."""

    def __init__(
        self,
        port: str,
        out: Path,
        *arguments: object,
        code: str = RECORD,
        prefix: tuple[str, ...] = (),
        **popen: object,
    ) -> None:
        self.out = out
        folder = out.parent
        machine = folder / "bench.toml"
        if not machine.exists():
            machine.write_text(MACHINE_TEXT, encoding="utf-8")
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_STATE_HOME": str(folder / "state")}
        command = [*prefix, sys.executable, "-c", code, "record", port, "--machine", machine, "--out", out, *arguments]
        options: dict[str, object] = {
            "stdin": subprocess.DEVNULL,
            "stdout": subprocess.PIPE,
            "stderr": subprocess.PIPE,
            "text": True,
            "cwd": str(ROOT),
            "env": environment,
            **popen,
        }
        self.process = subprocess.Popen([str(part) for part in command], **options)  # type: ignore[call-overload]

    def journal(self) -> Path | None:
        """The journal, once there is one."""
        return next(iter(self.out.glob("*.journal")), None) if self.out.exists() else None

    def wait_for(self, ready: Callable[[], object], timeout_s: float = PATIENCE_S) -> None:
        deadline = time.monotonic() + timeout_s
        while not ready():
            if self.process.poll() is not None or time.monotonic() > deadline:
                self.process.kill()
                raise AssertionError(f"waited in vain; exit {self.process.poll()}, said {self.process.communicate()}")
            time.sleep(0.01)

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    def stop_by_file(self) -> None:
        """Ask for the end through the control file."""
        journal = self.journal()
        assert journal is not None
        journal.with_suffix(".stop").touch()

    def result(self, timeout_s: float = PATIENCE_S) -> tuple[int, Path | None, str]:
        """Exit code, the run file it named, and what it said."""
        out, err = self.process.communicate(timeout=timeout_s)
        lines = (out or "").strip().splitlines()
        return self.process.returncode, Path(lines[-1]) if lines else None, err or ""

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate()

    def __enter__(self) -> RecorderProcess:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.kill()


_THREADS: list[ThreadRecorder] = []


def end_recorders() -> None:
    """After a test: nothing goes on recording."""
    while _THREADS:
        _THREADS.pop().end()


class ThreadRecorder:
    """A recorder in a thread of this process, with everything it said."""

    def __init__(self, wanted: Options) -> None:
        self.said: list[str] = []
        self.seen = 0
        self.outcome: Outcome | None = None
        self.error: Exception | None = None
        _THREADS.append(self)
        self._wanted = wanted
        self._recorder = Recorder(wanted, observers=(self._observe,), say=self.said.append)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _observe(self, _: object, columns: dict[str, object]) -> None:
        self.seen += len(columns["battery_current_ua"])  # type: ignore[arg-type]

    def _run(self) -> None:
        try:
            self.outcome = self._recorder.run()
        except Exception as error:
            self.error = error

    def wait_for(self, ready: Callable[[], object], timeout_s: float = PATIENCE_S) -> None:
        deadline = time.monotonic() + timeout_s
        while not ready():
            assert time.monotonic() < deadline, f"waited in vain; said {self.said}, error {self.error}"
            time.sleep(0.01)

    def stop(self, out: Path) -> Outcome:
        """End it by the control file."""
        next(out.glob("*.journal")).with_suffix(".stop").touch()
        return self.result()

    def end(self) -> None:
        """End it whatever it does: one that a failed test left behind would take the next test's port for its own."""
        for _ in range(100):
            if not self._thread.is_alive():
                return
            if self._wanted.out.exists():
                self._recorder._journal_path.with_suffix(".stop").touch()
            self._thread.join(0.2)

    def result(self, timeout_s: float = PATIENCE_S) -> Outcome:
        self._thread.join(timeout_s)
        assert not self._thread.is_alive(), self.said
        assert self.outcome is not None, self.error
        return self.outcome


def options(port: str, out: Path, **more: object) -> Options:
    """Options of a recording on the bench."""
    return Options(port=port, baud=115_200, out=out, machine=parse(MACHINE_TEXT, "bench.toml"), **more)  # type: ignore[arg-type]
