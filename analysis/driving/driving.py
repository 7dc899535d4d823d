"""How a machine was driven: stalls, reversing, recovered charge, balance of both sides, current by command.

docs/methods.md, Drive. What the data cannot support is refused with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from amptally.analysis.controller.command import Commands, read_commands
from amptally.analysis.controller.pulses import course_of
from amptally.analysis.driving.stall import SEEN_BY, Stall, assess_stalls, on_spans
from amptally.analysis.driving.straight import uneven_sides
from amptally.analysis.exposure.current import current_error
from amptally.analysis.integrals.energy import Energy
from amptally.analysis.laps.laps import Laps
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import Bound, Estimate, above_zero, estimate, extreme_u, refuse
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.charging import on_charger
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.samples import BELIEVABLE_A

BINS = 10
LEVEL_A = 0.05
"""Resolution of the median of a bin."""
MAX_LEVEL = round(BELIEVABLE_A / LEVEL_A)


@dataclass(frozen=True, slots=True)
class CommandBin:
    """Current of one side while its command was about this large."""

    side: str
    """left or right."""
    from_share: float
    """Lower end of |command|, 0 to 1."""
    to_share: float
    samples: int
    seconds: float
    mean_a: float
    """In a supply leg with its sign; in a motor lead of |current|."""
    median_a: float


@dataclass(frozen=True, slots=True)
class DriveUse:
    """The report's `drive`."""

    stall_s: Estimate
    """Time in which a wheel stood although its side was commanded."""
    stalls: tuple[Stall, ...]
    reversing_s: Estimate
    """Time commanded backwards, without turning on the spot."""
    reversing_fraction: Estimate
    """The same over the time with commands."""
    regenerated_ah: Estimate
    """Charge recovered into the battery."""
    regenerated_fraction: Estimate
    """The same over the discharged charge."""
    peak_recovered_a: Estimate
    """Maximum current into the battery."""
    peak_recovered_at_s: float | None
    left_share: Estimate
    """Left channel's part of both channels' net charge."""
    laps_left_share: tuple[float | None, ...]
    """The same for each lap; None where a channel was not measured in its supply leg or took nothing."""
    command_map: tuple[CommandBin, ...]
    command_map_refused: Reason | None
    """Why there is no map."""
    findings: tuple[Reason, ...]


def assess_drive(run: Run, energy: Energy, laps: Laps, doubts: Doubts) -> DriveUse:
    """How a machine was driven. `energy` and `laps` have been held against the doubts already."""
    commands = read_commands(run)
    stall_s, stalls = assess_stalls(run, commands)
    reversing_s, reversing_fraction = reversing(run, commands)
    peak, peak_at_s = peak_recovered(run)
    peak = doubts.hold(peak, ("battery_current_a", "back"))
    regenerated_ah, regenerated_fraction = energy.recovered_ah, ratio(energy.recovered_ah, energy.discharged_ah)
    charged = on_charger(run)
    if charged is not None:
        regenerated_ah, regenerated_fraction, peak = (refuse(unit, charged) for unit in ("Ah", "", "A"))
    bins, refused = command_map(run, commands, doubts)
    uneven = uneven_sides(run, commands, doubts)
    stalled = tuple(_stalled(side, stalls, stall_s) for side in SIDES if any(stall.side == side for stall in stalls))
    return DriveUse(
        stall_s,
        stalls,
        reversing_s,
        reversing_fraction,
        regenerated_ah,
        regenerated_fraction,
        peak,
        None if peak.is_refused else peak_at_s,
        left_share(energy),
        tuple(lap.left_share for lap in laps.each),
        bins,
        refused,
        stalled if uneven is None else (*stalled, uneven),
    )


def _stalled(side: str, stalls: tuple[Stall, ...], stall_s: Estimate) -> Reason:
    own = [stall for stall in stalls if stall.side == side]
    longest = max(own, key=lambda stall: stall.end_s - stall.start_s)
    return Reason(
        "wheel_stalled",
        "caution",
        side=side,
        stalls=len(own),
        longest_s=longest.end_s - longest.start_s,
        longest_at_s=longest.start_s,
        seen_by=next(reason for reason in stall_s.reasons if reason.code in SEEN_BY),
    )


def reversing(run: Run, commands: Commands | Reason) -> tuple[Estimate, Estimate]:
    """Time commanded backwards [s], and its share of the time with commands; refused without commands."""
    if not isinstance(commands, Commands):
        return refuse("s", commands), refuse("", commands)
    steps_s = np.where(commands.gap_after, 0.0, np.diff(commands.time_s))
    whole_s = float(steps_s.sum())
    if whole_s <= 0:
        return refuse("s", Reason("command_pulses_few")), refuse("", Reason("command_pulses_few"))
    mean = 0.5 * (commands.left + commands.right)

    def backwards(threshold: float) -> tuple[float, int]:
        smaller = np.minimum(np.abs(commands.left), np.abs(commands.right))
        on = (mean < -threshold) & ~((commands.left * commands.right < 0) & (smaller > threshold))
        return float((steps_s * on[:-1]).sum()), len(on_spans(commands.time_s, on, float(commands.time_s[-1])))

    near, far = commands.dead_range
    value_s, spells = backwards(commands.dead)
    longest_s, shortest_s = backwards(near)[0], backwards(far)[0]
    missing_s = float(commands.time_s[-1] - commands.time_s[0]) - whole_s
    result = above_zero(
        estimate(
            value_s,
            "s",
            {"sampling": (run.interval_s or 0.0) * (spells / 6) ** 0.5},
            doubt_low=max(value_s - shortest_s, 0.0),
            doubt_high=max(longest_s - value_s, 0.0) + missing_s,
            doubt="dead band and gaps",
        )
    )
    low, high = result.low or 0.0, min((result.high or 0.0) / whole_s, 1.0)
    return result, Estimate(value_s / whole_s, low / whole_s, max(high, value_s / whole_s), "", reasons=result.reasons)


