"""How far voltages fall under load, and whether the currents add up. docs/methods.md, Sag."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from amptally.analysis.battery.resistance import Resistance, assess_resistance
from amptally.analysis.battery.resistance_fit import busiest
from amptally.analysis.battery.rest import Rest, block_imbalance, rest_values, rest_voltage, run_rest, voltage_terms
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, estimate, refuse
from amptally.analysis.results.finding import Finding
from amptally.analysis.results.leads import CURRENTS
from amptally.analysis.results.sensor_terms import white_u
from amptally.analysis.runs.run import Run, Series, together
from amptally.analysis.signals.curve_integrals import dot, sampling_error, steps_s, weights_s

BUSY_SHARE = 0.9
"""Blocks are compared over the samples in the highest tenth of current."""
WEAK_RATIO = 1.3
"""A block that falls this many times as far as the other is called weak. Our own choice."""


@dataclass(frozen=True, slots=True)
class Sag:
    """Voltages of a run."""

    rest: Rest
    rest_voltage_v: Estimate
    min_voltage_v: Estimate
    min_voltage_at_s: float | None
    worst_sag_v: Estimate
    worst_sag_at_s: float | None
    resistance: Resistance
    block_imbalance_v: Estimate
    weak_block: Literal["lower", "upper"] | None
    receiver_min_v: Estimate
    receiver_min_at_s: float | None
    balance_residual_a: Estimate
    findings: tuple[Finding, ...]


def lowest(run: Run, si_name: str) -> tuple[Estimate, float | None]:
    """Least sampled voltage [V], an upper bound of the least voltage, and when."""
    found = run.extremes(si_name)
    if found is None:
        return refuse("V", f"no {run.label(si_name).lower()} was measured"), None
    result = estimate(found.minimum, "V", voltage_terms(run.sensor(si_name), found.minimum, extreme_of=found.samples))
    return result.bounded("at_most", "least of the samples"), found.minimum_at_s


def _worst_sag(run: Run, rest: Rest, resting: Estimate) -> tuple[Estimate, float | None]:
    """Rest voltage minus the least voltage; the sensor's offset cancels between the two."""
    found = run.extremes("battery_voltage_v")
    if found is None:
        return refuse("V", "no battery voltage was measured"), None
    if resting.value is None:
        return refuse("V", f"no rest voltage to measure from: {resting.refused}"), None
    drop = resting.value - found.minimum
    sensor = run.sensor("battery_voltage_v")
    terms = voltage_terms(sensor, drop, extreme_of=found.samples) | {"voltage offset": 0.0}
    result = estimate(drop, "V", terms, note=f"below rest at {rest.start_s:.0f} to {rest.end_s:.0f} s")
    return result.bounded("at_least", "from the least of the samples"), found.minimum_at_s


def _resistance(run: Run) -> Resistance:
    smooth = run.smooth("battery_current_a")
    if smooth is not None and len(smooth.value) > 1:
        # Resistance moves with charge and temperature: of a long run the stretch that tells most of it is looked at.
        told = busiest(smooth.time_s, smooth.value)
        run = run if told == slice(None) else run.part(*smooth.time_s[told][[0, -1]].tolist())
    current, voltage = run.series("battery_current_a"), run.series("battery_voltage_v")
    if current is None or voltage is None:
        missing = "battery current" if current is None else "battery voltage"
        none = refuse("ohm", f"no {missing} was measured")
        return Resistance({0.1: none, 1.0: none, 10.0: none}, refuse("V", f"no {missing} was measured"))
    time_s, amps, volts, gap_after = together(current, voltage)
    return assess_resistance(
        time_s, volts, amps, gap_after, run.sensor("battery_current_a"), run.sensor("battery_voltage_v")
    )


