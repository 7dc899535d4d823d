"""When a wheel stood still although its side was commanded. docs/methods.md, Drive."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np

from amptally.analysis.controller.command import Commands
from amptally.analysis.controller.pulses import changes_of, course_of
from amptally.analysis.results.estimate import Estimate, estimate, refuse
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Flags, Floats, Run, Series

MIN_STALL_S = 0.5
"""A wheel that stands for less under command is starting, not stalled. Our own choice."""
STILL_SHARE = 0.1
"""A wheel stands if it turns at less than this share of its usual rate at that command. Our own choice."""
BRAKING = 2.0
"""Time for the last count of a wheel that brakes evenly to a stand, in usual intervals between counts."""
CURRENT_SHARES = (0.55, 0.7, 0.85)
"""Share of a standing motor's current above which it is taken to stand: for the high end, the value and the low end of
the time. At 0.7 it turns at less than 30 % of what the command asks for (V = I R + K ω). Our own choice."""
MIN_CURRENT_A = 5.0
"""Commands with a smaller standing current are not evaluated."""
SEEN_BY = ("stall_seen_by_pickups", "stall_seen_by_current")
"""Codes of the reason that says how stalls were recognised."""

Spans = list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Stall:
    """One stretch under command with a standing wheel."""

    side: str
    """left or right."""
    start_s: float
    end_s: float


def assess_stalls(run: Run, commands: Commands | Reason) -> tuple[Estimate, tuple[Stall, ...]]:
    """Time in which at least one wheel stood under command [s], and each stretch; from pickups, else from current."""
    if not isinstance(commands, Commands):
        return refuse("s", commands), ()
    counted = [side for side in SIDES if run.has(f"{side}_wheel_count")]
    if counted:
        return _from_counts(run, commands, counted)
    return _from_current(run, commands)


def _from_counts(run: Run, commands: Commands, sides: list[str]) -> tuple[Estimate, tuple[Stall, ...]]:
    stalls: list[Stall] = []
    slack_s = edges = hidden_s = 0.0
    for side in sides:
        counts = changes_of(run, f"{side}_wheel_count")
        assert counts is not None
        stands, uncertain_s, in_gaps_s = standing(counts, commands.time_s, np.abs(commands.side(side)), commands.dead)
        stalls += [Stall(side, start, end) for start, end in stands]
        slack_s, edges, hidden_s = slack_s + uncertain_s, edges + 2 * len(stands), hidden_s + in_gaps_s
    stalls.sort(key=lambda stall: stall.start_s)
    total_s = length(merge([(stall.start_s, stall.end_s) for stall in stalls]))
    interval_s = run.interval_s or 0.0
    return (
        estimate(
            total_s,
            "s",
            {"sampling": interval_s * (edges / 12) ** 0.5},
            doubt_low=min(slack_s, total_s),
            doubt_high=hidden_s,
            doubt="travel within one count, and gaps",
            note=Reason("stall_seen_by_pickups", sides=tuple(sides)),
        ),
        tuple(stalls),
    )


def standing(counts: Series, time_s: Floats, asked: Floats, dead: float) -> tuple[Spans, float, float]:
    """Stretches with |command| above `dead` in which the wheel stood; the part of them in which it may still have moved
    [s]; and time in gaps [s].

    `asked` is |command| at `time_s`, shape (n,). The interval from one count to the next is a standing one if the wheel
    turned at less than `STILL_SHARE` of its usual rate at that command; neighbours are joined, so that a wheel that
    creeps over an edge of its pickup still stands. A count shows that the wheel moved, not when it then stopped: that
    is uncertain by the time in which it brakes, or starts, evenly within one count.
    """
    stepped = np.flatnonzero(np.diff(counts.value) > 0) + 1
    moments = np.concatenate((counts.time_s[:1], counts.time_s[stepped], counts.time_s[-1:]))
    waits = np.diff(moments)
    on = asked > dead
    seconds = np.diff(time_s, append=time_s[-1:])
    edges = np.append(time_s[:1], time_s + seconds)
    on_s = np.diff(np.interp(moments, edges, np.append(0.0, np.cumsum(seconds * on))))
    mean = np.diff(np.interp(moments, edges, np.append(0.0, np.cumsum(seconds * on * asked)))) / np.maximum(on_s, 1e-9)
    driven = (on_s > 0.9 * waits) & (waits > 0)
    rate = float(np.median(1 / (waits[driven] * mean[driven]))) if driven[1:-1].any() else 0.0
    still_s = 1 / (STILL_SHARE * rate * np.maximum(mean, dead)) if rate > 0 else np.full(len(waits), MIN_STALL_S)
    stands = np.flatnonzero((on_s > 0) & (waits >= np.maximum(still_s, counts.interval_s)))
    asked_spans = on_spans(time_s, on, float(counts.time_s[-1]))
    asked_starts = [start for start, _ in asked_spans]
    gap_start_s = counts.time_s[:-1][counts.gap_after]
    usual_s = 1 / (rate * max(float(np.median(mean[driven])), dead)) if rate > 0 else 0.0
    found: Spans = []
    slack_s = hidden_s = 0.0
    for first, last in merge([(float(moments[place]), float(moments[place + 1])) for place in stands]):
        for start, end in _overlaps(asked_spans, asked_starts, first, last):
            if end - start < MIN_STALL_S:
                continue
            if np.searchsorted(gap_start_s, start) < np.searchsorted(gap_start_s, end):
                hidden_s += end - start
                continue
            found.append((start, end))
            slack_s += BRAKING * usual_s * ((start == first) + (end == last))
    return found, slack_s, hidden_s


def _overlaps(spans: Spans, starts: list[float], first: float, last: float) -> Spans:
    """The spans, which begin at `starts`, cut to first … last."""
    at = max(bisect_right(starts, first) - 1, 0)
    found = []
    while at < len(spans) and spans[at][0] < last:
        start, end = spans[at]
        if end > first:
            found.append((max(start, first), min(end, last)))
        at += 1
    return found


def on_spans(time_s: Floats, on: Flags, end_s: float, min_s: float = 0.0) -> Spans:
    """Stretches of at least `min_s` in which `on` holds, each value from its own time to the next; the last to
    `end_s`. Shapes (n,).
    """
    closed = np.concatenate(([False], on, [False]))
    edge = np.flatnonzero(closed[1:] != closed[:-1])
    times = np.append(time_s, max(float(end_s), float(time_s[-1])))[edge]
    long = np.flatnonzero(times[1::2] - times[::2] >= min_s)
    return list(zip(times[::2][long].tolist(), times[1::2][long].tolist(), strict=True))


def merge(spans: Spans) -> Spans:
    """The union of spans as spans that do not touch."""
    found: Spans = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end)
        else:
            found.append((start, end))
    return found


def length(spans: Spans) -> float:
    """Their total length [s]."""
    return sum(end - start for start, end in spans)


def _from_current(run: Run, commands: Commands) -> tuple[Estimate, tuple[Stall, ...]]:
    """From the current alone: near c·V/R in a motor lead, c²·V/R in a supply leg, for `MIN_STALL_S` or more."""
    machine, volts = run.machine, course_of(run, "battery_voltage_v")
    battery = machine.battery if machine else None
    nominal_v = battery.nominal_voltage_v if battery else None
    motor = machine.motor if machine else None
    ohm = motor.standing_ohm if motor else None
    at_nominal = False
    if ohm is None and motor is not None and motor.stall_a and nominal_v is not None:
        # A motor for a higher voltage than the battery's stands at less than stall_a: fewer stalls are seen, not more.
        ohm, at_nominal = nominal_v / motor.stall_a, True
    if ohm is None or volts is None:
        return refuse("s", Reason("stall_undecidable", missing="motor_resistance" if ohm is None else "voltage")), ()
    if run.sides_leg == "unknown":
        return refuse("s", Reason("stall_leg_unknown")), ()
    peak_a = machine.controller.peak_a if machine and machine.controller else None
    by_share: dict[float, list[Stall]] = {share: [] for share in CURRENT_SHARES}
    for side in SIDES:
        series = course_of(run, f"{side}_current_a")
        if series is None or len(series.time_s) < 2:
            continue
        asked = np.abs(commands.at(side, series.time_s))
        held_a = asked * np.interp(series.time_s, volts.time_s, volts.value) / ohm
        if peak_a is not None:
            held_a = np.minimum(held_a, peak_a)
        if run.sides_leg != "motor_lead":
            held_a = held_a * asked
        useful = (asked > commands.dead) & (held_a >= MIN_CURRENT_A)
        for share, found in by_share.items():
            on = useful & (np.abs(series.value) >= share * held_a)
            on[:-1] &= ~series.gap_after
            spans = on_spans(series.time_s, on, float(series.time_s[-1]), MIN_STALL_S)
            found += [Stall(side, start, end) for start, end in spans]
    longest_s, value_s, shortest_s = (
        length(merge([(stall.start_s, stall.end_s) for stall in by_share[share]])) for share in CURRENT_SHARES
    )
    low, high = min(shortest_s, value_s), max(longest_s, value_s)
    stalls = sorted(by_share[CURRENT_SHARES[1]], key=lambda stall: stall.start_s)
    return Estimate(value_s, low, high, "s", reasons=(Reason("stall_seen_by_current", at_nominal=at_nominal),)), tuple(
        stalls
    )
