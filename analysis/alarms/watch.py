"""Alarms while samples arrive, in constant memory: what the report would find is raised when it happens.

Nothing here stops, slows or commands a machine: a board has its own limits for lamp and buzzer. Method:
docs/methods.md, Alarms while recording.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace

import numpy as np

from amptally.analysis.alarms.checks import (
    BalanceCheck,
    BalanceLimit,
    Check,
    ClipCheck,
    FuseCheck,
    HeldPulseCheck,
    Notice,
    PulseCheck,
    VoltageCheck,
    VoltageLimit,
)
from amptally.analysis.alarms.fuse_air_watch import UNDECLARED, AirLimit
from amptally.analysis.alarms.fuse_watch import FuseLimit
from amptally.analysis.alarms.signals import MAX_SLICE, START, Array, Signals
from amptally.analysis.results.leads import LEADS
from amptally.analysis.results.reason import Reason, Severity
from amptally.analysis.wording.of_alarms import alarm_text

MAX_ALARMS = 1000
"""Later ones are only counted."""
REPEAT_S = 1.0
"""An alarm that gets worse is reported again no sooner than this, in run time."""
WATCHED: tuple[str, ...] = (
    *(f"{lead}_current{part}_a" for lead in LEADS for part in ("", "_rms", "_min", "_max")),
    *(f"{place}_voltage_v" for place in ("battery", "midpoint", "controller", "receiver")),
    "fuse_temp_c",
    *(f"pulse_{letter}_{what}" for letter in ("a", "b") for what in ("us", "count")),
)
"""SI names of every channel that a check may use."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """A limit was passed: from when it was noticed until it was over."""

    number: int
    """Index in the run's list of alarms."""
    at_s: float
    """Run time at which it was noticed."""
    code: str
    severity: Severity
    text: str
    """One sentence without a full stop, as it stood when it was noticed."""
    value: float
    """What was measured when it was noticed."""
    limit: float
    unit: str
    worst: float
    """The worst value so far, or of the whole event."""
    ended_s: float | None = None
    """Run time at which it was over; None while it lasts, and where the recording ended before."""

    def as_json(self) -> dict[str, object]:
        """For a journal note and the run file's metadata."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class WatchLimits:
    """What to watch; a limit that the machine file does not give is not watched."""

    fuses: tuple[FuseLimit, ...] = ()
    air: AirLimit = UNDECLARED
    """Of the sensor of the air at the fuses."""
    voltages: tuple[VoltageLimit, ...] = ()
    balance: BalanceLimit | None = None
    """Only where left and right are measured in supply legs."""
    full_scale_a: Mapping[str, float] = field(default_factory=dict)
    """By lead: battery, left, right."""
    moving_a: float = 1.0
    """Battery current from which the machine counts as moving."""
    corrections: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """(offset, gain) by SI name: corrected = (raw − offset) / (1 + gain)."""


class Watch:
    """Evaluates samples as they arrive. The same samples give the same alarms however they are cut into slices."""

    def __init__(self, limits: WatchLimits) -> None:
        self._corrections = limits.corrections
        self._checks: list[Check] = [
            *(FuseCheck(fuse, limits.air) for fuse in limits.fuses),
            *(VoltageCheck(limit) for limit in limits.voltages),
            *(PulseCheck(letter) for letter in ("a", "b")),
            HeldPulseCheck(limits.moving_a),
            *([] if limits.balance is None else [BalanceCheck(limits.balance)]),
            *(ClipCheck(lead, full_scale_a) for lead, full_scale_a in limits.full_scale_a.items()),
        ]
        self._time = START
        self._open: dict[str, int | None] = {}
        self._reported: dict[int, tuple[float, float]] = {}
        self.alarms: list[Alarm] = []
        """At most MAX_ALARMS, by time."""
        self.uncounted = 0
        """Alarms beyond MAX_ALARMS."""

    def take(self, run_s: Array, columns: Mapping[str, Array]) -> list[Alarm]:
        """Take the next samples: run time, rising, and columns by SI name in SI units, NaN where not measured.

        Returns the alarms that began, ended or got worse, each as it stands now, by number.
        """
        changed: set[int] = set()
        for part in _slices(len(run_s)):
            whole = len(run_s) <= MAX_SLICE
            cut = columns if whole else {name: values[part] for name, values in columns.items()}
            signals = Signals(run_s if whole else run_s[part], cut, self._corrections, self._time)
            self._time = signals.time
            notices = [notice for check in self._checks for notice in check.take(signals)]
            # Stable: at the same moment the order of the checks stands.
            for notice in sorted(notices, key=lambda notice: notice.at_s):
                number = self._end(notice) if notice.raised is None else self._raise(notice, notice.raised)
                if number is not None:
                    changed.add(number)
        if len(run_s):
            changed |= self._worsen(float(run_s[-1]))
        return [self.alarms[number] for number in sorted(changed)]

    def _raise(self, notice: Notice, raised: Reason) -> int | None:
        if len(self.alarms) >= MAX_ALARMS:
            self.uncounted += 1
            self._open[notice.key] = None
            return None
        number = len(self.alarms)
        self.alarms.append(
            Alarm(
                number,
                notice.at_s,
                raised.code,
                raised.severity,
                alarm_text(raised),
                notice.value,
                notice.limit,
                notice.unit,
                notice.value,
            )
        )
        self._open[notice.key] = number
        self._reported[number] = (notice.at_s, notice.value)
        return number

    def _end(self, notice: Notice) -> int | None:
        number = self._open.pop(notice.key, None)
        if number is not None:
            self._reported.pop(number, None)
            self.alarms[number] = replace(self.alarms[number], worst=notice.value, ended_s=notice.at_s)
        return number

    def _worsen(self, now_s: float) -> set[int]:
        """Update open alarms; those to report again are returned."""
        again = set()
        for check in self._checks:
            for key, worst in check.worst().items():
                number = self._open.get(key)
                if number is None or math.isnan(worst):
                    continue
                if worst != self.alarms[number].worst:
                    self.alarms[number] = replace(self.alarms[number], worst=worst)
                reported_s, reported = self._reported[number]
                if worst != reported and now_s - reported_s >= REPEAT_S:
                    self._reported[number] = (now_s, worst)
                    again.add(number)
        return again


def _slices(count: int) -> Iterator[slice]:
    for start in range(0, count, MAX_SLICE):
        yield slice(start, min(start + MAX_SLICE, count))


def to_si(stored: np.ndarray[tuple[int], np.dtype[np.int64]], si_per_step: float, null: int) -> Array:
    """Storage integers as SI values, NaN where they hold `null`."""
    values: Array = stored.astype(np.float64) * si_per_step
    missing = stored == null
    if missing.any():
        values[missing] = np.nan
    return values
