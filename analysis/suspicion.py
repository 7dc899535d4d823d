"""Data that cannot be what they are labelled: turned signs, swapped or mis-scaled channels, cut tops, filled-in values.

docs/methods.md, Bad data. Each test needs a clear case; the thresholds are our own choice and stated here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.finding import Finding
from analysis.rest import rest_threshold_a
from analysis.run import Flags, Floats, Run, Series, together

LEAST_SPREAD_A = 1.0
"""1 σ of a current that must be there before its relation to anything is judged."""
CLEAR_CORRELATION = 0.3
SUM_CORRELATION = 0.95
SUM_TOLERANCE = 0.1
"""Battery lead against both channels: a slope within this of 1 is left to the declared gains."""
LEAST_ANSWER_OHM = 2e-4
"""A battery of this kind falls by more than 0.2 mV per ampere; below it the voltage does not answer the load."""
BIN_S = 0.5


@dataclass(frozen=True, slots=True)
class Line:
    """Least-squares line y = intercept + slope · x."""

    slope: float
    intercept: float
    correlation: float


def line(x: Floats, y: Floats) -> Line:
    """Fit of two arrays, shape (n,); a slope of 0 where x does not vary."""
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if sxx == 0 or syy == 0:
        return Line(0.0, float(y.mean()), 0.0)
    slope = sxy / sxx
    return Line(slope, float(y.mean() - slope * x.mean()), sxy / math.sqrt(sxx * syy))


def changes(time_s: Floats, amps: Floats, volts: Floats, gap_after: Flags) -> tuple[Floats, Floats]:
    """Changes of current and voltage between neighbouring means over `BIN_S` or one sample, gaps left out."""
    place = np.floor((time_s - time_s[0]) / BIN_S).astype(np.int64)
    place += np.concatenate(([0], np.cumsum(gap_after))) * (int(place[-1]) + 2)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(place)) + 1))
    count = np.diff(np.concatenate((starts, [len(place)])))
    mean_a, mean_v = np.add.reduceat(amps, starts) / count, np.add.reduceat(volts, starts) / count
    broken = np.add.reduceat(np.concatenate((gap_after, [False])), starts)[:-1] > 0
    return np.diff(mean_a)[~broken], np.diff(mean_v)[~broken]


def turned_sign(time_s: Floats, amps: Floats, volts: Floats, gap_after: Flags) -> Finding | None:
    """A load pulls the voltage down; where it rises with the current, the current's sign is turned."""
    if len(time_s) < 20 or float(np.std(amps)) < LEAST_SPREAD_A:
        return None
    di, dv = changes(time_s, amps, volts, gap_after)
    if len(di) < 10:
        return None
    fit = line(di, dv)
    if fit.slope <= LEAST_ANSWER_OHM or fit.correlation < CLEAR_CORRELATION:
        return None
    return Finding(
        "danger",
        "current_sign",
        "The battery's voltage rises when its current rises: the sign of the current looks turned.",
        f"+{1e3 * fit.slope:.1f} mV per ampere over {len(di)} changes (correlation {fit.correlation:.2f})",
        "Turn the sensor, or its gain in the machine file; at import use --discharge negative.",
    )


def unanswering_voltage(time_s: Floats, amps: Floats, volts: Floats, gap_after: Flags) -> Finding | None:
    """A voltage that stays where it is while the current moves belongs to something else."""
    if len(time_s) < 20 or float(np.ptp(amps)) < 10 * LEAST_SPREAD_A:
        return None
    di, dv = changes(time_s, amps, volts, gap_after)
    busy = np.abs(di) > LEAST_SPREAD_A
    if busy.sum() < 10:
        return None
    fit = line(di[busy], dv[busy])
    scatter = float(np.std(dv[busy] - fit.intercept - fit.slope * di[busy]))
    doubt = 2 * scatter / math.sqrt(float((di[busy] ** 2).sum()))
    if abs(fit.slope) + doubt >= LEAST_ANSWER_OHM:
        return None
    return Finding(
        "danger",
        "voltage_unanswering",
        "The battery voltage does not answer the load: it may be filled in, or measured elsewhere.",
        f"{1e3 * fit.slope:.3f} ± {1e3 * doubt:.3f} mV per ampere over {int(busy.sum())} changes of current",
        "Check where the voltage is taken; sag and resistance of this run mean nothing.",
    )


def disagreeing_sum(battery: Floats, left: Floats, right: Floats, gain_u: float) -> Finding | None:
    """Battery = left + right in supply legs; another sum that fits better says that channels are swapped."""
    both = left + right
    if len(battery) < 50 or float(np.std(both)) < LEAST_SPREAD_A or float(np.std(battery)) < LEAST_SPREAD_A:
        return None
    fit = line(both, battery)
    if abs(fit.slope - 1) <= SUM_TOLERANCE + 3 * gain_u and fit.correlation >= SUM_CORRELATION:
        return None
    measured = f"battery = {fit.slope:.2f} × (left + right) {fit.intercept:+.1f} A, correlation {fit.correlation:.2f}"
    # A channel of turned sign satisfies another sum as well: swapped ones all flow towards their loads.
    forward = min(float(battery.mean()), float(left.mean()), float(right.mean())) > 0
    for name, whole, parts in (("left", left, battery + right), ("right", right, battery + left)):
        other = line(parts, whole)
        if forward and abs(other.slope - 1) <= SUM_TOLERANCE and other.correlation >= SUM_CORRELATION:
            return Finding(
                "danger",
                "channels_swapped",
                f"The {name} channel carries what the battery lead should: the two look swapped.",
                f"{name} = {other.slope:.2f} × (battery + the other); {measured}",
                "Swap the two sensors' wires or their columns, then record or import again.",
            )
    return Finding(
        "danger",
        "channels_disagree",
        "The battery lead does not carry the sum of both channels: a scale, a sign or a sensor's place is wrong.",
        measured,
        "Compare each sensor with a meter under a steady load, and check controller.sensed in the machine file.",
    )


