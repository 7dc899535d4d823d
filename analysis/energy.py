"""Charge and energy out, in and net, in ampere-hours and watt-hours, over sampled time. docs/methods.md, Energy."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.estimate import Estimate, estimate, refuse
from analysis.run import Flags, Floats, Run, SensorError, Series, together

HOUR = 3600.0


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


@dataclass(frozen=True, slots=True)
class SignedIntegral:
    """∫ of the positive part, of the negative part (as a positive number), and how long each lasted."""

    out: float
    back: float
    out_s: float
    back_s: float

    @property
    def net(self) -> float:
        """out − back."""
        return self.out - self.back


def integrate(time_s: Floats, value: Floats, gap_after: Flags) -> SignedIntegral:
    """Trapezoid over sampled time, split exactly where the straight line between two samples crosses zero.

    time_s and value: shape (n,), time strictly increasing; gap_after: shape (n − 1,), those intervals are left out.
    """
    keep = ~gap_after
    dt = np.diff(time_s)[keep]
    a, b = value[:-1][keep], value[1:][keep]
    whole = 0.5 * (a + b) * dt
    crossing = a * b < 0
    # Share of the interval on the side of its first value: a / (a − b).
    share = np.divide(a, a - b, out=np.ones_like(a), where=crossing)
    first = 0.5 * a * share * dt
    out = np.where(crossing, np.where(a > 0, first, whole - first), np.maximum(whole, 0.0))
    back = np.where(crossing, np.where(a > 0, first - whole, -first), np.maximum(-whole, 0.0))
    positive = np.where(crossing, np.where(a > 0, share, 1.0 - share), whole > 0)
    negative = np.where(crossing, 1.0 - positive, whole < 0)
    return SignedIntegral(math.fsum(out), math.fsum(back), float((positive * dt).sum()), float((negative * dt).sum()))


def bridged(time_s: Floats, value: Floats, gap_after: Flags) -> tuple[float, float]:
    """Trapezoid across the gaps: what may have flowed out and in while nothing was measured."""
    dt = np.diff(time_s)[gap_after]
    across = 0.5 * (value[:-1] + value[1:])[gap_after] * dt
    return float(np.maximum(across, 0).sum()), float(np.maximum(-across, 0).sum())


def sampling_error(time_s: Floats, value: Floats, gap_after: Flags) -> float:
    """Standard uncertainty of the trapezoid from its own step: a third of what halving the samples changes.

    The trapezoid's error falls with the square of the step, so that full = half − 3 · error (Richardson).
    """
    if len(time_s) < 5:
        return 0.0
    pair_gap = gap_after[:-1:2][: (len(time_s) - 1) // 2] | gap_after[1::2][: (len(time_s) - 1) // 2]
    pairs = len(pair_gap)
    t, v = time_s[: 2 * pairs + 1], value[: 2 * pairs + 1]
    fine = (0.5 * (v[:-1] + v[1:]) * np.diff(t)).reshape(pairs, 2).sum(axis=1)
    coarse = 0.5 * (v[:-2:2] + v[2::2]) * np.diff(t[::2])
    return abs(float((fine - coarse)[~pair_gap].sum())) / 3


def charge_estimates(series: Series, sensor: SensorError) -> tuple[Estimate, Estimate, Estimate]:
    """Discharged, recovered and net charge [Ah]."""
    total = integrate(series.time_s, series.value, series.gap_after)
    may_out, may_in = bridged(series.time_s, series.value, series.gap_after)
    random = _random_s(series) * _white(sensor)
    step = sampling_error(series.time_s, series.value, series.gap_after)

    def terms(amount: float, seconds: float) -> dict[str, float | None]:
        return {
            "current gain": None if sensor.gain_u is None else sensor.gain_u * amount / HOUR,
            "current offset": None if sensor.offset_u is None else sensor.offset_u * seconds / HOUR,
            "noise and resolution": random / HOUR,
            "sampling": step / HOUR,
        }

    return (
        estimate(total.out / HOUR, "Ah", terms(total.out, total.out_s), doubt_high=may_out / HOUR),
        estimate(total.back / HOUR, "Ah", terms(total.back, total.back_s), doubt_high=may_in / HOUR),
        estimate(
            total.net / HOUR,
            "Ah",
            terms(total.net, series.sampled_s),
            doubt_low=may_in / HOUR,
            doubt_high=may_out / HOUR,
        ),
    )


def _white(sensor: SensorError) -> float:
    """1 σ of one sample from noise and from rounding to a step, LSB/√12 (rectangular law, JCGM 100 4.3.7)."""
    return math.hypot(sensor.noise or 0.0, (sensor.resolution or 0.0) / math.sqrt(12))


def _random_s(series: Series) -> float:
    """√Σw²: what white noise of 1 becomes in the trapezoid's sum [s]."""
    dt = np.where(series.gap_after, 0.0, np.diff(series.time_s))
    weight = np.zeros(len(series.time_s))
    weight[:-1] += 0.5 * dt
    weight[1:] += 0.5 * dt
    return float(np.sqrt((weight**2).sum()))


@dataclass(frozen=True, slots=True)
class _Power:
    """Sampled power and what is needed to judge it."""

    time_s: Floats
    volts: Floats
    amps: Floats
    gap_after: Flags

    @property
    def watts(self) -> Floats:
        return self.volts * self.amps


