"""Judges a run's data before any physics: which channels are not what they are labelled. docs/methods.md, Bad data.

Each check is a function of arrays, of means over 20 ms or longer (`Run.smooth`) except for clipping, and needs a clear
case. What a doubt does to the values that rest on a channel is the table in `doubts`.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from amptally.analysis.quality.clipping import clipped_peaks, peak_level, sensor_clipped
from amptally.analysis.quality.clock_skew import clock_doubt, estimate_lag
from amptally.analysis.quality.current_balance import Known, unbalanced_currents
from amptally.analysis.quality.doubts import Doubt, Doubts
from amptally.analysis.quality.filled_in import filled_in, held_under_load, regulated, step_size
from amptally.analysis.quality.single_channel import (
    Shift,
    measure_zero_shift,
    partial,
    stuck,
    stuck_doubt,
    zero_shift_doubt,
)
from amptally.analysis.quality.unseen_charge import unseen_charge
from amptally.analysis.quality.voltage_response import (
    Pair,
    apparent_resistance_ohm,
    implausible_scale,
    line,
    reversed_current,
    unresponsive_voltage,
)
from amptally.analysis.quality.wheel_counts import wheel_count_jumps
from amptally.analysis.results.leads import CURRENTS, LEADS
from amptally.analysis.results.reason import Reason, Severity
from amptally.analysis.results.sensor_terms import CLIPPED_SHARE
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import run_rest_threshold_a
from amptally.analysis.signals.series import Flags, Floats, Series, together

BATTERY = "battery_current_a"
VOLTAGES = (
    "battery_voltage_v",
    "midpoint_voltage_v",
    "controller_voltage_v",
    "receiver_voltage_v",
)
SUM_AT_LAG = 0.8
"""The sum of both channels is the battery's current: at the right lag their changes agree almost entirely."""
NEAR_TOP = 0.98
"""Means over some samples only nearly reach a clipped peak."""
STICK_US = 40.0
"""Dead bands of drive controllers are about this wide (from memory, common practice): a stick beyond it is held."""
MIN_MOVED_A = 1.0
MIN_MOVED_V = 0.02
Legs = tuple[Floats, Floats, Floats, Floats, Flags]
"""Times, battery, left and right current, gaps."""


def judge_battery(run: Run) -> Doubts:
    """Doubts about the battery's current and voltage, from these two channels alone."""
    pair = _pair(run)
    found = [] if pair is None else [*_of_battery(run, pair), unseen_charge(run)]
    return Doubts.of((*(doubt for doubt in found if doubt is not None), *_of_the_sum(run)))


def _pair(run: Run) -> Pair | None:
    current, voltage = run.smooth("battery_current_a"), run.smooth("battery_voltage_v")
    pair = Pair(*together(current, voltage)) if current is not None and voltage is not None else None
    return pair if pair is not None and len(pair.time_s) > 1 else None


def _sheet_ohm(run: Run) -> float | None:
    battery = run.machine.battery if run.machine else None
    return battery.whole_resistance_ohm if battery else None


def judge(run: Run) -> Doubts:
    """All doubts of a run, sensors at their full scale among them."""
    clipped = (sensor_clipped(run, lead) for lead in LEADS)
    found = (*_mislabelled(run), *clipped, *wheel_count_jumps(run))
    doubts = (doubt for doubt in found if doubt is not None)
    if run.battery_current_from == "left_plus_right":
        doubts = (_with_the_sum(doubt) for doubt in doubts)
    # A charger past all sensors is no fault of left or right.
    charged = [doubt for doubt in (unseen_charge(run),) if doubt is not None]
    return Doubts.of((*doubts, *_of_the_sum(run), *charged))


def _of_the_sum(run: Run) -> list[Doubt]:
    """What is not known of a battery current that is the sum of left and right."""
    if run.battery_current_from != "left_plus_right":
        return []
    known = run.standby_a is not None
    severity: Severity = "note" if known and run.sensed is not None else "caution"
    reason = Reason("battery_left_plus_right", severity, standby_a=run.standby_a, placed=run.sensed is not None)
    return [Doubt(reason, (BATTERY,), "" if known else "standby_unknown")]


def _with_the_sum(doubt: Doubt) -> Doubt:
    """What doubts one of both sides doubts their sum, and what does not fit of the sum may be in either side."""
    if BATTERY in doubt.channels:
        return replace(doubt, channels=tuple(dict.fromkeys((*doubt.channels, *CURRENTS))))
    return replace(doubt, channels=(*doubt.channels, BATTERY)) if set(doubt.channels) & set(CURRENTS) else doubt


