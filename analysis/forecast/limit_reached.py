"""Whether a run itself reached an end of discharge: then nothing is left at its load. docs/methods.md, Charge left."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from amptally.analysis.forecast.inputs import EndsBy
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import driven_part
from amptally.analysis.signals.series import Series, together

SHEET_S, TRIP_S = 60.0, 10.0
"""Means over this long are held against the end of discharge of a sheet, which a dip does not end, and against a
cut-off that switches. Our own choice."""
Limit = Literal["sheet_cutoff", "bms_cutoff", "controller_cutoff", "controller_minimum"]


@dataclass(frozen=True, slots=True)
class LimitReached:
    """An end of discharge that the run reached."""

    limit: Limit
    ends_by: EndsBy
    at_s: float
    """Run time at which the mean first lay at the limit [s]."""
    lowest_v: float
    """Lowest mean of the run [V]."""
    limit_v: float
    over_s: float
    """Length of the mean [s]."""
    recharged: bool
    """Whether more charge flowed back than out after that moment."""

    @property
    def finding(self) -> Reason:
        """What a reader should know of it."""
        return Reason(
            "battery_below_limit",
            "danger",
            limit=self.limit,
            ends_by=self.ends_by,
            lowest_v=self.lowest_v,
            limit_v=self.limit_v,
            over_s=self.over_s,
            at_s=self.at_s,
        )


def limit_reached(run: Run) -> LimitReached | None:
    """The first end of discharge that a lasting mean of the voltage reached in the driven part; None without one."""
    current = run.smooth("battery_current_a")
    if current is None or len(current.time_s) < 2:
        return None
    driven = current.time_s[driven_part(run, current)]
    found = []
    for limit, ends_by, series, limit_v, over_s in _limits(run):
        seen = _lowest_mean(series, float(driven[0]), float(driven[-1]), over_s, limit_v)
        if seen is not None and seen[1] <= limit_v:
            after = current.value[current.time_s > seen[0]]
            recharged = bool(len(after)) and float(after.mean()) < 0
            found.append(LimitReached(limit, ends_by, *seen, limit_v, over_s, recharged))
    return min(found, key=lambda each: each.at_s, default=None)


def _limits(run: Run) -> Iterator[tuple[Limit, EndsBy, Series, float, float]]:
    """(what it is, what it ends, voltage, limit [V], length of the mean [s]) of each limit that can be checked."""
    machine = run.machine
    whole, lower = run.smooth("battery_voltage_v"), run.smooth("midpoint_voltage_v")
    if machine is None or whole is None:
        return
    battery, bms, controller = machine.battery, machine.bms, machine.controller
    if battery is not None and battery.cutoff_v is not None and battery.in_series is not None:
        yield "sheet_cutoff", "block_a", whole, battery.cutoff_v * battery.in_series, SHEET_S
        if battery.in_series == 2 and lower is not None:
            yield "sheet_cutoff", "block_a", lower, battery.cutoff_v, SHEET_S
            time_s, below_v, total_v, gap_after = together(lower, whole)
            yield "sheet_cutoff", "block_b", Series(time_s, total_v - below_v, gap_after), battery.cutoff_v, SHEET_S
    if bms is not None and bms.cutoff_v is not None:
        yield "bms_cutoff", "bms", whole, bms.cutoff_v, TRIP_S
    if controller is not None:
        supply = run.smooth("controller_voltage_v") or whole
        if controller.cutoff_v is not None:
            yield "controller_cutoff", "controller", supply, controller.cutoff_v, TRIP_S
        elif controller.minimum_v is not None:
            yield "controller_minimum", "controller", supply, controller.minimum_v, TRIP_S


def _lowest_mean(
    series: Series, from_s: float, to_s: float, over_s: float, limit_v: float
) -> tuple[float, float] | None:
    """(run time [s] at which a mean over `over_s` [s] first is at the limit, lowest mean [V]); gaps are left out.

    The time is that of the lowest mean where none is at the limit. None where less than `over_s` was sampled.
    """
    inside = slice(*np.searchsorted(series.time_s, [from_s, to_s], "left").tolist())
    time_s, volts = series.time_s[inside], series.value[inside]
    if len(time_s) < 2:
        return None
    steps = np.where(series.gap_after[inside.start : inside.stop - 1], 0.0, np.diff(time_s))
    clock = np.concatenate(([0.0], np.cumsum(steps)))
    sums = np.concatenate(([0.0], np.cumsum(0.5 * (volts[1:] + volts[:-1]) * steps)))
    ends = np.flatnonzero(clock >= over_s)
    if not len(ends):
        return None
    means = (sums[ends] - np.interp(clock[ends] - over_s, clock, sums)) / over_s
    under = np.flatnonzero(means <= limit_v)
    first = int(under[0]) if len(under) else int(np.argmin(means))
    return float(time_s[ends[first]]), float(means.min())
