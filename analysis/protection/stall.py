"""A fuse against motors held still: when it opens, and what it must carry. docs/methods.md, Ratings that suit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from amptally.analysis.protection.fuse_curve import Limit, rows_of
from amptally.analysis.protection.thermal_memory import guaranteed_rise
from amptally.analysis.results.reason import Reason
from amptally.logger.machine.check import stall_current_a
from amptally.logger.machine.description import Machine
from amptally.tables.fuse_opening_times import FuseTable

FOR_EVER_S = 1e9


@dataclass(frozen=True, slots=True)
class Stall:
    """A stall as the machine file declares it."""

    current_a: float
    """In the fuse's lead: of both motors in the main one, no more than the controller lets through."""
    seconds: float | None
    """motor.stall_s: how long it may last without a fuse opening; None where it is not declared."""


def declared_stall(machine: Machine | None, place: str) -> Stall | None:
    """The stall of the motors that the fuse at `place` feeds; None where their current is not declared."""
    stall_a = None if machine is None else stall_current_a(machine)
    if machine is None or stall_a is None:
        return None
    limit_a = machine.controller.peak_a if machine.controller else None
    motor_a = stall_a if limit_a is None else min(stall_a, limit_a)
    return Stall((2 if place == "main" else 1) * motor_a, machine.motor.stall_s if machine.motor else None)


def stall_opens_s(
    table: FuseTable, rating_a: float, derated_a: float, current_a: float
) -> tuple[float, float | None] | None:
    """When a cold fuse opens at a steady current: (no sooner than, no later than) [s]; None where it need never.

    The earliest by its rating in warm air, the latest by its marked one. Above the table's largest current nothing
    bounds the earliest from below (0 s). The second is None where the current is below the 135 % that open it for
    certain.
    """
    earliest, latest = Limit.of(table, derated_a, "earliest"), Limit.of(table, rating_a, "latest")
    if current_a <= derated_a:
        return None
    soonest_s = 0.0 if current_a > earliest.points[0][1] else _time_s(earliest, current_a)
    if current_a < latest.beyond_a:
        return soonest_s, None
    return soonest_s, latest.shortest_s if current_a > latest.points[0][1] else _time_s(latest, current_a)


def _time_s(limit: Limit, current_a: float) -> float:
    """The time at which a limit falls to a current [s]: log-log between points, the last one's below them."""
    for (short_s, upper_a), (long_s, lower_a) in zip(limit.points, limit.points[1:], strict=False):
        if current_a >= lower_a:
            share = math.log(current_a / upper_a) / math.log(lower_a / upper_a)
            return short_s * math.exp(share * math.log(long_s / short_s))
    return limit.last_s


def stall_margin(table: FuseTable, derated_a: float, stall: Stall, load_a: float) -> float | None:
    """Factor that the rows guarantee on a stall of its declared length after `load_a` for ever; None without a length.

    The stall comes once, and the load goes on after it.
    """
    if stall.seconds is None:
        return None
    *shorter, (_, rated) = rows_of(table, "earliest")
    rows = (*shorter, (FOR_EVER_S, rated))  # what the last row says for 100 h it carries for ever
    more_a2 = max(stall.current_a**2 - load_a**2, 0.0)
    lengths_s = sorted({stall.seconds, *(row_s for row_s, _ in rows)})
    heat_s = [(load_a**2 * length_s + more_a2 * min(length_s, stall.seconds)) / derated_a**2 for length_s in lengths_s]
    return 1 / math.sqrt(guaranteed_rise(rows, lengths_s, heat_s))


def stall_finding(place: str, stall: Stall, opens_s: tuple[float, float | None] | None, derated_a: float) -> Reason:
    """What a fuse does at a stall, and what it does not do for motor and controller."""
    soonest_s, latest_s = opens_s or (None, None)
    return Reason(
        "fuse_at_stall",
        "caution" if latest_s is None else "note",
        place=place,
        stall_a=stall.current_a,
        soonest_s=soonest_s,
        latest_s=latest_s,
        derated_a=derated_a,
    )