def _mislabelled(run: Run) -> list[Doubt | None]:
    """Channels that are not what they are labelled."""
    pair, sheet_ohm = _pair(run), _sheet_ohm(run)
    voltage = run.smooth("battery_voltage_v")
    seen_ohm = apparent_resistance_ohm(pair) if pair is not None else None
    found: list[Doubt | None] = _of_battery(run, pair) if pair is not None else []
    found += [_held(run, name, voltage) for name in CURRENTS[1:]]
    filled = {doubt.channels[0] for doubt in found if doubt is not None and doubt.code == "current_filled_in"}
    sensors = CURRENTS[1:] if run.battery_current_from == "left_plus_right" else CURRENTS
    measured = [name for name in sensors if name not in filled]
    cut = {name: top for name in measured if (top := _cut(run, name, pair)) is not None}
    found += cut.values()
    legs = None if filled else _legs(run)
    stood = _stuck(run, None if filled else pair, legs, frozenset(cut))
    found += stood
    ratio = seen_ohm / sheet_ohm if seen_ohm and sheet_ohm else None
    known = Known(seen_ohm is not None, ratio, run.sensed is not None)
    disagreement = None if legs is None else _sum(run, legs, frozenset(cut), stood, known)
    if any(doubt is not None and doubt.code == "current_sign" for doubt in found):
        found, disagreement = _whose_sign(found, disagreement, legs is not None)
    found.append(disagreement)
    if disagreement is None and seen_ohm and sheet_ohm:
        found.append(implausible_scale(seen_ohm, sheet_ohm))
    found += _zeros(run, measured)
    found += [_partial(run, name) for name in (*sensors, *VOLTAGES)]
    return found


def _held(run: Run, name: str, voltage: Series | None) -> Doubt | None:
    """A side's current that is one number while the battery's voltage jumps."""
    series = run.smooth(name)
    if series is None or voltage is None:
        return None
    pair = Pair(*together(series, voltage))
    return held_under_load(name, pair, run_rest_threshold_a(run, name)) if len(pair.time_s) > 1 else None


def _cut(run: Run, name: str, pair: Pair | None) -> Doubt | None:
    """A current whose peaks are cut off; not one that a tester or a charger holds there."""
    series = run.smooth(name)
    if series is None or len(series.time_s) < 2:
        return None
    values, spread = functools.partial(run.values, name), float(np.std(series.value))
    peak = peak_level(run, name)
    top = clipped_peaks(name, peak, values, spread)
    held = top is not None and name == BATTERY and pair is not None and regulated(pair, peak.level)
    return None if held else top


def _whose_sign(
    found: list[Doubt | None], disagreement: Doubt | None, summed: bool
) -> tuple[list[Doubt | None], Doubt | None]:
    """Where the battery's sign is reversed: channels that add up to it are reversed as well, others are right."""
    if disagreement is not None:
        right = disagreement.variant == "sign"
        return found, replace(disagreement, channels=(BATTERY,)) if right else disagreement
    if not summed:
        return found, None
    all_reversed = [
        replace(doubt, channels=CURRENTS) if doubt is not None and doubt.code == "current_sign" else doubt
        for doubt in found
    ]
    return all_reversed, None


def _of_battery(run: Run, pair: Pair) -> list[Doubt | None]:
    """Doubts from the battery's voltage and current together."""
    amps, volts = pair.amps, pair.volts
    lag = estimate_lag(pair.time_s, amps, -volts, pair.gap_after)
    if lag is not None:
        # The mean of v·i lies within the product of both spreads around the product of the means, however they lie.
        spread_w = float(np.std(amps) * np.std(volts))
        width_w = spread_w + abs(float(np.mean(amps * volts)) - float(np.mean(amps)) * float(np.mean(volts)))
        hours = _sampled_s(pair.time_s, pair.gap_after) / 3600
        widths = (("Wh", width_w * hours), ("W", width_w))
        return [clock_doubt(lag, ("battery_voltage_v",), "voltage", widths)]
    return [reversed_current(pair), unresponsive_voltage(pair, _sheet_ohm(run)), filled_in(BATTERY, pair)]


