"""Charge and energy out, in and net, in ampere-hours and watt-hours, over sampled time. docs/methods.md, Energy."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from amptally.analysis.integrals.gap_doubt import bridge_u
from amptally.analysis.integrals.sums import CurveSums, PowerSums, curve_sums, power_sums
from amptally.analysis.integrals.supply_charge import charge_through_duty
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, above_zero, estimate, extreme_u, refuse
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.results.sensor_terms import near_zero, rectified, skew_u_s, white_u
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.curve_integrals import integrate
from amptally.analysis.signals.series import Floats, Series, cut, together
from amptally.analysis.signals.signs import ALL, BACK, OUT

HOUR = 3600.0
UNCOVERED_SHARE = 0.001
"""A channel that starts later or ends sooner than the run by more than this share of it does not speak for the run."""
NOISE_DOUBT = "noise that counts as flow both ways"
NO_TIME = "no two samples without a gap between them: no time is covered"


@dataclass(frozen=True, slots=True)
class Energy:
    """What left the battery and what came back."""

    discharged_wh: Estimate
    recovered_wh: Estimate
    net_wh: Estimate
    discharged_ah: Estimate
    recovered_ah: Estimate
    net_ah: Estimate
    mean_power_w: Estimate
    peak_power_w: Estimate
    by_channel: dict[str, tuple[Estimate, Estimate]]
    """left, right: net_ah and net_wh of the channel's supply leg."""


def charge_estimates(series: Series, sensor: SensorError) -> tuple[Estimate, Estimate, Estimate]:
    """Discharged, recovered and net charge [Ah] of a current with at least one sample."""
    return _charges(CurveSums(near=near_zero(sensor)).add(series), sensor, bridge_u(series))


def _charges(sums: CurveSums, sensor: SensorError, bridge_as: float) -> tuple[Estimate, Estimate, Estimate]:
    if sums.sampled_s <= 0:
        none = refuse("Ah", NO_TIME)
        return none, none, none
    total = sums.total
    may_out, may_in = (sums.across / HOUR).tolist()
    may_out += COVERAGE_FACTOR * bridge_as / HOUR
    zero_s = max(sums.sampled_s - total.out_s - total.back_s, 0.0)
    out = _charge_terms(sums, sensor, total.out, total.out_s + zero_s, OUT)
    back = _charge_terms(sums, sensor, total.back, total.back_s + zero_s, BACK)
    net = _charge_terms(sums, sensor, total.net, sums.sampled_s, ALL)
    noise = rectified(sensor, sums.near_s) / HOUR
    doubt = "charge across gaps" if may_out or may_in else NOISE_DOUBT
    return (
        above_zero(estimate(total.out / HOUR, "Ah", out, doubt_low=noise, doubt_high=may_out, doubt=doubt)),
        above_zero(estimate(total.back / HOUR, "Ah", back, doubt_low=noise, doubt_high=may_in, doubt=doubt)),
        estimate(total.net / HOUR, "Ah", net, doubt_low=may_in, doubt_high=may_out),
    )


def _charge_terms(
    sums: CurveSums, sensor: SensorError, amount: float, seconds: float, row: int
) -> dict[str, float | None]:
    """1 σ of a charge [Ah] from each source, over the samples of one row of the sums."""
    return {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * amount / HOUR,
        "current offset": None if sensor.offset_u is None else sensor.offset_u * seconds / HOUR,
        # White noise of 1 in each sample that counts becomes √Σw² in the sum.
        "noise and resolution": white_u(sensor) * math.sqrt(sums.weights2_s2[row]) / HOUR,
        "sampling": sums.sampling(row) / HOUR,
    }


def run_charge(run: Run, si_name: str) -> tuple[Estimate, Estimate, Estimate]:
    """Discharged, recovered and net charge [Ah] of a current over the run, as far as it speaks for the run.

    Where nobody knows how long a gap was, or the current was not measured at one end of the run, the sums are at least
    that much: what is missing is taken to be discharge.
    """
    sums = curve_sums(run, si_name)
    if sums.samples < 2:
        named = f"no {run.label(si_name).lower()} was measured"
        none = refuse("Ah", "a single sample covers no time" if sums.samples else named)
        return none, none, none
    why = _missing(run, si_name)
    charges = _charges(sums, run.sensor(si_name), run_bridge_u(run, si_name))
    out, back, net = (_as_far(each, why) for each in charges)
    return out, back, net