def ratio(part: Estimate, whole: Estimate) -> Estimate:
    """part ÷ whole of two amounts, each end from the opposite ends of both: the worst case, without any correlation.

    Refused where one of them is, where the whole is not above 0, and where both ends would be open.
    """
    for each in (part, whole):
        if each.value is None:
            return refuse("", *each.reasons)
    assert part.value is not None
    assert whole.value is not None
    if whole.value <= 0:
        return refuse("", Reason("nothing_discharged"))
    low = None if part.low is None or whole.high is None else max(part.low, 0.0) / whole.high
    high = None if part.high is None or not whole.low or whole.low <= 0 else part.high / whole.low
    value = part.value / whole.value
    if low is None and high is None:
        return refuse("", Reason("share_unbounded"))
    bound: Bound = "at_most" if low is None else "at_least" if high is None else "estimate"
    return Estimate(value, low, high, "", bound, reasons=_reasons_of(part, whole))


def _reasons_of(*parts: Estimate) -> tuple[Reason, ...]:
    """What they rest on, each reason once."""
    return tuple(dict.fromkeys(reason for part in parts for reason in part.reasons))


def peak_recovered(run: Run) -> tuple[Estimate, float | None]:
    """Maximum current into the battery [A], `at_least`, 0 where none flowed back; and when [s]."""
    found = run.extremes("battery_current_a")
    if found is None:
        return refuse("A", Reason("not_measured", channel="battery_current_a")), None
    sensor, value = run.sensor("battery_current_a"), max(-found.minimum, 0.0)
    terms: dict[str, float | None] = {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * value,
        "current offset": sensor.offset_u,
        "noise of the greatest sample": extreme_u(current_error(sensor).noise_a or 0.0, found.samples),
    }
    result = above_zero(estimate(value, "A", terms)).bounded("at_least", Reason("shorter_peak_missed"))
    return result, found.minimum_at_s if value > 0 else None


def left_share(energy: Energy) -> Estimate:
    """Left ÷ (left + right) of both channels' net charge, each end from the opposite ends of both."""
    left, right = energy.by_channel["left"][0], energy.by_channel["right"][0]
    for side in (left, right):
        if side.value is None:
            return refuse("", *side.reasons)
        if side.low is None or side.high is None:
            return refuse("", Reason("channel_charge_one_sided"))
    assert left.value is not None
    assert left.low is not None
    assert left.high is not None
    assert right.value is not None
    assert right.low is not None
    assert right.high is not None
    if min(left.low, right.low) <= 0:
        return refuse("", Reason("channel_charge_near_zero"))
    value = left.value / (left.value + right.value)
    low, high = left.low / (left.low + right.high), left.high / (left.high + right.low)
    return Estimate(value, low, high, "", reasons=_reasons_of(left, right))


def command_map(run: Run, commands: Commands | Reason, doubts: Doubts) -> tuple[tuple[CommandBin, ...], Reason | None]:
    """Mean and median current of each side by size of its command, in ten equal bins, without the empty ones; or why
    there are none. A side whose charge is refused has no bins.
    """
    if not isinstance(commands, Commands):
        return (), commands
    against = {side: doubts.against((f"{side}_current_a", "channel_charge")) for side in SIDES}
    motor_lead = run.sides_leg == "motor_lead"
    bins = {side: _bins(run, commands, side, motor_lead) for side in SIDES}
    found = tuple(each for side in SIDES if against[side] is None for each in bins[side])
    if found:
        return found, None
    refusing = (reason for side in SIDES if bins[side] and (reason := against[side]) is not None)
    return (), next(refusing, Reason("side_currents_unmeasured"))


def _bins(run: Run, commands: Commands, side: str, motor_lead: bool) -> list[CommandBin]:
    """The bins of one side; medians from a histogram with levels of `LEVEL_A`."""
    part, name = course_of(run, f"{side}_current_a"), f"{side}_current_a"
    if part is None or len(part.time_s) < 2:
        return []
    steps_s, amps, asked = np.diff(part.time_s), part.value[:-1], commands.at(side, part.time_s)[:-1]
    if part.gap_after.any():
        sampled = np.flatnonzero(~part.gap_after)
        steps_s, amps, asked = steps_s[sampled], amps[sampled], asked[sampled]
    amps = np.abs(amps) if motor_lead else amps
    place = np.minimum((np.abs(asked) * BINS).astype(np.int64), BINS - 1)
    seconds, charge = np.bincount(place, steps_s, BINS), np.bincount(place, steps_s * amps, BINS)
    level = np.clip(np.rint(amps / LEVEL_A), -MAX_LEVEL, MAX_LEVEL).astype(np.int64)
    lowest = int(level.min(initial=0))
    levels = int(level.max(initial=0)) - lowest + 1
    counts = np.bincount(place * levels + (level - lowest), minlength=BINS * levels).reshape(BINS, levels)
    # The values of a long run are means of several samples each.
    whole = run.extremes(name)
    per_value = 1.0 if whole is None else whole.samples / len(part.value)
    found = []
    for number in np.flatnonzero(seconds > 0).tolist():
        values = int(counts[number].sum())
        samples = round(values * per_value)
        middle = int(np.searchsorted(np.cumsum(counts[number]), (values + 1) // 2))
        ends = number / BINS, (number + 1) / BINS
        means = float(seconds[number]), float(charge[number] / seconds[number]), (middle + lowest) * LEVEL_A
        found.append(CommandBin(side, *ends, samples, *means))
    return found
