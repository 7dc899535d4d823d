"""Status of a recording for the status line, and the timers of the recording loop."""

from __future__ import annotations

import time
from dataclasses import dataclass

from amptally.logger.recording.run_builder import RunBuilder
from amptally.logger.storage.journal import JournalWriter


@dataclass(frozen=True, slots=True)
class Status:
    """Status of the recording."""

    run_s: float
    host_s: float
    """Wall time since the port was opened."""
    samples: int
    rate_hz: float
    """Samples per second of wall time, over the last second or so."""
    latest: dict[str, int]
    """Newest value of each channel in storage units."""
    faults: dict[str, int]
    bytes: int
    journal_bytes: int
    alarms: int = 0
    """Alarms so far in this run; notes do not count."""
    last_alarm: str = ""
    """Code of the newest alarm."""
    marks: int = 0
    """Laps marked by a key."""
    note: str | None = None
    """The note that the operator is writing; None while none is."""


class Progress:
    """Timers of the loop: due actions, the sample rate, the time without samples."""

    def __init__(self, opened: float) -> None:
        self._opened = opened
        self._last: dict[str, float] = {}
        self._seen = (opened, 0)
        self._rate_from = (opened, 0)
        self._rate_hz = 0.0

    @property
    def host_s(self) -> float:
        """Wall time since the port was opened [s]."""
        return time.monotonic() - self._opened

    def due(self, what: str, every_s: float) -> bool:
        """True once every `every_s` seconds for each `what`."""
        now = time.monotonic()
        if now - self._last.get(what, self._opened) < every_s:
            return False
        self._last[what] = now
        return True

    def silent_s(self, builder: RunBuilder) -> float:
        """Wall time since the last new sample [s]."""
        now = time.monotonic()
        if builder.samples != self._seen[1]:
            self._seen = (now, builder.samples)
        return now - self._seen[0]

    def status(self, builder: RunBuilder, journal: JournalWriter, note: str | None = None) -> Status:
        """The present status; `note` is what the operator is writing."""
        now = time.monotonic()
        since, samples = self._rate_from
        if now - since >= 1.0:
            self._rate_hz = (builder.samples - samples) / (now - since)
            self._rate_from = (now, builder.samples)
        return Status(
            builder.run_s,
            self.host_s,
            builder.samples,
            self._rate_hz,
            builder.latest,
            dict(builder.faults),
            builder.bytes,
            journal.size,
            *_alarms(builder),
            builder.marks,
            note,
        )


def clock_text(seconds: float) -> str:
    """A run time as a clock shows it: 4:56, or 1:02:03."""
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def _alarms(builder: RunBuilder) -> tuple[int, str]:
    """Number of alarms above a note, and the code of the newest."""
    codes = [alarm["code"] for alarm in builder.alarms.values() if alarm["severity"] != "note"]
    return len(codes), codes[-1] if codes else ""