def run_bridge_u(run: Run, si_name: str) -> float:
    """1 σ of the trapezoids across a channel's gaps, once for a run; of a long run by its means."""
    found = run.kept.get(("bridge", si_name))
    if not isinstance(found, float):
        extremes = run.extremes(si_name)
        # A sample in every row of a run without gaps has none itself: a day is not looked at for that.
        whole = extremes is None or (extremes.samples == run.rows and not len(run.timeline.gaps))
        series = None if whole else (run.smooth if run.long else run.series)(si_name)
        found = run.kept["bridge", si_name] = 0.0 if series is None else bridge_u(series)
    return found


def run_net_charge(run: Run, si_name: str) -> Estimate:
    """The last of `run_charge`."""
    return run_charge(run, si_name)[2]


def _as_far(result: Estimate, why: str | None) -> Estimate:
    return result if why is None else result.bounded("at_least", why)


def _missing(run: Run, si_name: str) -> str | None:
    """Why sums over this channel do not speak for the whole run; None where they do."""
    if run.gap_unknown:
        return "a gap of unknown length, taken as discharge"
    found = run.extremes(si_name)
    missing_s = run.duration_s - (found.last_s - found.first_s if found is not None else 0.0)
    if missing_s > max(UNCOVERED_SHARE * run.duration_s, 10 * (run.interval_s or 0.0)):
        return f"not measured in {missing_s:.3g} s at the ends of the run, taken as discharge"
    return None


def energy_estimates(
    current: Series, voltage: Series, current_sensor: SensorError, voltage_sensor: SensorError
) -> tuple[Estimate, Estimate, Estimate, Estimate, Estimate]:
    """Discharged, recovered, net energy [Wh], mean and peak power [W]: the mean of v·i, not the product of means."""
    sums = PowerSums(near=near_zero(current_sensor)).add_pair(*together(current, voltage))
    return _energies(sums, (current,), current_sensor, voltage_sensor, bridge_u(current))


def run_energy(run: Run, current: str, voltage: str) -> tuple[Estimate, Estimate, Estimate, Estimate, Estimate]:
    """The same of two channels of a run."""
    sums = power_sums(run, current, voltage)
    found = run.extremes(current)
    span_s = 0.0 if found is None else found.last_s - found.first_s
    covered = sums.last_s - sums.first_s >= (1 - UNCOVERED_SHARE) * span_s
    sensors = run.sensor(current), run.sensor(voltage)
    return _energies(sums, () if covered else run.stretches(current), *sensors, run_bridge_u(run, current))


def _energies(
    sums: PowerSums,
    current: Iterable[Series],
    current_sensor: SensorError,
    voltage_sensor: SensorError,
    bridge_as: float,
) -> tuple[Estimate, Estimate, Estimate, Estimate, Estimate]:
    """`current` in stretches is looked at only where the voltage does not cover it."""
    if sums.samples < 2 or sums.sampled_s <= 0:
        reason = NO_TIME if sums.samples >= 2 else "current and voltage were never measured at the same time"
        wh, w = refuse("Wh", reason), refuse("W", reason)
        return wh, wh, wh, w, w
    total = sums.total
    beyond = _without_voltage(current, sums)
    may_out, may_in = ((sums.across + beyond) / HOUR).tolist()
    may_out += COVERAGE_FACTOR * bridge_as * abs(sums.volts / sums.samples) / HOUR
    doubt = "energy across gaps and without voltage" if beyond.any() else "energy across gaps"
    net, out, back = (_energy_terms(sums, current_sensor, voltage_sensor, row) for row in (ALL, OUT, BACK))
    scale = HOUR / sums.sampled_s
    noise = rectified(current_sensor, sums.near_s) * abs(sums.volts / sums.samples) / HOUR
    either = doubt if may_out or may_in else NOISE_DOUBT
    return (
        above_zero(estimate(total.out / HOUR, "Wh", out, doubt_low=noise, doubt_high=may_out, doubt=either)),
        above_zero(estimate(total.back / HOUR, "Wh", back, doubt_low=noise, doubt_high=may_in, doubt=either)),
        estimate(total.net / HOUR, "Wh", net, doubt_low=may_in, doubt_high=may_out, doubt=doubt),
        estimate(total.net / sums.sampled_s, "W", {k: None if v is None else v * scale for k, v in net.items()}),
        _peak_power(sums, current_sensor, voltage_sensor),
    )


def _without_voltage(current: Iterable[Series], sums: PowerSums) -> Floats:
    """Energy out and in [W s] that current outside the stretch with a voltage may have carried at the mean voltage."""
    charge, span = np.zeros(2), [math.inf, -math.inf]
    for part in current:
        span = [min(span[0], float(part.time_s[0])), float(part.time_s[-1])]
        for outside in (part.time_s <= sums.first_s, part.time_s >= sums.last_s):
            where = np.flatnonzero(outside)
            if len(where) > 1:
                beside = cut(part, int(where[0]), int(where[-1]) + 1)
                found = integrate(beside.time_s, beside.value, beside.gap_after)
                charge += found.out, found.back
    if sums.last_s - sums.first_s >= (1 - UNCOVERED_SHARE) * (span[1] - span[0]):
        return np.zeros(2)
    return charge * abs(sums.volts / sums.samples)


