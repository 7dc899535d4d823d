"""The simulator as a process of its own, read through a real pseudo-terminal or socket."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from amptally.logger.channels import BY_WIRE_ID
from amptally.logger.simulator import simulate
from amptally.logger.simulator.sensors import WIRE
from amptally.logger.wire.frames import Command, Describe, Frame, Kind, Reply, Samples, decode, encode, unpack_rows

ROOT = Path(__file__).parents[2]
PATIENCE_S = 120.0

needs_terminal = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals need POSIX")


@contextlib.contextmanager
def running(*options: str) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """A simulator and the port it names."""
    command = [sys.executable, "-m", "amptally.logger.simulator", *options]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        try:
            assert process.stdout is not None
            yield process, process.stdout.readline().decode().strip()
        finally:
            process.kill()


class FrameStream:
    """Frames as they arrive; what is left of one at the end of a read is kept for the next."""

    def __init__(self, read: Callable[[], bytes]) -> None:
        self._read = read
        self._rest = b""

    def until(self, enough: Callable[[list[Frame]], bool]) -> list[Frame]:
        """The frames since the last call, once there are enough; a bad one raises."""
        frames: list[Frame] = []
        end = time.monotonic() + PATIENCE_S
        while not enough(frames):
            assert time.monotonic() < end, f"only {len(frames)} frames came"
            *parts, self._rest = (self._rest + self._read()).split(b"\0")
            frames += [decode(part) for part in parts]
        return frames


def rows_in(frames: list[Frame]) -> int:
    return sum(frame.message.count for frame in frames if isinstance(frame.message, Samples))


def table(frames: list[Frame]) -> np.ndarray:
    return np.concatenate([unpack_rows(f.message, WIRE) for f in frames if isinstance(f.message, Samples)])


@contextlib.contextmanager
def opened(path: str) -> Iterator[int]:
    """A terminal device, alone: a recorder elsewhere that still retries this name must not read along."""
    import fcntl
    import termios

    device = os.open(path, os.O_RDWR | os.O_NOCTTY)
    fcntl.ioctl(device, termios.TIOCEXCL)
    try:
        yield device
    finally:
        os.close(device)


@needs_terminal
def test_terminal_gives_the_measured_drive_without_loss() -> None:
    with running("--seed", "4", "--speed", "0", "--linger", "0.2") as (process, path):
        with opened(path) as device:
            ready, _, _ = select.select([device], [], [], 0.3)
            assert not ready  # silent until it is asked
            os.write(device, encode(Command(Kind.IDENTIFY), 0))
            stream = FrameStream(lambda: os.read(device, 4096))
            who = stream.until(lambda frames: len(frames) >= 1)
            assert isinstance(who[0].message, Describe)
            os.write(device, encode(Command(Kind.START), 1))
            time.sleep(0.3)  # a reader that dawdles: the cart waits for it
            frames = stream.until(lambda frames: rows_in(frames) >= 5000)
        assert process.wait(PATIENCE_S) == 0  # the reader has gone
    frames = who + frames
    assert [frame.sequence for frame in frames] == list(range(len(frames)))
    rows = table(frames)[:5000]
    drive = simulate(4, 10.0)
    for place, channel in enumerate(WIRE):
        assert np.array_equal(rows[:, place], drive.stored[BY_WIRE_ID[channel.wire_id].name])


@needs_terminal
def test_pace_is_the_one_asked_for_and_stop_is_clean() -> None:
    with running("--seed", "4", "--speed", "10") as (process, path), opened(path) as device:
        stream = FrameStream(lambda: os.read(device, 4096))
        began = time.monotonic()
        os.write(device, encode(Command(Kind.START), 0))
        frames = stream.until(lambda frames: rows_in(frames) >= 5000)
        took_s = time.monotonic() - began
        assert took_s > 0.9  # 10 s of board time at 10 ×; a busy machine makes it later, never earlier
        os.write(device, encode(Command(Kind.STOP), 1))
        rest = stream.until(lambda frames: any(isinstance(f.message, Reply) for f in frames))
        assert rest[-1].message == Reply(Kind.STOP, 0, 2000)
        sequence = [frame.sequence for frame in frames + rest]
        assert sequence == list(range(len(sequence)))
        ready, _, _ = select.select([device], [], [], 0.2)
        assert not ready
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0


@needs_terminal
def test_reader_may_come_back() -> None:
    with running("--seed", "4", "--speed", "0", "--linger", "60") as (process, path):
        with opened(path) as device:
            os.write(device, encode(Command(Kind.START), 0))
            FrameStream(lambda: os.read(device, 4096)).until(lambda frames: rows_in(frames) >= 100)
        time.sleep(0.2)
        with opened(path) as device:
            os.write(device, encode(Command(Kind.STOP), 0))
            data = b""
            while not data.endswith(b"\0") or b"\0" not in data[:-1]:
                data += os.read(device, 4096)
        assert process.poll() is None
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait(PATIENCE_S) == 0  # whoever started it has gone


def test_socket_gives_the_same_drive() -> None:
    with running("--seed", "4", "--speed", "0", "--socket", "--linger", "0.2") as (process, address):
        assert address.startswith("socket://127.0.0.1:")
        host, port = address.removeprefix("socket://").split(":")
        with socket.create_connection((host, int(port)), timeout=PATIENCE_S) as peer:
            peer.sendall(encode(Command(Kind.START), 0))
            frames = FrameStream(lambda: peer.recv(4096)).until(lambda frames: rows_in(frames) >= 1000)
        assert process.wait(PATIENCE_S) == 0
    rows = table(frames)[:1000]
    drive = simulate(4, 2.0)
    for place, channel in enumerate(WIRE):
        assert np.array_equal(rows[:, place], drive.stored[BY_WIRE_ID[channel.wire_id].name])


def test_a_wrong_speed_is_a_usage_error() -> None:
    command = [sys.executable, "-m", "amptally.logger.simulator", "--speed", "-3"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 2
    assert "multiple of real time" in done.stderr
