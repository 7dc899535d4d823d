"""What a serial port gives at one reading."""

from __future__ import annotations

import errno

import pytest

from logger.ports import MAX_READ, PortGone, SerialPort


class Line:
    """Stands in for pyserial: a first byte is waited for, the others are there once it has come."""

    def __init__(self, sent: bytes, fails_after: int | None = None) -> None:
        self.left = sent
        self.begun = False
        self.fails_after = fails_after
        self.reads: list[int] = []

    def _check(self) -> None:
        if self.fails_after is not None and len(self.reads) >= self.fails_after:
            raise OSError(errno.EIO, "gone")

    @property
    def in_waiting(self) -> int:
        self._check()
        return len(self.left) if self.begun else 0

    def read(self, size: int) -> bytes:
        self._check()
        self.begun = True
        self.reads.append(size)
        data, self.left = self.left[:size], self.left[size:]
        return data


def port(line: Line) -> SerialPort:
    opened = SerialPort.__new__(SerialPort)
    opened._url, opened._serial = "/dev/bench", line
    return opened


def test_what_came_with_the_first_byte_is_given_with_it() -> None:
    line = Line(bytes(range(1, 200)))
    assert port(line).read() == bytes(range(1, 200))
    assert line.reads == [1, 198]
    assert port(line).read() == b""


def test_a_reading_is_bounded() -> None:
    line = Line(b"x" * (2 * MAX_READ))
    opened = port(line)
    assert [len(opened.read()) for _ in range(3)] == [1 + MAX_READ, MAX_READ - 1, 0]


def test_a_line_that_is_lost_after_a_byte_gives_the_byte_and_then_says_so() -> None:
    opened = port(Line(b"ab", fails_after=1))
    assert opened.read() == b"a"
    with pytest.raises(PortGone, match="/dev/bench is gone"):
        opened.read()
