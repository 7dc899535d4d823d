"""Charge and energy out, in and net, in ampere-hours and watt-hours, over sampled time. docs/methods.md, Energy."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from amptally.analysis.integrals.gap_doubt import bridge_u
from amptally.analysis.integrals.sums import CurveSums, PowerSums, curve_sums, power_sums
from amptally.analysis.integrals.supply_charge import charge_through_duty
from amptally.analysis.quality.doubts import Aspect, Doubts
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, above_zero, estimate, extreme_u, refuse
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.results.sensor_terms import near_zero, rectified, skew_u_s, white_u
from amptally.analysis.runs.charging import CHARGING_SHARE
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.curve_integrals import integrate
from amptally.analysis.signals.series import Floats, Series, cut, together
from amptally.analysis.signals.signs import ALL, BACK, OUT

HOUR = 3600.0
UNCOVERED_SHARE = 0.001
"""A channel that starts later or ends sooner than the run by more than this share of it does not represent the run."""
NOISE_DOUBT = "noise that counts as flow both ways"
NO_TIME = Reason("no_time_covered")
LONGEST_SIGNED_S = 0.0105
"""Samples further apart, below about 100 Hz, may hide current that flows back between two of them: a controller that
brakes returns it in pulses of milliseconds. Our own choice, with some slack for a clock."""
BATTERY, VOLTAGE = "battery_current_a", "battery_voltage_v"


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
    current_from: Literal["measured", "left_plus_right"] | None = None
    """Where the battery's current comes from; None where there is none."""


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
    """Discharged, recovered and net charge [Ah] of a current over the run, as far as it represents the run.

    Where the length of a gap is not known, or the current was not measured at one end of the run, the sums are
    `at_least`: what is missing is taken to be discharge.
    """
    sums = curve_sums(run, si_name)
    if sums.samples < 2:
        none = refuse("Ah", Reason("single_sample") if sums.samples else Reason("not_measured", channel=si_name))
        return none, none, none
    why = _missing(run, si_name)
    charges = _charges(sums, run.sensor(si_name), run_bridge_u(run, si_name))
    out, back, net = (_limited(each, why) for each in charges)
    return out, back, net


def run_bridge_u(run: Run, si_name: str) -> float:
    """1 σ of the trapezoids across a channel's gaps, computed once for a run; for a long run from its means."""
    found = run.cache.get(("bridge", si_name))
    if not isinstance(found, float):
        extremes = run.extremes(si_name)
        # With a sample in every row of a run without gaps there is nothing to bridge: a day need not be read for that.
        whole = extremes is None or (extremes.samples == run.rows and not len(run.timeline.gaps))
        series = None if whole else (run.smooth if run.long else run.series)(si_name)
        found = run.cache["bridge", si_name] = 0.0 if series is None else bridge_u(series)
    return found


def run_net_charge(run: Run, si_name: str) -> Estimate:
    """The last of `run_charge`."""
    return run_charge(run, si_name)[2]


def _limited(result: Estimate, why: Reason | None) -> Estimate:
    return result if why is None or result.is_refused else result.bounded("at_least", why)


def _missing(run: Run, si_name: str) -> Reason | None:
    """Why sums over this channel do not represent the whole run; None where they do."""
    if run.gap_unknown:
        return Reason("gap_of_unknown_length")
    found = run.extremes(si_name)
    missing_s = run.duration_s - (found.last_s - found.first_s if found is not None else 0.0)
    if missing_s > max(UNCOVERED_SHARE * run.duration_s, 10 * (run.interval_s or 0.0)):
        return Reason("ends_not_measured", missing_s=missing_s)
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
    """`current`, block by block, is read only where the voltage does not cover it."""
    if sums.samples < 2 or sums.sampled_s <= 0:
        reason = NO_TIME if sums.samples >= 2 else Reason("never_measured_together")
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
    return estimate(watts, "W", terms).bounded("at_least", Reason("largest_of_samples"))


def voltage_beside(run: Run, lead: str) -> str | None:
    """The voltage that a current of `battery`, `left` or `right` is multiplied by: the first that was measured."""
    return next((name for name in voltages_beside(lead) if run.extremes(name) is not None), None)


def voltages_beside(lead: str) -> tuple[str, ...]:
    """Voltages at a lead, the nearest first."""
    return (VOLTAGE,) if lead == "battery" else (f"{lead}_fused_voltage_v", VOLTAGE)