def balance_residual(run: Run) -> Estimate:
    """Mean of battery − left − right [A] over sampled time, where both channels are measured in supply legs."""
    names = CURRENTS
    series = [run.smooth(name) for name in names]
    for name, found in zip(names, series, strict=True):
        if found is None:
            return refuse("A", f"no {run.label(name).lower()} was measured")
    if run.sides_leg != "supply_leg":
        return refuse("A", "left and right are not measured in supply legs: they need not add up to the battery")
    battery, left, right = (found for found in series if found is not None)
    time_s, first, second, gap_after = together(battery, left)
    time_s, first, third, gap_after = together(Series(time_s, first - second, gap_after), right)
    length_s = steps_s(time_s, gap_after)
    seconds = float(length_s.sum())
    if seconds <= 0:
        return refuse("A", "the three currents were never measured at the same time")
    weight_s = weights_s(length_s)
    left_over = first - third
    mean = dot(weight_s, left_over) / seconds
    terms: dict[str, float | None] = {"sampling": sampling_error(time_s, left_over, gap_after) / seconds}
    noise = []
    for name, found in zip(names, (battery, left, right), strict=True):
        sensor = run.sensor(name)
        noise.append(white_u(sensor) / math.sqrt(len(found.value)))
        # The same times have the same gaps.
        own_s = weight_s if found.time_s is time_s else weights_s(steps_s(found.time_s, found.gap_after))
        level = abs(dot(own_s, found.value)) / max(found.sampled_s, 1e-9)
        label = run.label(name).lower()
        terms[f"{label} offset"] = sensor.offset_u
        terms[f"{label} gain"] = None if sensor.gain_u is None else sensor.gain_u * level
    terms["noise and resolution"] = math.hypot(*noise)
    return estimate(mean, "A", terms, note="positive: the battery lead carries more than both channels")


def _weak_block(run: Run, rest: Rest) -> tuple[Literal["lower", "upper"] | None, tuple[Finding, ...]]:
    """The block that falls clearly further than the other under the same current, two in series."""
    middle, whole, current = (
        run.smooth(name) for name in ("midpoint_voltage_v", "battery_voltage_v", "battery_current_a")
    )
    resting_middle = rest_values(run, rest, "midpoint_voltage_v")
    resting_whole = rest_values(run, rest, "battery_voltage_v")
    if middle is None or whole is None or current is None:
        return None, ()
    if isinstance(resting_middle, str) or isinstance(resting_whole, str):
        return None, ()
    time_s, lower, total, _ = together(middle, whole)
    if len(time_s) < 20:
        return None, ()
    amps = np.interp(time_s, current.time_s, current.value)
    busy = amps >= np.quantile(amps, BUSY_SHARE)
    rest_lower, rest_total = float(np.median(resting_middle)), float(np.median(resting_whole))
    lower_drop = rest_lower - float(lower[busy].mean())
    upper_drop = (rest_total - rest_lower) - float((total - lower)[busy].mean())
    doubt = COVERAGE_FACTOR * math.hypot(
        (run.sensor("midpoint_voltage_v").gain_u or 0.0) * 2 * abs(lower_drop),
        (run.sensor("battery_voltage_v").gain_u or 0.0) * abs(lower_drop + upper_drop),
    )
    less, more = sorted((lower_drop, upper_drop))
    if less <= 0 or more < WEAK_RATIO * less or more - less <= doubt + 0.02:
        return None, ()
    name: Literal["lower", "upper"] = "lower" if lower_drop > upper_drop else "upper"
    finding = Finding(
        "caution",
        "weak_block",
        f"The {name} block falls {more / less:.1f} times as far as the other under the same current.",
        f"mean of {float(amps[busy].mean()):.0f} A: lower block {lower_drop:.2f} V, upper block {upper_drop:.2f} V "
        "below rest",
        f"Measure the {name} block alone, check its connections, and compare both after a full charge of each.",
    )
    return name, (finding,)


def assess_sag(run: Run) -> Sag:
    """All voltages of a run."""
    rest = run_rest(run)
    resting = rest_voltage(run, rest)
    least, least_at = lowest(run, "battery_voltage_v")
    sag, sag_at = _worst_sag(run, rest, resting)
    receiver, receiver_at = lowest(run, "receiver_voltage_v")
    weak, findings = _weak_block(run, rest)
    return Sag(
        rest,
        resting,
        least,
        least_at,
        sag,
        sag_at,
        _resistance(run),
        block_imbalance(run, rest),
        weak,
        receiver,
        receiver_at,
        balance_residual(run),
        findings,
    )