def energy_estimates(
    current: Series, voltage: Series, current_sensor: SensorError, voltage_sensor: SensorError
) -> tuple[Estimate, Estimate, Estimate, Estimate, Estimate]:
    """Discharged, recovered, net energy [Wh], mean and peak power [W]: the mean of v·i, not the product of means."""
    time_s, amps, volts, gap_after = together(current, voltage)
    if len(time_s) < 2:
        reason = "current and voltage were never measured at the same time"
        wh, w = refuse("Wh", reason), refuse("W", reason)
        return wh, wh, wh, w, w
    power = _Power(time_s, volts, amps, gap_after)
    total = integrate(time_s, power.watts, gap_after)
    may_out, may_in = bridged(time_s, power.watts, gap_after)
    sampled_s = float(np.diff(time_s)[~gap_after].sum())
    out = _energy_terms(power, current_sensor, voltage_sensor, amps > 0)
    back = _energy_terms(power, current_sensor, voltage_sensor, amps < 0)
    net = _energy_terms(power, current_sensor, voltage_sensor, None)
    net_wh = estimate(total.net / HOUR, "Wh", net, doubt_low=may_in / HOUR, doubt_high=may_out / HOUR)
    mean_w = refuse("W", "the run has no sampled time")
    if sampled_s > 0:
        scale = HOUR / sampled_s
        mean_w = estimate(total.net / sampled_s, "W", {k: None if v is None else v * scale for k, v in net.items()})
    return (
        estimate(total.out / HOUR, "Wh", out, doubt_high=may_out / HOUR),
        estimate(total.back / HOUR, "Wh", back, doubt_high=may_in / HOUR),
        net_wh,
        mean_w,
        _peak_power(power, current_sensor, voltage_sensor),
    )


def _energy_terms(
    power: _Power, current: SensorError, voltage: SensorError, side: Flags | None
) -> dict[str, float | None]:
    """1 σ of ∫v·i dt [Wh] from each source, over all samples or those on one side of zero current."""
    chosen = slice(None) if side is None else side
    dt = np.zeros(len(power.time_s))
    step = np.where(power.gap_after, 0.0, np.diff(power.time_s))
    dt[:-1] += 0.5 * step
    dt[1:] += 0.5 * step
    volts, amps, weight = power.volts[chosen], power.amps[chosen], dt[chosen]
    energy = float((volts * amps * weight).sum())
    charge = float((amps * weight).sum())
    volt_seconds = float((volts * weight).sum())
    white = math.hypot(
        _white(current) * float(np.sqrt(((volts * weight) ** 2).sum())),
        _white(voltage) * float(np.sqrt(((amps * weight) ** 2).sum())),
    )
    delays = [term for term in (current.delay_u, voltage.delay_u) if term is not None]
    skew = None
    if delays:
        # A late current moves the energy by ∫ v di for each second of delay.
        mid = 0.5 * (power.volts[:-1] + power.volts[1:])
        moved = (mid * np.diff(power.amps))[~power.gap_after]
        skew = math.sqrt(sum(term**2 for term in delays)) * abs(float(moved.sum())) / HOUR

    def scaled(term: float | None, by: float) -> float | None:
        return None if term is None else term * abs(by) / HOUR

    terms = {
        "current gain": scaled(current.gain_u, energy),
        "current offset": scaled(current.offset_u, volt_seconds),
        "voltage gain": scaled(voltage.gain_u, energy),
        "voltage offset": scaled(voltage.offset_u, charge),
        "noise and resolution": white / HOUR,
        "sampling": sampling_error(power.time_s, power.watts, power.gap_after) / HOUR,
    }
    if skew is not None:
        terms["skew of current against voltage"] = skew
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
        "noise and resolution": math.hypot(_white(current) * volts, _white(voltage) * amps),
    }
    return estimate(watts, "W", terms).bounded("at_least", "greatest of the samples")


def energy_used(run: Run) -> Energy:
    """Charge and energy of a run, and of each channel where it is measured in a supply leg."""
    current, voltage = run.series("battery_current_a"), run.series("battery_voltage_v")
    if current is None or len(current.time_s) < 2:
        reason = "no battery current was measured" if current is None else "a single sample covers no time"
        ah, wh, w = refuse("Ah", reason), refuse("Wh", reason), refuse("W", reason)
        return Energy(wh, wh, wh, ah, ah, ah, w, w, _by_channel(run))
    discharged_ah, recovered_ah, net_ah = charge_estimates(current, run.sensor("battery_current_a"))
    if voltage is None or len(voltage.time_s) < 2:
        wh, w = refuse("Wh", "no battery voltage was measured"), refuse("W", "no battery voltage was measured")
        return Energy(wh, wh, wh, discharged_ah, recovered_ah, net_ah, w, w, _by_channel(run))
    sensors = run.sensor("battery_current_a"), run.sensor("battery_voltage_v")
    discharged_wh, recovered_wh, net_wh, mean_w, peak_w = energy_estimates(current, voltage, *sensors)
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
        net_ah = charge_estimates(current, run.sensor(f"{side}_current_a"))[2]
        name = next((n for n in (f"{side}_fused_voltage_v", "battery_voltage_v") if run.has(n)), None)
        voltage = None if name is None else run.series(name)
        if name is None or voltage is None or len(voltage.time_s) < 2:
            out[side] = net_ah, refuse("Wh", "no voltage was measured")
            continue
        sensors = run.sensor(f"{side}_current_a"), run.sensor(name)
        out[side] = net_ah, energy_estimates(current, voltage, *sensors)[2]
    return out