def _energy_terms(sums: PowerSums, current: SensorError, voltage: SensorError, row: int) -> dict[str, float | None]:
    """1 σ of ∫v·i dt [Wh] from each source, over the samples of one row of the sums."""
    energy, charge, volt_seconds, by_current, by_voltage = sums.products[:, row].tolist()
    noise = math.hypot(white_u(current) * math.sqrt(by_current), white_u(voltage) * math.sqrt(by_voltage))
    skew_s = skew_u_s(current, voltage)

    def scaled(term: float | None, by: float) -> float | None:
        return None if term is None else term * abs(by) / HOUR

    terms = {
        "current gain": scaled(current.gain_u, energy),
        "current offset": scaled(current.offset_u, volt_seconds),
        "voltage gain": scaled(voltage.gain_u, energy),
        "voltage offset": scaled(voltage.offset_u, charge),
        "noise and resolution": noise / HOUR,
        "sampling": sums.sampling(row) / HOUR,
    }
    if skew_s is not None:
        # A late current moves the energy by ∫ v di for each second of delay.
        terms["skew of current against voltage"] = skew_s * abs(sums.moved) / HOUR
    return terms


def _peak_power(sums: PowerSums, current: SensorError, voltage: SensorError) -> Estimate:
    watts, volts, amps = sums.peak_w, sums.peak_v, sums.peak_a
    terms: dict[str, float | None] = {
        "current gain": None if current.gain_u is None else current.gain_u * abs(watts),
        "current offset": None if current.offset_u is None else current.offset_u * volts,
        "voltage gain": None if voltage.gain_u is None else voltage.gain_u * abs(watts),
        "voltage offset": None if voltage.offset_u is None else voltage.offset_u * abs(amps),
        "noise of the greatest sample": extreme_u(
            math.hypot(white_u(current) * volts, white_u(voltage) * amps), sums.samples
        ),
    }
    return estimate(watts, "W", terms).bounded("at_least", "greatest of the samples")


def beside(lead: str) -> tuple[str, ...]:
    """Voltages that a current of `battery`, `left` or `right` is multiplied with: the first that was measured."""
    return ("battery_voltage_v",) if lead == "battery" else (f"{lead}_fused_voltage_v", "battery_voltage_v")


def energy_used(run: Run) -> Energy:
    """Charge and energy of a run, and of each channel where it is measured in a supply leg."""
    charges = run_charge(run, "battery_current_a")
    powers = _power_beside(run, "battery_current_a", charges[2], "battery_voltage_v", "no battery voltage was measured")
    discharged_wh, recovered_wh, net_wh, mean_w, peak_w = powers
    return Energy(discharged_wh, recovered_wh, net_wh, *charges, mean_w, peak_w, _by_channel(run))


def _power_beside(
    run: Run, current: str, charge: Estimate, voltage: str | None, missing: str
) -> tuple[Estimate, Estimate, Estimate, Estimate, Estimate]:
    """Energies and powers as far as they speak for the run; refused where the charge is, or without a voltage."""
    extremes = None if voltage is None else run.extremes(voltage)
    if charge.refused is not None or voltage is None or extremes is None or extremes.samples < 2:
        reason = missing if charge.refused is None else charge.refused
        wh, w = refuse("Wh", reason), refuse("W", reason)
        return wh, wh, wh, w, w
    out, back, net, mean_w, peak_w = run_energy(run, current, voltage)
    why = _missing(run, current)
    return _as_far(out, why), _as_far(back, why), _as_far(net, why), mean_w, peak_w


def _by_channel(run: Run) -> dict[str, tuple[Estimate, Estimate]]:
    out = {}
    for side in SIDES:
        name = f"{side}_current_a"
        extremes = run.extremes(name)
        if extremes is None or extremes.samples < 2:
            reason = f"no {side} current was measured"
            out[side] = refuse("Ah", reason), refuse("Wh", reason)
        elif run.sides_leg == "motor_lead":
            out[side] = charge_through_duty(run, side)
        elif run.sides_leg == "unknown":
            reason = f"{side} current is not measured in a supply leg, so that it is no share of the battery's charge"
            out[side] = refuse("Ah", reason), refuse("Wh", reason)
        else:
            net_ah = run_net_charge(run, name)
            voltage = next((n for n in beside(side) if run.extremes(n)), None)
            out[side] = net_ah, _power_beside(run, name, net_ah, voltage, "no voltage was measured")[2]
    return out
