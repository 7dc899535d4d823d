"""How a machine was driven: stalls, reversing, braking into the battery, balance, current by command.

docs/methods.md, Drive. What the data cannot support is refused with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from amptally.analysis.controller.command import Commands, read_commands
from amptally.analysis.controller.pulses import course_of
from amptally.analysis.driving.stall import Stall, assess_stalls, on_spans
from amptally.analysis.exposure.current import current_error
from amptally.analysis.integrals.energy import Energy
from amptally.analysis.laps.laps import Laps
from amptally.analysis.results.estimate import Bound, Estimate, above_zero, as_reasons, estimate, extreme_u, refuse
from amptally.analysis.results.finding import Finding
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.samples import BELIEVABLE_A

BINS = 10
LEVEL_A = 0.05
"""To which the median of a bin is known."""
MOST_LEVEL = round(BELIEVABLE_A / LEVEL_A)


@dataclass(frozen=True, slots=True)
class CommandBin:
    """Current of one side while it was asked for about this much."""

    side: str
    """left or right."""
    from_share: float
    """|command| from here on, 0 to 1."""
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
    """Time commanded backwards, turning on the spot left out."""
    reversing_fraction: Estimate
    """The same over the time with commands."""
    regenerated_ah: Estimate
    """Charge that came back into the battery."""
    regenerated_fraction: Estimate
    """The same over what went out."""
    peak_recovered_a: Estimate
    """Greatest current into the battery."""
    peak_recovered_at_s: float | None
    left_share: Estimate
    """Left channel's part of both channels' net charge."""
    laps_left_share: tuple[float | None, ...]
    """The same for each lap; None where a channel was not measured in its supply leg or took nothing."""
    command_map: tuple[CommandBin, ...]
    command_map_refused: str | None
    """Why there is no map."""
    findings: tuple[Finding, ...]


def assess_drive(run: Run, energy: Energy, laps: Laps) -> DriveUse:
    """Everything about how a machine was driven."""
    commands = read_commands(run)
    stall_s, stalls = assess_stalls(run, commands)
    reversing_s, reversing_fraction = reversing(run, commands)
    peak, peak_at_s = peak_recovered(run)
    bins, refused = command_map(run, commands)
    return DriveUse(
        stall_s,
        stalls,
        reversing_s,
        reversing_fraction,
        energy.recovered_ah,
        ratio(energy.recovered_ah, energy.discharged_ah),
        peak,
        peak_at_s,
        left_share(energy),
        tuple(lap.left_share for lap in laps.each),
        bins,
        refused,
        tuple(_stalled(side, stalls, stall_s) for side in SIDES if any(stall.side == side for stall in stalls)),
    )


def _stalled(side: str, stalls: tuple[Stall, ...], stall_s: Estimate) -> Finding:
    own = [stall for stall in stalls if stall.side == side]
    longest = max(own, key=lambda stall: stall.end_s - stall.start_s)
    times = "once" if len(own) == 1 else f"{len(own)} times"
    return Finding(
        "caution",
        "wheel_stalled",
        f"The {side} wheel stood still under command.",
        f"{times}, longest {longest.end_s - longest.start_s:.1f} s from {longest.start_s:.1f} s; "
        f"{stall_s.basis.split(';')[-1].strip()}",
        "A standing motor takes its greatest current: let go of the stick at once, and look for what held the wheel.",
    )


def reversing(run: Run, commands: Commands | Reason) -> tuple[Estimate, Estimate]:
    """Seconds commanded backwards, and their share of the time with commands."""
    if isinstance(commands, Reason):
        return refuse("s", commands), refuse("", commands)
    steps_s = np.where(commands.gap_after, 0.0, np.diff(commands.time_s))
    whole_s = float(steps_s.sum())
    if whole_s <= 0:
        return refuse("s", "too few command pulses"), refuse("", "too few command pulses")
    mean = 0.5 * (commands.left + commands.right)

    def backwards(threshold: float) -> tuple[float, int]:
        least = np.minimum(np.abs(commands.left), np.abs(commands.right))
        on = (mean < -threshold) & ~((commands.left * commands.right < 0) & (least > threshold))
        return float((steps_s * on[:-1]).sum()), len(on_spans(commands.time_s, on, float(commands.time_s[-1])))

    near, far = commands.dead_range
    value_s, spells = backwards(commands.dead)
    most_s, least_s = backwards(near)[0], backwards(far)[0]
    missing_s = float(commands.time_s[-1] - commands.time_s[0]) - whole_s
    result = above_zero(
        estimate(
            value_s,
            "s",
            {"sampling": (run.interval_s or 0.0) * (spells / 6) ** 0.5},
            doubt_low=max(value_s - least_s, 0.0),
            doubt_high=max(most_s - value_s, 0.0) + missing_s,
            doubt="dead band and gaps",
        )
    )
    low, high = result.low or 0.0, min((result.high or 0.0) / whole_s, 1.0)
    return result, Estimate(value_s / whole_s, low / whole_s, max(high, value_s / whole_s), "", reasons=result.reasons)


def ratio(part: Estimate, whole: Estimate) -> Estimate:
    """part / whole of two amounts, each end from the ends of both, as if their errors stood against each other."""
    for each in (part, whole):
        if each.value is None:
            return refuse("", each.refused or "one of the amounts is not known")
    assert part.value is not None
    assert whole.value is not None
    if whole.value <= 0:
        return refuse("", "nothing went out, so there is no share of it")
    low = None if part.low is None or whole.high is None else max(part.low, 0.0) / whole.high
    high = None if part.high is None or not whole.low or whole.low <= 0 else part.high / whole.low
    value = part.value / whole.value
    if low is None and high is None:
        return refuse("", "neither side of the share is bounded")
    bound: Bound = "at_most" if low is None else "at_least" if high is None else "estimate"
    basis = _basis(part, whole)
    return Estimate(value, low, high, "", bound, reasons=as_reasons(basis))


def _basis(*parts: Estimate) -> str:
    """What each rests on, the same words once."""
    return "; ".join(dict.fromkeys(words for part in parts for words in part.basis.split("; ") if words))


def peak_recovered(run: Run) -> tuple[Estimate, float | None]:
    """Greatest current into the battery [A], 0 where none was seen, and when."""
    found = run.extremes("battery_current_a")
    if found is None:
        return refuse("A", "no battery current was measured"), None
    sensor, value = run.sensor("battery_current_a"), max(-found.minimum, 0.0)
    terms: dict[str, float | None] = {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * value,
        "current offset": sensor.offset_u,
        "noise of the greatest sample": extreme_u(current_error(sensor).noise_a or 0.0, found.samples),
    }
    why = "samples can miss a shorter peak"
    result = above_zero(estimate(value, "A", terms)).bounded("at_least", why)
    return result, found.minimum_at_s if value > 0 else None


def left_share(energy: Energy) -> Estimate:
    """Left / (left + right) of both channels' net charge, each end from the ends of both."""
    left, right = energy.by_channel["left"][0], energy.by_channel["right"][0]
    for side in (left, right):
        if side.value is None or side.low is None or side.high is None:
            return refuse("", side.refused or "a channel's charge is known from one side only")
    assert left.value is not None
    assert left.low is not None
    assert left.high is not None
    assert right.value is not None
    assert right.low is not None
    assert right.high is not None
    if min(left.low, right.low) <= 0:
        return refuse("", "one channel took no charge that can be told from zero")
    value = left.value / (left.value + right.value)
    low, high = left.low / (left.low + right.high), left.high / (left.high + right.low)
    basis = _basis(left, right)
    return Estimate(value, low, high, "", reasons=as_reasons(basis))


