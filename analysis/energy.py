"""Charge and energy out, in and net, in ampere-hours and watt-hours, over sampled time. docs/methods.md, Energy."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.estimate import Estimate, above_zero, estimate, extreme_u, refuse
from analysis.integrals import SignedIntegral, blocks, bridged, dot, from_halving, halving, integrate, weights_s
from analysis.run import Flags, Floats, Run, SensorError, Series, together

HOUR = 3600.0
UNCOVERED_SHARE = 0.001
"""A channel that starts later or ends sooner than the run by more than this share of it does not speak for the run."""
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
    """Discharged, recovered and net charge [Ah]."""
    if series.gap_after.all():
        none = refuse("Ah", NO_TIME)
        return none, none, none
    total = integrate(series.time_s, series.value, series.gap_after)
    may_out, may_in = bridged(series.time_s, series.value, series.gap_after)
    # A reading of exactly zero may hide a small current of either sign: its time counts on both sides.
    zero_s = max(series.sampled_s - total.out_s - total.back_s, 0.0)
    out = _charge_terms(series, sensor, total.out, total.out_s + zero_s, 1)
    back = _charge_terms(series, sensor, total.back, total.back_s + zero_s, -1)
    return (
        above_zero(estimate(total.out / HOUR, "Ah", out, doubt_high=may_out / HOUR)),
        above_zero(estimate(total.back / HOUR, "Ah", back, doubt_high=may_in / HOUR)),
        _net_charge(series, sensor, total),
    )


def _net_charge(series: Series, sensor: SensorError, total: SignedIntegral) -> Estimate:
    may_out, may_in = bridged(series.time_s, series.value, series.gap_after)
    terms = _charge_terms(series, sensor, total.net, series.sampled_s, 0)
    return estimate(total.net / HOUR, "Ah", terms, doubt_low=may_in / HOUR, doubt_high=may_out / HOUR)


def _charge_terms(
    series: Series, sensor: SensorError, amount: float, seconds: float, side: int
) -> dict[str, float | None]:
    """1 σ of a charge [Ah] from each source, over all samples (side 0) or those of one sign, zeros among them."""
    squares_s2 = change = changes2 = 0.0
    for samples, intervals in blocks(len(series.time_s)):
        time_s, value, gap_after = series.time_s[samples], series.value[samples], series.gap_after[intervals]
        weight_s = weights_s(time_s, gap_after)
        if side:
            counts = value * side >= 0
            weight_s, value = weight_s * counts, value * counts
        squares_s2 += dot(weight_s, weight_s)
        halved = halving(time_s, value, gap_after)
        change, changes2 = change + float(halved.sum()), changes2 + dot(halved, halved)
    return {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * amount / HOUR,
        "current offset": None if sensor.offset_u is None else sensor.offset_u * seconds / HOUR,
        # White noise of 1 in each sample that counts becomes √Σw² in the sum.
        "noise and resolution": _white(sensor) * math.sqrt(squares_s2) / HOUR,
        "sampling": from_halving(len(series.time_s), change, changes2) / HOUR,
    }


def run_charge(run: Run, si_name: str) -> tuple[Estimate, Estimate, Estimate]:
    """Discharged, recovered and net charge [Ah] of a current over the run, as far as it speaks for the run.

    Where nobody knows how long a gap was, or the current was not measured at one end of the run, the sums are at least
    that much: what is missing is taken to be discharge.
    """
    series = run.series(si_name)
    if series is None or len(series.time_s) < 2:
        none = _no_charge(run, si_name)
        return none, none, none
    out, back, net = charge_estimates(series, run.sensor(si_name))
    why = _missing(run, series)
    return _as_far(out, why), _as_far(back, why), _as_far(net, why)


def run_net_charge(run: Run, si_name: str) -> Estimate:
    """The last of `run_charge`, in a third of the time."""
    series = run.series(si_name)
    if series is None or len(series.time_s) < 2:
        return _no_charge(run, si_name)
    if series.gap_after.all():
        return _as_far(refuse("Ah", NO_TIME), _missing(run, series))
    total = integrate(series.time_s, series.value, series.gap_after)
    return _as_far(_net_charge(series, run.sensor(si_name), total), _missing(run, series))


def _no_charge(run: Run, si_name: str) -> Estimate:
    if run.series(si_name) is None:
        return refuse("Ah", f"no {run.label(si_name).lower()} was measured")
    return refuse("Ah", "a single sample covers no time")


def _as_far(result: Estimate, why: str | None) -> Estimate:
    return result if why is None else result.bounded("at_least", why)


def _missing(run: Run, series: Series) -> str | None:
    """Why sums over this channel do not speak for the whole run; None where they do."""
    if run.gap_unknown:
        return "a gap of unknown length, taken as discharge"
    missing_s = run.duration_s - float(series.time_s[-1] - series.time_s[0])
    if missing_s > max(UNCOVERED_SHARE * run.duration_s, 10 * (run.interval_s or 0.0)):
        return f"not measured in {missing_s:.3g} s at the ends of the run, taken as discharge"
    return None


def _white(sensor: SensorError) -> float:
    """1 σ of one sample from noise and from rounding to a step, LSB/√12 (rectangular law, JCGM 100 4.3.7)."""
    return math.hypot(sensor.noise or 0.0, (sensor.resolution or 0.0) / math.sqrt(12))


@dataclass(frozen=True, slots=True)
class _Power:
    """Sampled power and what is needed to judge it."""

    time_s: Floats
    volts: Floats
    amps: Floats
    watts: Floats
    gap_after: Flags


def energy_estimates(
    current: Series,
    voltage: Series,
    current_sensor: SensorError,
    voltage_sensor: SensorError,
    *,
    net_only: bool = False,
) -> tuple[Estimate, Estimate, Estimate, Estimate, Estimate]:
    """Discharged, recovered, net energy [Wh], mean and peak power [W]: the mean of v·i, not the product of means.

    With `net_only` just net energy and mean power are computed, the others refused.
    """
    time_s, amps, volts, gap_after = together(current, voltage)
    if len(time_s) < 2:
        reason = "current and voltage were never measured at the same time"
        wh, w = refuse("Wh", reason), refuse("W", reason)
        return wh, wh, wh, w, w
    if gap_after.all():
        wh, w = refuse("Wh", NO_TIME), refuse("W", NO_TIME)
        return wh, wh, wh, w, w
    power = _Power(time_s, volts, amps, volts * amps, gap_after)
    total = integrate(time_s, power.watts, gap_after)
    across = bridged(time_s, power.watts, gap_after)
    beyond = _without_voltage(current, time_s, float(volts.mean()))
    may_out, may_in = across[0] + beyond[0], across[1] + beyond[1]
    doubt = "energy across gaps and without voltage" if any(beyond) else "energy across gaps"
    net = _energy_terms(power, current_sensor, voltage_sensor, 0)
    net_wh = estimate(total.net / HOUR, "Wh", net, doubt_low=may_in / HOUR, doubt_high=may_out / HOUR, doubt=doubt)
    sampled_s = Series(time_s, amps, gap_after).sampled_s
    scale = HOUR / sampled_s
    mean_w = estimate(total.net / sampled_s, "W", {k: None if v is None else v * scale for k, v in net.items()})
    if net_only:
        none = refuse("", "not asked for")
        return none, none, net_wh, mean_w, none
    # A reading of exactly zero may hide a small current of either sign: it counts on both sides.
    out = _energy_terms(power, current_sensor, voltage_sensor, 1)
    back = _energy_terms(power, current_sensor, voltage_sensor, -1)
    return (
        above_zero(estimate(total.out / HOUR, "Wh", out, doubt_high=may_out / HOUR, doubt=doubt)),
        above_zero(estimate(total.back / HOUR, "Wh", back, doubt_high=may_in / HOUR, doubt=doubt)),
        net_wh,
        mean_w,
        _peak_power(power, current_sensor, voltage_sensor),
    )


def mean_power(current: Series, voltage: Series, current_sensor: SensorError, voltage_sensor: SensorError) -> Estimate:
    """Mean power [W] alone: the fourth of `energy_estimates`, in less time."""
    return energy_estimates(current, voltage, current_sensor, voltage_sensor, net_only=True)[3]


def _without_voltage(current: Series, time_s: Floats, volts: float) -> tuple[float, float]:
    """Energy out and in [W s] that current outside the stretch with a voltage may have carried at the mean voltage."""
    span_s = float(current.time_s[-1] - current.time_s[0])
    if float(time_s[-1] - time_s[0]) >= (1 - UNCOVERED_SHARE) * span_s:
        return 0.0, 0.0
    out = back = 0.0
    for outside in (current.time_s <= time_s[0], current.time_s >= time_s[-1]):
        where = np.flatnonzero(outside)
        if len(where) > 1:
            part = slice(int(where[0]), int(where[-1]) + 1)
            gaps = current.gap_after[part.start : part.stop - 1]
            charge = integrate(current.time_s[part], current.value[part], gaps)
            out, back = out + abs(volts) * charge.out, back + abs(volts) * charge.back
    return out, back


def _energy_terms(power: _Power, current: SensorError, voltage: SensorError, side: int) -> dict[str, float | None]:
    """1 σ of ∫v·i dt [Wh] from each source, over all samples (side 0) or those of one sign of current."""
    energy = charge = volt_seconds = by_current = by_voltage = moved = change = changes2 = 0.0
    for samples, intervals in blocks(len(power.time_s)):
        volts, amps, gap_after = power.volts[samples], power.amps[samples], power.gap_after[intervals]
        watts = power.watts[samples]
        weight_s = weights_s(power.time_s[samples], gap_after)
        if side:
            counts = amps * side >= 0
            weight_s, watts = weight_s * counts, watts * counts
        halved = halving(power.time_s[samples], watts, gap_after)
        change, changes2 = change + float(halved.sum()), changes2 + dot(halved, halved)
        volts_s, amps_s = volts * weight_s, amps * weight_s
        energy, charge = energy + dot(volts, amps_s), charge + float(amps_s.sum())
        volt_seconds += float(volts_s.sum())
        by_current, by_voltage = by_current + dot(volts_s, volts_s), by_voltage + dot(amps_s, amps_s)
        moved += float((0.5 * (volts[:-1] + volts[1:]) * np.diff(amps))[~gap_after].sum())
    white = math.hypot(_white(current) * math.sqrt(by_current), _white(voltage) * math.sqrt(by_voltage))
    delays = [term for term in (current.delay_u, voltage.delay_u) if term is not None]

    def scaled(term: float | None, by: float) -> float | None:
        return None if term is None else term * abs(by) / HOUR

    terms = {
        "current gain": scaled(current.gain_u, energy),
        "current offset": scaled(current.offset_u, volt_seconds),
        "voltage gain": scaled(voltage.gain_u, energy),
        "voltage offset": scaled(voltage.offset_u, charge),
        "noise and resolution": white / HOUR,
        "sampling": from_halving(len(power.time_s), change, changes2) / HOUR,
    }
    if delays:
        # A late current moves the energy by ∫ v di for each second of delay.
        terms["skew of current against voltage"] = math.hypot(*delays) * abs(moved) / HOUR
    return terms


def _peak_power(power: _Power, current: SensorError, voltage: SensorError) -> Estimate:
    at = int(np.argmax(power.watts))
    volts, amps = float(power.volts[at]), float(power.amps[at])
    watts = volts * amps
    terms: dict[str, float | None] = {
        "current gain": None if current.gain_u is None else current.gain_u * abs(watts),
        "current offset": None if current.offset_u is None else current.offset_u * volts,
        "voltage gain": None if voltage.gain_u is None else voltage.gain_u * abs(watts),
        "voltage offset": None if voltage.offset_u is None else voltage.offset_u * abs(amps),
        "noise of the greatest sample": extreme_u(
            math.hypot(_white(current) * volts, _white(voltage) * amps), len(power.time_s)
        ),
    }
    return estimate(watts, "W", terms).bounded("at_least", "greatest of the samples")


def energy_used(run: Run) -> Energy:
    """Charge and energy of a run, and of each channel where it is measured in a supply leg."""
    current, voltage = run.series("battery_current_a"), run.series("battery_voltage_v")
    if current is None or len(current.time_s) < 2:
        reason = "no battery current was measured" if current is None else "a single sample covers no time"
        ah, wh, w = refuse("Ah", reason), refuse("Wh", reason), refuse("W", reason)
        return Energy(wh, wh, wh, ah, ah, ah, w, w, _by_channel(run))
    discharged_ah, recovered_ah, net_ah = run_charge(run, "battery_current_a")
    if voltage is None or len(voltage.time_s) < 2:
        wh, w = refuse("Wh", "no battery voltage was measured"), refuse("W", "no battery voltage was measured")
        return Energy(wh, wh, wh, discharged_ah, recovered_ah, net_ah, w, w, _by_channel(run))
    sensors = run.sensor("battery_current_a"), run.sensor("battery_voltage_v")
    *sums, mean_w, peak_w = energy_estimates(current, voltage, *sensors)
    why = _missing(run, current)
    discharged_wh, recovered_wh, net_wh = (_as_far(part, why) for part in sums)
    return Energy(
        discharged_wh, recovered_wh, net_wh, discharged_ah, recovered_ah, net_ah, mean_w, peak_w, _by_channel(run)
    )


def _by_channel(run: Run) -> dict[str, tuple[Estimate, Estimate]]:
    sensed = run.machine.controller.sensed if run.machine and run.machine.controller else None
    out = {}
    for side in ("left", "right"):
        current = run.series(f"{side}_current_a")
        if current is None or len(current.time_s) < 2:
            reason = f"no {side} current was measured"
            out[side] = refuse("Ah", reason), refuse("Wh", reason)
            continue
        if sensed in ("motor_lead", "unknown"):
            reason = f"{side} current is not measured in a supply leg, so that it is no share of the battery's charge"
            out[side] = refuse("Ah", reason), refuse("Wh", reason)
            continue
        net_ah = run_net_charge(run, f"{side}_current_a")
        name = next((n for n in (f"{side}_fused_voltage_v", "battery_voltage_v") if run.has(n)), None)
        voltage = None if name is None else run.series(name)
        if name is None or voltage is None or len(voltage.time_s) < 2:
            out[side] = net_ah, refuse("Wh", "no voltage was measured")
            continue
        sensors = run.sensor(f"{side}_current_a"), run.sensor(name)
        net_wh = energy_estimates(current, voltage, *sensors, net_only=True)[2]
        out[side] = net_ah, _as_far(net_wh, _missing(run, current))
    return out
