"""Which baud rate a board speaks at, found from what a receiver makes of its bytes at the usual ones."""

from __future__ import annotations

from collections.abc import Callable
from itertools import cycle

import numpy as np
import pytest

from amptally.logger.machine.description import parse
from amptally.logger.recording.first_look import FirstLook
from amptally.logger.recording.listening import USUAL_BAUDS, Heard, listen
from amptally.logger.recording.ports import PortEnded
from amptally.logger.wire.said import said_by
from tests.faults.test_board import as_heard

MACHINE = parse('[machine]\nname = "bench"\n', "bench.toml")
TURN_S = 0.05


class Line:
    """A serial line that a board prints to at its own speed, heard at the speed that the host sets. No time passes."""

    def __init__(self, text: Callable[[int], str], sent_baud: int, *, settable: bool = True) -> None:
        self.now_s, self.baud, self.asked = 0.0, 115_200, 0
        self._text, self._sent_baud, self._settable = text, sent_baud, settable
        self._printed = 0

    def read(self) -> bytes:
        self.now_s += TURN_S
        lines = "".join(self._text(self._printed + k) + "\r\n" for k in range(3))
        self._printed += 3
        return as_heard(lines.encode(), self._sent_baud, self.baud)

    def write(self, data: bytes) -> None:
        """Not listened to."""

    def set_baud(self, baud: int) -> bool:
        self.baud = baud if self._settable else self.baud
        return self._settable

    def close(self) -> None:
        """Nothing to release."""


def printed(k: int) -> str:
    return "time_ms,battery_voltage_v,left_current_a" if k % 30 == 0 else f"{k * 20},{25 - k % 9 / 10:.1f},{k % 7}.25"


def heard_on(line: Line, baud: int | None = None) -> Heard:
    def ask() -> None:
        line.asked += 1

    return listen(
        line, lambda: FirstLook(said_by([], None, []), MACHINE), baud, check=lambda: None, ask=ask,
        now_s=lambda: line.now_s,
    )  # fmt: skip


@pytest.mark.parametrize("sent", USUAL_BAUDS)
def test_every_usual_rate_is_found(sent: int) -> None:
    line = Line(printed, sent)
    heard = heard_on(line)
    assert (heard.state, heard.baud, line.baud) == ("text", sent, sent)
    assert heard.look.question() is None
    assert set(heard.tried) <= set(USUAL_BAUDS) - {sent}
    assert all(record.kind == "bytes" for record in heard.records)
    text = b"".join(record.payload for record in heard.records)
    assert text.count(b"time_ms,battery_voltage_v,left_current_a\r\n") >= 1
    assert (text.count(b"\xff"), text.count(b"\0")) == (0, 0)  # nothing heard at another rate is handed on


def test_a_rate_that_nobody_uses_names_the_rates_tried() -> None:
    rng = np.random.default_rng(1)
    noise = cycle([bytes(rng.integers(128, 256, 40).tolist()) for _ in range(50)])
    line = Line(printed, 115_200)
    line.read = lambda: (setattr(line, "now_s", line.now_s + TURN_S), next(noise))[1]  # type: ignore[method-assign]
    heard = heard_on(line)
    assert heard.state == "garbage"
    assert heard.tried == USUAL_BAUDS
    assert line.baud == 115_200


def test_a_rate_that_was_named_is_kept() -> None:
    line = Line(printed, 9_600)
    heard = heard_on(line, 115_200)
    assert (heard.state, heard.baud, heard.tried) == ("garbage", 115_200, ())


def test_a_line_without_a_speed_of_its_own_is_not_tried_at_others() -> None:
    line = Line(printed, 9_600, settable=False)
    heard = heard_on(line)
    assert (heard.state, heard.baud) == ("garbage", 115_200)
    assert heard.tried == ()


def test_a_silent_board_is_asked_to_start_and_not_tried_at_other_rates() -> None:
    line = Line(printed, 115_200)
    line.read = lambda: (setattr(line, "now_s", line.now_s + TURN_S), b"")[1]  # type: ignore[method-assign]
    heard = heard_on(line)
    assert (heard.state, heard.baud, heard.tried, heard.records) == ("silent", 115_200, (), ())
    assert 3 <= line.asked <= 4


def test_a_source_that_ends_is_left_to_whoever_reads_on() -> None:
    line = Line(printed, 115_200)
    parts = iter([b"time_ms,battery_voltage_v\n0,25\n"])

    def read() -> bytes:
        try:
            return next(parts)
        except StopIteration:
            raise PortEnded("over") from None

    line.read = read  # type: ignore[method-assign]
    assert heard_on(line).records[0].payload == b"time_ms,battery_voltage_v\n0,25\n"