def command_map(run: Run, commands: Commands | Reason) -> tuple[tuple[CommandBin, ...], str | None]:
    """Mean and median current of each side by size of its command, in ten equal bins; empty bins are left out."""
    if isinstance(commands, Reason):
        return (), refuse("", commands).refused
    found = [each for side in SIDES for each in _bins(run, commands, side, run.sides_leg == "motor_lead")]
    return tuple(found), None if found else "left and right current were not measured in two samples or more"


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
    level = np.clip(np.rint(amps / LEVEL_A), -MOST_LEVEL, MOST_LEVEL).astype(np.int64)
    least = int(level.min(initial=0))
    levels = int(level.max(initial=0)) - least + 1
    counts = np.bincount(place * levels + (level - least), minlength=BINS * levels).reshape(BINS, levels)
    # Of many samples their means were looked at, each for as many.
    whole = run.extremes(name)
    each_is = 1.0 if whole is None else whole.samples / len(part.value)
    found = []
    for number in np.flatnonzero(seconds > 0).tolist():
        looked = int(counts[number].sum())
        samples = round(looked * each_is)
        middle = int(np.searchsorted(np.cumsum(counts[number]), (looked + 1) // 2))
        ends = number / BINS, (number + 1) / BINS
        means = float(seconds[number]), float(charge[number] / seconds[number]), (middle + least) * LEVEL_A
        found.append(CommandBin(side, *ends, samples, *means))
    return found