def energy_used(run: Run, doubts: Doubts) -> Energy:
    """Charge and energy of a run, and of each channel where it is measured in a supply leg."""
    charges = run_charge(run, BATTERY)
    voltage = voltage_beside(run, "battery")
    out_wh, back_wh, net_wh, mean_w, peak_w = _power_beside(run, BATTERY, charges[2], voltage, VOLTAGE)
    out_ah, back_ah, net_ah = charges

    hidden = _hidden_reversals(run, out_ah, back_ah)
    back_wh, back_ah = _limited(back_wh, hidden), _limited(back_ah, hidden)

    def energy(value: Estimate, aspect: Aspect) -> Estimate:
        return doubts.hold(value, (BATTERY, aspect), (VOLTAGE, "energy"))

    return Energy(
        discharged_wh=energy(out_wh, "out"),
        recovered_wh=energy(back_wh, "back"),
        net_wh=energy(net_wh, "net"),
        discharged_ah=doubts.hold(out_ah, (BATTERY, "out")),
        recovered_ah=doubts.hold(back_ah, (BATTERY, "back")),
        net_ah=doubts.hold(net_ah, (BATTERY, "net")),
        mean_power_w=energy(mean_w, "net"),
        peak_power_w=doubts.hold(peak_w, (BATTERY, "peak_power"), (VOLTAGE, "peak_power")),
        by_channel={side: _channel(run, side, doubts) for side in SIDES},
        current_from=run.battery_current_from,
    )


def _hidden_reversals(run: Run, out_ah: Estimate, back_ah: Estimate) -> Reason | None:
    """Why more may have been recovered than the samples show; None where they are close enough, or show the minimum."""
    interval_s = run.interval_s
    if interval_s is None or interval_s <= LONGEST_SIGNED_S or out_ah.value is None or back_ah.value is None:
        return None
    least = run.extremes("battery_current_min_a")
    if out_ah.value < CHARGING_SHARE * back_ah.value or (least is not None and least.minimum >= 0):
        return None
    return Reason("reversals_between_samples", interval_s=interval_s)


def _power_beside(
    run: Run, current: str, charge: Estimate, voltage: str | None, wanted_voltage: str
) -> tuple[Estimate, Estimate, Estimate, Estimate, Estimate]:
    """Energies and powers as far as they represent the run; refused where the charge is, or without a voltage."""
    extremes = None if voltage is None else run.extremes(voltage)
    if charge.value is None or voltage is None or extremes is None or extremes.samples < 2:
        why = (Reason("not_measured", channel=wanted_voltage),) if charge.value is not None else charge.reasons
        wh, w = refuse("Wh", *why), refuse("W", *why)
        return wh, wh, wh, w, w
    out, back, net, mean_w, peak_w = run_energy(run, current, voltage)
    missing = _missing(run, current)
    return _limited(out, missing), _limited(back, missing), _limited(net, missing), mean_w, peak_w


def _channel(run: Run, side: str, doubts: Doubts) -> tuple[Estimate, Estimate]:
    """Net charge [Ah] and energy [Wh] of a channel's supply leg."""
    name, voltage = f"{side}_current_a", voltage_beside(run, side)
    extremes = run.extremes(name)
    if extremes is None or extremes.samples < 2:
        reason = Reason("not_measured", channel=name)
        net_ah, net_wh = refuse("Ah", reason), refuse("Wh", reason)
    elif run.sides_leg == "motor_lead":
        net_ah, net_wh = charge_through_duty(run, side, voltage)
    elif run.sides_leg == "unknown":
        reason = Reason("not_in_supply_leg", lead=side)
        net_ah, net_wh = refuse("Ah", reason), refuse("Wh", reason)
    else:
        net_ah = run_net_charge(run, name)
        net_wh = _power_beside(run, name, net_ah, voltage, VOLTAGE)[2]
    # A channel without a voltage of its own is multiplied by the battery's.
    by_voltage: tuple[tuple[str, Aspect], ...] = ((VOLTAGE, "energy"),) if voltage == VOLTAGE else ()
    return (
        doubts.hold(net_ah, (name, "channel_charge")),
        doubts.hold(net_wh, (name, "channel_charge"), *by_voltage),
    )
