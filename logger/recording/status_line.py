"""The status line of a recording on a terminal."""

from __future__ import annotations

import sys
import time
from typing import TextIO

from amptally.logger.channels import BY_NAME
from amptally.logger.machine.description import Machine
from amptally.logger.recording.progress import Status, clock_text
from amptally.logger.wire.frames import INT64_NULL

_PLAIN_EVERY_S = 10.0


def _si(status: Status, column: str) -> float | None:
    value = status.latest.get(column)
    channel = BY_NAME[column]
    return None if value is None or value == INT64_NULL else value * channel.si_per_step


def _size(count: int) -> str:
    return f"{count / 1e6:.1f} MB" if count >= 1e6 else f"{count / 1e3:.0f} kB"


def render(status: Status, machine: Machine) -> str:
    """Elapsed run time, sample rate, battery, each motor channel with its fuse rating, alarms, faults, size.

    While the operator writes a note, the note.
    """
    if status.note is not None:
        return f"Note (Enter stores it, Esc does not): {status.note}"
    parts = [clock_text(status.run_s), f"{status.rate_hz:.0f} samples/s"]
    volts, amps = _si(status, "battery_voltage_uv"), _si(status, "battery_current_ua")
    if volts is not None:
        parts.append(f"{volts:.2f} V")
    if amps is not None:
        parts.append(f"{amps:.1f} A")
    for side in ("left", "right"):
        value = _si(status, f"{side}_current_ua")
        if value is None:
            continue
        fuse = machine.fuses.get(side)
        rating = None if fuse is None else fuse.rating_a
        against = "" if rating is None else f" of {rating:g} A fuse"
        parts.append(f"{side} {value:.1f} A{against}")
    if status.marks:
        parts.append(f"{status.marks} mark{'s' if status.marks > 1 else ''}")
    if status.alarms:
        parts.append(f"{status.alarms} alarm{'s' if status.alarms > 1 else ''}, last {status.last_alarm}")
    count = sum(status.faults.values())
    parts.append("no faults" if not count else f"{count} faults")
    parts.append(_size(status.journal_bytes))
    return "  ".join(parts)


class StatusLine:
    """Redraws one line on a terminal, with a bell at a new alarm; elsewhere prints a plain line from time to time."""

    def __init__(self, machine: Machine, stream: TextIO | None = None) -> None:
        self._machine = machine
        self._stream = stream or sys.stderr
        self._on_terminal = self._stream.isatty()
        self._drawn = 0
        self._rung = 0
        self._printed = time.monotonic()

    def show(self, status: Status) -> None:
        """Draw the status."""
        if not self._on_terminal:
            if time.monotonic() - self._printed < _PLAIN_EVERY_S:
                return
            self._printed = time.monotonic()
            self._write(render(status, self._machine) + "\n")
            return
        text = render(status, self._machine)
        bell = "\a" if status.alarms > self._rung else ""
        self._rung = status.alarms
        self._write(bell + "\r" + text.ljust(self._drawn))
        self._drawn = len(text)

    def say(self, text: str) -> None:
        """Print a message on a line of its own, above the status line."""
        lead = "\r" + " " * self._drawn + "\r" if self._drawn else ""
        self._drawn = 0
        self._write(f"{lead}{text}\n")

    def end(self) -> None:
        """Leave the status line in place and continue below it."""
        if self._drawn:
            self._write("\n")
            self._drawn = 0

    def _write(self, text: str) -> None:
        try:
            self._stream.write(text)
            self._stream.flush()
        except (OSError, ValueError):
            # The terminal is gone; the recording continues.
            self._on_terminal = False
