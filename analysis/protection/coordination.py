"""Whether a fuse opens before the wire behind it overheats, from 0.04 to 1800 s. docs/methods.md, Coordination.

The fuse is the slowest that its table allows: it starts cold, in air that takes nothing off its marked rating. The wire
is held to the adiabatic rule up to 5 s and to its own memory beyond.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from amptally.analysis.protection.fuse_curve import rows_of
from amptally.analysis.protection.thermal_memory import Rows
from amptally.analysis.protection.wire import ampacity, ampacity_reason, careful_memory, least_copper, memory_of
from amptally.analysis.results.estimate import COVERAGE_FACTOR
from amptally.analysis.results.reason import Reason, Severity
from amptally.logger.machine.description import Machine
from amptally.logger.machine.fields import Wire
from amptally.tables.fuse_families import fuse_table
from amptally.tables.wire_ampacity import Ampacity
from amptally.tables.wire_short_time import LONGEST_S, PVC_LIMIT_C, adiabatic_current_a, short_time_k

SHORTEST_S, LAST_S = 0.04, 1800.0
"""Shortest and longest time of the tables of fuses."""
TIMES = 160
OVERLOAD = 1.45
"""IEC 60364-4-43, from memory: In ≤ Iz and I2 ≤ 1.45 Iz, I2 being the current that opens the device for certain in its
conventional time: a wire may be hotter than its insulation's rating for as long as a small overload lasts. It is not
followed where that would be hotter than PVC may ever get (`PVC_LIMIT_C`), or than hotter insulation is rated for."""


@dataclass(frozen=True, slots=True)
class Point:
    """What may flow for one length of time, and what the wire carries for as long; each as likely, then with care."""

    time_s: float
    fuse_a: float
    """Before the slowest fuse has opened, on the line between published rows."""
    fuse_most_a: float
    """The same by what the rows alone promise."""
    wire_a: float
    wire_least_a: float
    """By the least copper of its gauge, and the low end of an ampacity between two rows."""

    @property
    def ratio(self) -> float:
        """What the wire carries over what may flow, both with care."""
        return self.wire_least_a / self.fuse_most_a


@dataclass(frozen=True, slots=True)
class Coordination:
    """One fuse and the wires that depend on it."""

    holds: bool | None
    """True: it opens before the wire passes its limit, at every time. None: not known, or only by the rule for small
    overloads. False: the wire may be the part that burns."""
    weakest_s: float | None
    """Where the wire carries least, compared with what the fuse lets through; None where nothing was compared."""
    why: tuple[Reason, ...]
    curve: tuple[Point, ...] = ()
    """From short to long."""
    findings: tuple[Reason, ...] = ()


def _unknown(*why: Reason) -> Coordination:
    return Coordination(None, None, (Reason("coordination_open", why=why),))


NOT_COMPARED = _unknown(Reason("coordination_needs_fuse"))


def promised(rows: Rows) -> Rows:
    """Latest openings without the rows that add nothing to what the others promise.

    A row "opens within T" says G(T) ≥ 1/p² of the fuse's step response. As that rises ever more slowly from 0, between
    two rows it is at least the chord, before the first one at least its share (constant i²t), after the last no less.
    """
    hull = [(0.0, 0.0)]
    for point in ((time_s, 1 / multiple**2) for time_s, multiple in rows):
        while len(hull) > 1 and _slope(hull[-2], hull[-1]) <= _slope(hull[-2], point):
            hull.pop()
        hull.append(point)
    return tuple((time_s, 1 / math.sqrt(rise)) for time_s, rise in hull[1:])


def _slope(first: tuple[float, float], second: tuple[float, float]) -> float:
    return (second[1] - first[1]) / (second[0] - first[0])


def let_through_most(rows: Rows, time_s: float) -> float:
    """Multiple of the marked rating that may flow for this long by what `promised` rows say."""
    times_s = [0.0, *(row_s for row_s, _ in rows)]
    rises = [0.0, *(1 / multiple**2 for _, multiple in rows)]
    return 1 / math.sqrt(float(np.interp(time_s, times_s, rises)))


def let_through(rows: Rows, time_s: float) -> float:
    """The same on the log-log line between rows; constant i²t before the first one."""
    times_s, multiples = zip(*rows, strict=True)
    if time_s < times_s[0]:
        return float(multiples[0] * math.sqrt(times_s[0] / time_s))
    return math.exp(float(np.interp(math.log(time_s), np.log(times_s), np.log(multiples))))


@dataclass(frozen=True, slots=True)
class Behind:
    """A wire that depends on a fuse."""

    place: str
    wire: Wire
    air_c: float | None


def wires_behind(machine: Machine | None, place: str, measured_c: float | None = None) -> tuple[Behind, ...]:
    """The wires that depend on the fuse at `place`: its own, and behind the main one those without a fuse of their own.

    `measured_c` is the air at the wires [°C] where a run measured it.
    """
    if machine is None:
        return ()
    return tuple(
        Behind(each, wire, machine.wire_air_c(each) if measured_c is None else measured_c)
        for each, wire in machine.wires.items()
        if (machine.protecting_fuse(each) or (None,))[0] == place
    )


def coordinate(place: str, family: str | None, rating_a: float | None, behind: Sequence[Behind]) -> Coordination:
    """A fuse of this family and marked rating at `place` against the wires behind it, of which the weakest counts."""
    table = None if family is None or rating_a is None else fuse_table(family, rating_a)
    if table is None or rating_a is None:
        return NOT_COMPARED
    if not behind:
        return _unknown(Reason("coordination_needs_wire", place=place))
    found = [_of(place, rating_a, rows_of(table, "latest"), each) for each in behind]
    return min(found, key=lambda each: ((False, None, True).index(each.holds), _least_ratio(each.curve)))


def _least_ratio(curve: Sequence[Point]) -> float:
    return min((point.ratio for point in curve), default=math.inf)


def _of(place: str, rating_a: float, rows: Rows, behind: Behind) -> Coordination:
    wire = behind.wire
    limit = ampacity(wire, behind.air_c)
    if limit.value_a is None or limit.column_c is None or wire.insulation_c is None:
        return _unknown(ampacity_reason(limit))
    curve = _curve(rating_a, rows, wire, limit)
    weakest = min(curve, key=lambda point: point.ratio)
    short = [point for point in curve if point.time_s <= LONGEST_S]
    longer = [point for point in curve if point.time_s > LONGEST_S]
    rise_most = max(1 / point.ratio**2 for point in longer)
    rise = max((point.fuse_a / point.wire_a) ** 2 for point in longer)
    certain_a = rating_a * rows[-1][1]
    burns = any(point.fuse_a > point.wire_a for point in short)
    copper_c, copper_most_c = (limit.air_c + (limit.column_c - limit.air_c) * each for each in (rise, rise_most))
    hottest_c = max(PVC_LIMIT_C, limit.column_c)
    overload = (
        copper_c <= hottest_c
        and rating_a <= limit.value_a
        and max(certain_a / limit.value_a, math.sqrt(rise)) <= OVERLOAD
    )
    strict = weakest.ratio >= 1
    holds = (True if short else None) if strict else False if burns or not overload else None
    code = {True: "wire_protected", False: "wire_not_protected", None: "wire_protected_by_overload_rule"}[holds]
    why = Reason(
        "wire_protected_beyond_short_time" if strict and not short else code,
        wire=behind.place,
        rating_a=rating_a,
        weakest_s=weakest.time_s,
        fuse_most_a=weakest.fuse_most_a,
        wire_least_a=weakest.wire_least_a,
        copper_c=copper_c,
        copper_most_c=copper_most_c,
        limit_c=limit.column_c,
        certain_a=certain_a,
        ampacity_a=limit.value_a,
        overload=OVERLOAD,
        short_s=LONGEST_S,
        burns=burns,
    )
    findings = []
    if not strict:
        severity: Severity = "note" if holds is None and rise <= 1 else "caution"
        if holds is False and (burns or rise > OVERLOAD**2 or copper_c > hottest_c):
            severity = "danger"
        findings.append(
            Reason("fuse_wire_coordination", severity, place=place, wire=behind.place, holds=holds, why=why)
        )
    return Coordination(holds, weakest.time_s, (why,), curve, tuple(findings))


def _curve(rating_a: float, rows: Rows, wire: Wire, limit: Ampacity) -> tuple[Point, ...]:
    """All times at which the four currents are compared; without a short-time limit those beyond 5 s."""
    memory, careful = memory_of(limit), careful_memory(wire, limit)
    assert memory is not None
    assert careful is not None
    assert limit.value_a is not None
    assert limit.area_mm2 is not None
    assert wire.insulation_c is not None
    short, area_mm2, sure = short_time_k(wire.insulation_c), limit.area_mm2, promised(rows)
    least_a = limit.value_a * (1 - COVERAGE_FACTOR * limit.relative_u)
    just_longer_s = math.nextafter(LONGEST_S, math.inf)
    spaced = np.geomspace(SHORTEST_S, LAST_S, TIMES).tolist()
    named = [LONGEST_S, just_longer_s, *(time_s for time_s, _ in rows if SHORTEST_S <= time_s <= LAST_S)]
    points = []
    for time_s in sorted({SHORTEST_S, LAST_S, *spaced[1:-1], *named}):
        if time_s > LONGEST_S:
            carried_a = limit.value_a * memory.allowed(time_s), least_a * careful.allowed(time_s)
        elif short is not None:
            by_rule_a = adiabatic_current_a(short.k, area_mm2, time_s)
            carried_a = by_rule_a, by_rule_a * least_copper(wire)
        else:
            continue
        through_a = rating_a * let_through(rows, time_s), rating_a * let_through_most(sure, time_s)
        points.append(Point(time_s, *through_a, *carried_a))
    return tuple(points)
