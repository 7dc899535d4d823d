"""Extremes frames of a whole recording, per boot: peaks that the board measured even where samples were lost.

A board accumulates from its start command on. If it was running before the recording began, its extremes cover time
before the first sample; how much is stored with them, since the peak may lie on either side.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from amptally.logger.channels import BY_WIRE_ID, Channel
from amptally.logger.wire.blocks import CLOCK_WRAP
from amptally.logger.wire.frames import Extremes

MAX_BOOTS = 100
"""Number of boots stored separately; further boots, of a board that restarts again and again, are merged."""


@dataclass
class _Boot:
    """Extremes of one boot so far, in storage units; None where not measured."""

    boot: int
    time_us: int = 0
    duration_ms: int = 0
    reaches_back_us: int = 0
    minimum: dict[str, int] = field(default_factory=dict)
    maximum: dict[str, int] = field(default_factory=dict)
    rms: dict[str, int | None] = field(default_factory=dict)


class BoardExtremes:
    """Collects extremes frames in order of arrival."""

    def __init__(self) -> None:
        self._boots: list[_Boot] = []
        self._boot = 0
        self._first_us: int | None = None
        self._last_us = 0

    def start_boot(self, boot: int) -> None:
        """The following frames come from a board that restarted during the recording."""
        self._boot = boot
        self._first_us = None

    def note_samples(self, boot: int, first_us: int, last_us: int) -> None:
        """Board time of the samples of a block, unwrapped."""
        if boot != self._boot or self._first_us is None:
            self._boot = boot
            self._first_us = first_us
        self._last_us = last_us

    def take(self, frame: Extremes) -> None:
        """Add the next frame. Within a boot the extremes only widen, even if the board resets its own."""
        back_us = self._reaches_back_us(frame)
        boot = self._entry(self._boot)
        if frame.duration_ms < boot.duration_ms and boot.reaches_back_us > 0:
            # These began before the recording and were reset since: only the new ones belong to this run.
            boot.minimum, boot.maximum = {}, {}
        boot.time_us, boot.duration_ms, boot.reaches_back_us = frame.time_us, frame.duration_ms, back_us
        for entry in frame.channels:
            channel = BY_WIRE_ID.get(entry.wire_id)
            if channel is None:
                continue
            name = channel.name
            if (minimum := _possible(channel, entry.least)) is not None:
                boot.minimum[name] = min(minimum, boot.minimum.get(name, minimum))
            if (maximum := _possible(channel, entry.greatest)) is not None:
                boot.maximum[name] = max(maximum, boot.maximum.get(name, maximum))
            boot.rms[name] = _possible(channel, entry.rms)

    def _reaches_back_us(self, frame: Extremes) -> int:
        """How much of the frame's time lies before the first sample of the run [µs]; 0 for a later boot."""
        if self._boot != 0 or self._first_us is None:
            return 0
        # The frame was sent within half a clock wrap of the newest sample, before or after it.
        after = (frame.time_us - self._last_us + CLOCK_WRAP // 2) % CLOCK_WRAP - CLOCK_WRAP // 2
        return max(frame.duration_ms * 1000 - (self._last_us + after - self._first_us), 0)

    def _entry(self, boot: int) -> _Boot:
        if self._boots and self._boots[-1].boot == boot:
            return self._boots[-1]
        if len(self._boots) >= MAX_BOOTS:
            self._boots[-1].boot = boot
            self._boots[-1].duration_ms = 0
        else:
            self._boots.append(_Boot(boot))
        return self._boots[-1]

    def as_json(self) -> tuple[dict[str, Any], ...]:
        """One object per boot, as docs/run-file.md has it."""
        return tuple(
            {
                "boot": boot.boot,
                "board_us": boot.time_us,
                "duration_ms": boot.duration_ms,
                "reaches_back_s": round(boot.reaches_back_us / 1e6, 3),
                "channels": {
                    name: {"least": boot.minimum.get(name), "greatest": boot.maximum.get(name), "rms": rms}
                    for name, rms in boot.rms.items()
                },
            }
            for boot in self._boots
        )


def _possible(channel: Channel, value: int) -> int | None:
    """The value; None for the format's null and for a value outside the valid range."""
    return value if channel.valid[0] <= value <= channel.valid[1] else None
