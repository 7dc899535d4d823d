"""What a serial port gives at one reading."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator

import pytest

from amptally.logger.recording.ports import MAX_READ, PortGone, SerialPort

pytestmark = pytest.mark.skipif(os.name != "posix", reason="elsewhere there is no handle to wait on")


class Line:
    """Stands in for pyserial."""

    def __init__(self, sent: bytes, *, lost: bool = False) -> None:
        self.left = sent
        self.lost = lost
        self.reads: list[int] = []

    @property
    def in_waiting(self) -> int:
        if self.lost:
            raise OSError(errno.EIO, "gone")
        return len(self.left)

    def read(self, size: int) -> bytes:
        self.reads.append(size)
        data, self.left = self.left[:size], self.left[size:]
        return data


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    """What is waited on, and what makes it ready."""
    ends = os.pipe()
    yield ends
    for end in ends:
        os.close(end)


def port(line: Line, handle: int) -> SerialPort:
    opened = SerialPort.__new__(SerialPort)
    opened._url, opened._serial, opened._handle = "/dev/bench", line, handle
    return opened


def test_all_that_has_come_is_given_at_once(pipe: tuple[int, int]) -> None:
    line = Line(bytes(range(1, 200)))
    os.write(pipe[1], b"!")
    assert port(line, pipe[0]).read() == bytes(range(1, 200))
    assert line.reads == [199]


def test_a_quiet_line_is_not_read(pipe: tuple[int, int]) -> None:
    line = Line(b"")
    assert port(line, pipe[0]).read() == b""
    assert line.reads == []


def test_a_reading_is_bounded(pipe: tuple[int, int]) -> None:
    os.write(pipe[1], b"!")
    opened = port(Line(b"x" * (MAX_READ + 7)), pipe[0])
    assert [len(opened.read()) for _ in range(2)] == [MAX_READ, 7]


def test_a_line_that_is_lost_says_so(pipe: tuple[int, int]) -> None:
    os.write(pipe[1], b"!")
    with pytest.raises(PortGone, match="/dev/bench is disconnected"):
        port(Line(b"", lost=True), pipe[0]).read()