def cut_tops(name: str, value: Floats) -> Finding | None:
    """The same greatest reading again and again, in stretches: the sensor or converter ends there."""
    return cut_in_stretches(name, (value,), float(np.abs(value).max()), float(np.std(value))) if len(value) else None


def cut_in_stretches(name: str, values: Iterable[Floats], top: float, spread: float) -> Finding | None:
    """`cut_tops` of samples that come in parts; `top` is the greatest |sample|, `spread` their standard deviation."""
    if top < LEAST_SPREAD_A or spread < 0.05 * top:
        return None
    samples = 0
    places: list[npt.NDArray[np.int64]] = []
    for value in values:
        places.append(samples + np.flatnonzero(np.abs(value) >= top * (1 - 1e-9)))
        samples += len(value)
    at_top = np.concatenate(places)
    lengths = np.diff(np.flatnonzero(np.diff(at_top, prepend=-2, append=samples + 1) > 1))
    long = lengths[lengths >= 4]
    # A current that mostly stands at one value is a steady load, not a cut peak.
    few = len(long) < 2 and not (len(long) and long.max() >= 20)
    if samples < 100 or len(at_top) > 0.5 * samples or few:
        return None
    return Finding(
        "danger",
        "cut_top",
        f"{name}: its peaks are cut off at one value, so that the true current was higher.",
        f"{len(at_top)} samples at {top:.2f} A, the longest stretch {int(long.max())} samples",
        "Fit a sensor with a larger range before trusting any margin of this lead.",
    )


def filled_in(name: str, value: Floats, volts: Floats | None) -> Finding | None:
    """A current that is one number throughout while the voltage moves was written in by hand."""
    if len(value) < 100 or value[0] == 0 or float(np.ptp(value)) > 1e-6 * abs(float(value[0])):
        return None
    if volts is None or float(np.ptp(volts)) < 1e-3:
        return None
    return Finding(
        "caution",
        "current_filled_in",
        f"{name} is the same number in every sample: it looks filled in by hand, not measured.",
        f"{float(value[0]):g} A in {len(value)} samples, while the voltage moves by {float(np.ptp(volts)):.2f} V",
        "Treat charge, energy and resistance of this run as assumptions.",
    )


def zero_shift(name: str, series: Series, threshold_a: float) -> Finding | None:
    """Rest before and rest after the drive read differently: the sensor's zero has moved."""
    stretches = []
    for part in (series.value, series.value[::-1]):
        loaded = np.flatnonzero(np.abs(part) > 4 * threshold_a)
        stretches.append(part[: int(loaded[0]) if len(loaded) else len(part)])
    before, after = stretches
    interval = series.interval_s
    if (
        min(len(before), len(after)) * interval < 2
        or min(len(before), len(after)) < 5
        or len(before) == len(series.value)
    ):
        return None
    # The drive's tail-off belongs to neither: the quiet halves away from it.
    first, last = (
        float(np.median(before[: max(len(before) // 2, 3)])),
        float(np.median(after[: max(len(after) // 2, 3)])),
    )
    if abs(last - first) <= 2 * threshold_a:
        return None
    return Finding(
        "caution",
        "zero_shift",
        f"{name} reads otherwise at rest after the drive than before it: its zero moved, or a load stayed on.",
        f"{first:+.2f} A before, {last:+.2f} A after",
        "Switch everything off and compare; a magnetic sensor may keep an offset after a large peak.",
    )


def suspect(run: Run) -> list[Finding]:
    """All of them for a run."""
    found: list[Finding | None] = []
    current, voltage = run.smooth("battery_current_a"), run.smooth("battery_voltage_v")
    if current is not None and voltage is not None:
        time_s, amps, volts, gap_after = together(current, voltage)
        if len(time_s) > 1:
            found.append(turned_sign(time_s, amps, volts, gap_after))
            found.append(unanswering_voltage(time_s, amps, volts, gap_after))
    battery = run.machine.battery if run.machine else None
    rated = battery.rated_current_a if battery else None
    for lead in ("battery", "left", "right"):
        name = f"{lead}_current_a"
        series = run.smooth(name)
        extremes = run.extremes(name)
        if series is None or extremes is None or len(series.time_s) < 2:
            continue
        label = run.label(name)
        top, _ = extremes.size
        found.append(cut_in_stretches(label, run.values(name), top, float(np.std(series.value))))
        found.append(filled_in(label, series.value, None if voltage is None else voltage.value))
        found.append(zero_shift(label, series, rest_threshold_a(rated, run.sensor(name))))
    found.append(_sum(run))
    return [finding for finding in found if finding is not None]


def _sum(run: Run) -> Finding | None:
    sensed = run.machine.controller.sensed if run.machine and run.machine.controller else None
    if sensed in ("motor_lead", "unknown"):
        return None
    series = [run.smooth(f"{lead}_current_a") for lead in ("battery", "left", "right")]
    if any(found is None for found in series):
        return None
    battery, left, right = (found for found in series if found is not None)
    time_s, first, second, _ = together(battery, left)
    third = np.interp(time_s, right.time_s, right.value)
    gains = [run.sensor(f"{lead}_current_a").gain_u or 0.0 for lead in ("battery", "left", "right")]
    return disagreeing_sum(first, second, third, max(gains)) if len(time_s) else None