def _sampled_s(time_s: Floats, gap_after: Flags) -> float:
    return float(np.diff(time_s)[~gap_after].sum())


def _legs(run: Run) -> Legs | None:
    """The three currents at the same moments, where both channels are measured in supply legs."""
    if run.sides_leg != "supply_leg" or run.battery_current_from != "measured":
        return None
    series = [run.smooth(name) for name in CURRENTS]
    battery, left, right = series
    if battery is None or left is None or right is None:
        return None
    time_s, first, second, gap_after = together(battery, left)
    if len(time_s) < 2:
        return None
    time_s, both, third, gap_after = together(Series(time_s, np.stack((first, second), 1), gap_after), right)
    # Inside a gap of one channel the others have samples, and this one only an interpolated line.
    between = np.concatenate(([False], gap_after[1:] & gap_after[:-1], [False])) if len(time_s) > 1 else gap_after
    battery_a, left_a = (np.ascontiguousarray(part) for part in both.T)
    keep = np.flatnonzero(~between & ~_charging(run, battery_a, left_a, third))
    if len(keep) < 2:
        return None
    if len(keep) == len(time_s):
        return time_s, battery_a, left_a, third, gap_after
    gap_after = np.logical_or.reduceat(gap_after, keep[:-1]) | (np.diff(keep) > 1)
    return time_s[keep], battery_a[keep], left_a[keep], third[keep], gap_after


def _charging(run: Run, battery_a: Floats, left_a: Floats, right_a: Floats) -> Flags:
    """Where current flows into the battery and neither side's channel carries any: a charger's, past both sensors."""
    into, *still = (run_rest_threshold_a(run, name) for name in CURRENTS)
    return np.asarray((battery_a < -into) & (np.abs(left_a) < still[0]) & (np.abs(right_a) < still[1]))


def _sum(run: Run, legs: Legs, cut: frozenset[str], stood: list[Doubt], known: Known) -> Doubt | None:
    """The sum of both channels, where none of the three is stuck; clipped samples are left out."""
    time_s, battery, left, right, gap_after = legs
    gains = [run.sensor(name).gain_u or 0.0 for name in CURRENTS]
    if any(doubt.channels[0].endswith("_current_a") for doubt in stood):
        return None
    used = battery, left, right
    if cut:
        sizes = [np.abs(value) for name, value in zip(CURRENTS, used, strict=True) if name in cut]
        use = np.logical_and.reduce([size < NEAR_TOP * float(size.max()) for size in sizes])
        used = battery[use], left[use], right[use]
    found = unbalanced_currents(*used, max(gains), known)
    if found is None or found.code == "channels_swapped":
        return found
    lag = estimate_lag(time_s, battery, left + right, gap_after)
    if lag is None or lag.correlation < SUM_AT_LAG:
        return found
    return clock_doubt(lag, ("left_current_a", "right_current_a"), "channels")


def _stuck(run: Run, pair: Pair | None, legs: Legs | None, cut: frozenset[str]) -> list[Doubt]:
    """Channels that are stuck while what they should follow moves."""
    found: list[Doubt] = []
    judged: list[tuple[str, Floats, Floats, Callable[[], Floats], Flags, float, str]] = []
    if legs is not None:
        time_s, battery, left, right, gap_after = legs
        for name, value, witness_of in (
            ("battery_current_a", battery, lambda: left + right),
            ("left_current_a", left, lambda: battery - right),
            ("right_current_a", right, lambda: battery - left),
        ):
            judged.append((name, time_s, value, witness_of, gap_after, MIN_MOVED_A, ""))
    if pair is not None:
        time_s, amps, volts, gap_after = pair.time_s, pair.amps, pair.volts, pair.gap_after
        di, dv = pair.changes
        moving = (di != 0) & (dv != 0)
        fit = line(di[moving], dv[moving]) if moving.sum() >= 20 else None
        if fit is not None and fit.slope < 0 and fit.correlation <= -0.5:
            ohm = fit.slope
            judged.append((BATTERY, time_s, amps, lambda: volts / ohm, gap_after, MIN_MOVED_A, ""))
            judged.append(("battery_voltage_v", time_s, volts, lambda: amps * ohm, gap_after, MIN_MOVED_V, "voltage"))
    seen: set[str] = set()
    for name, time_s, value, witness_of, gap_after, minimum, variant in judged:
        if name in seen:
            continue
        place = stuck(time_s, value, witness_of, gap_after, minimum)
        if place is None or place.witness_moved < _reading_step(run, name, value):
            continue
        if not _at_its_end(run, name, place.level, cut):
            seen.add(name)
            found.append(stuck_doubt(name, place, variant))
    return found


def _at_its_end(run: Run, name: str, level: float, cut: frozenset[str]) -> bool:
    """Whether a channel stays where its range ends: cut off, not stuck."""
    full_scale = run.sensor(name).full_scale
    ends = [CLIPPED_SHARE * full_scale] if full_scale else []
    if name in cut:
        ends.append(NEAR_TOP * peak_level(run, name).level)
    return any(abs(level) >= end for end in ends)


def _reading_step(run: Run, name: str, value: Floats) -> float:
    """One step of a channel's reading: what moves by less may read the same. `value`: its means over some samples."""
    whole = run.extremes(name)
    return step_size(value) * (1.0 if whole is None else max(whole.samples / len(value), 1.0))


def _zeros(run: Run, measured: list[str]) -> list[Doubt | None]:
    """Zeros that moved; a load that stayed on shows in the battery lead and in its channel equally."""
    shifts: dict[str, tuple[Shift, Series, float]] = {}
    for name in measured:
        series = run.smooth(name)
        if series is None or len(series.time_s) < 2:
            continue
        threshold = run_rest_threshold_a(run, name)
        shift = measure_zero_shift(series, threshold, run.sensor(name).full_scale or 0.0)
        if shift is not None and not _stick_held(run, shift):
            shifts[name] = (shift, series, threshold)
    main = shifts.get("battery_current_a")
    if main is not None and len(shifts) > 1:
        sides = sum(shift.by_a for name, (shift, _, _) in shifts.items() if name != "battery_current_a")
        if abs(main[0].by_a - sides) <= 2 * main[2]:
            return []
    return [
        zero_shift_doubt(name, shift, _shift_widths(run, series, shift)) for name, (shift, series, _) in shifts.items()
    ]


def _stick_held(run: Run, shift: Shift) -> bool:
    """Whether a command pulse is not where it was at the rest before: the motors are asked to run."""
    for name in ("pulse_a_us", "pulse_b_us"):
        pulse = run.smooth(name)
        if pulse is None:
            continue
        spans = (np.searchsorted(pulse.time_s, span) for span in (shift.before_s, shift.after_s))
        before, after = (pulse.value[first : last + 1] for first, last in spans)
        if len(before) and len(after) and abs(float(np.median(after) - np.median(before))) > STICK_US:
            return True
    return False


def _shift_widths(run: Run, series: Series, shift: Shift) -> tuple[tuple[str, float], ...]:
    """Effect of a zero that moved at an unknown moment on sums, means and ratios."""
    by_a, hours = abs(shift.by_a), series.sampled_s / 3600
    voltage = run.smooth("battery_voltage_v")
    volts = float(np.mean(voltage.value)) if voltage is not None else 0.0
    battery = run.machine.battery if run.machine else None
    rated_ah = battery.whole_capacity_ah if battery else None
    mean_a, rms_a = abs(float(np.mean(series.value))), float(np.sqrt(np.mean(series.value**2)))
    share = by_a * hours / rated_ah if rated_ah else 0.0
    return (
        ("A", by_a),
        ("Ah", by_a * hours),
        ("W", by_a * volts),
        ("Wh", by_a * volts * hours),
        ("charge", share),
        ("mean", (by_a / mean_a if mean_a else 0.0) + share),
        ("load", by_a / rms_a if rms_a else 0.0),
    )


def _partial(run: Run, name: str) -> Doubt | None:
    """A channel that covers part of the run only; each by its own gaps."""
    extremes = run.extremes(name)
    if extremes is None or extremes.samples == run.rows:
        return None  # nothing of it is missing
    series = run.smooth(name)
    if series is None or len(series.time_s) < 2:
        return None
    lost_s = sum(gap.end_s - gap.start_s for gap in run.gaps() if gap.end_s is not None)
    # A slower channel cannot reach the run's two ends, nor means over some samples the edges of a gap.
    covered_s = series.sampled_s + (2 + int(series.gap_after.sum())) * series.interval_s
    found = partial(name, covered_s, run.duration_s - lost_s)
    if found is None or name.endswith("_current_a"):
        return found
    return replace(found, variant="voltage" if name == "battery_voltage_v" else "other")
