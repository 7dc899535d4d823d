"""Charge and energy out, in and net, in ampere-hours and watt-hours, over sampled time. docs/methods.md, Energy."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analysis.estimate import Estimate, above_zero, estimate, extreme_u, refuse
from analysis.run import Flags, Floats, Run, SensorError, Series, together

HOUR = 3600.0
BLOCK = 1 << 16
BETWEEN = 0.8
"""Share of √Σd² that goes into the sampling error, d being what halving the samples changes pair by pair: of drive-like
currents sampled at 20 Hz to once in 5 s the true integral then lies inside in at least 97 %, once in 30 s in 90 %."""
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


def _blocks(samples: int) -> Iterator[tuple[slice, slice]]:
    """Samples and intervals of consecutive stretches that share their end samples; short arrays stay in the cache."""
    for start in range(0, samples - 1, BLOCK):
        stop = min(start + BLOCK, samples - 1)
        yield slice(start, stop + 1), slice(start, stop)


def _dot(first: Floats, second: Floats) -> float:
    """Σ first · second, without the threads that `@` would start for each short stretch."""
    return float(np.einsum("i,i", first, second))


def integrate(time_s: Floats, value: Floats, gap_after: Flags) -> SignedIntegral:
    """Trapezoid over sampled time, split exactly where the straight line between two samples crosses zero.

    time_s and value: shape (n,), time strictly increasing; gap_after: shape (n − 1,), those intervals are left out.
    """
    totals = np.zeros(4)
    for samples, intervals in _blocks(len(time_s)):
        totals += _integrate(time_s[samples], value[samples], gap_after[intervals])
    return SignedIntegral(*totals.tolist())


def _integrate(time_s: Floats, value: Floats, gap_after: Flags) -> Floats:
    """The four sums of a `SignedIntegral`."""
    dt = np.where(gap_after, 0.0, np.diff(time_s))
    a, b = value[:-1], value[1:]
    area = 0.5 * (a + b) * dt
    crossing = np.flatnonzero(a * b < 0)
    before, after, step = a[crossing], b[crossing], dt[crossing]
    area[crossing] = 0.0
    # Share of the interval on the side of its first value: a / (a − b).
    share = before / (before - after)
    area = np.concatenate((area, 0.5 * before * share * step, 0.5 * after * (1.0 - share) * step))
    length = np.concatenate((dt, share * step, (1.0 - share) * step))
    return np.array(
        [np.maximum(area, 0.0).sum(), np.maximum(-area, 0.0).sum(), length[area > 0].sum(), length[area < 0].sum()]
    )


def bridged(time_s: Floats, value: Floats, gap_after: Flags) -> tuple[float, float]:
    """Trapezoid across the gaps: what may have flowed out and in while nothing was measured."""
    at = np.flatnonzero(gap_after)
    across = 0.5 * (value[at] + value[at + 1]) * (time_s[at + 1] - time_s[at])
    return float(np.maximum(across, 0).sum()), float(np.maximum(-across, 0).sum())


def sampling_error(time_s: Floats, value: Floats, gap_after: Flags) -> float:
    """Standard uncertainty of the trapezoid from its own step: what halving the samples changes, pair by pair.

    A smooth curve's error falls with the square of the step, full = half − 3 · error, so that a third of the sum of the
    changes is the error (Richardson). Where the current jumps between samples the changes are random and may cancel in
    the sum by chance: BETWEEN · √Σ changes² is added in quadrature.
    """
    if len(time_s) < 5:
        return 0.0
    total = squares = 0.0
    for samples, intervals in _blocks(len(time_s)):
        change = _halving(time_s[samples], value[samples], gap_after[intervals])
        total, squares = total + float(change.sum()), squares + _dot(change, change)
    return math.hypot(total / 3, BETWEEN * math.sqrt(squares))


def _halving(time_s: Floats, value: Floats, gap_after: Flags) -> Floats:
    """What each pair of trapezoids has over the one that spans both; nothing where a gap lies in it."""
    end = (len(time_s) - 1) // 2 * 2
    step = np.diff(time_s[: end + 1])
    first, second = step[::2], step[1::2]
    change = 0.5 * (value[1:end:2] * (first + second) - value[0:end:2] * second - value[2 : end + 1 : 2] * first)
    change[gap_after[0:end:2] | gap_after[1:end:2]] = 0.0
    return np.asarray(change)


def charge_estimates(series: Series, sensor: SensorError) -> tuple[Estimate, Estimate, Estimate]:
    """Discharged, recovered and net charge [Ah]."""
    if series.gap_after.all():
        none = refuse("Ah", NO_TIME)
        return none, none, none
    total = integrate(series.time_s, series.value, series.gap_after)
    may_out, may_in = bridged(series.time_s, series.value, series.gap_after)
    weight_s = _weights_s(series.time_s, series.gap_after)

    def terms(amount: float, seconds: float, counts: Flags) -> dict[str, float | None]:
        # White noise of 1 in each sample that counts becomes √Σw² in the sum.
        counted_s = np.where(counts, weight_s, 0.0)
        random = _white(sensor) * math.sqrt(_dot(counted_s, counted_s))
        part = np.where(counts, series.value, 0.0)
        return {
            "current gain": None if sensor.gain_u is None else sensor.gain_u * amount / HOUR,
            "current offset": None if sensor.offset_u is None else sensor.offset_u * seconds / HOUR,
            "noise and resolution": random / HOUR,
            "sampling": sampling_error(series.time_s, part, series.gap_after) / HOUR,
        }

    # A reading of exactly zero may hide a small current of either sign: its time counts on both sides.
    zero_s = max(series.sampled_s - total.out_s - total.back_s, 0.0)
    out = terms(total.out, total.out_s + zero_s, series.value >= 0)
    back = terms(total.back, total.back_s + zero_s, series.value <= 0)
    net = terms(total.net, series.sampled_s, np.ones(len(series.value), bool))
    return (
        above_zero(estimate(total.out / HOUR, "Ah", out, doubt_high=may_out / HOUR)),
        above_zero(estimate(total.back / HOUR, "Ah", back, doubt_high=may_in / HOUR)),
        estimate(total.net / HOUR, "Ah", net, doubt_low=may_in / HOUR, doubt_high=may_out / HOUR),
    )


def run_charge(run: Run, si_name: str) -> tuple[Estimate, Estimate, Estimate]:
    """Discharged, recovered and net charge [Ah] of a current over the run, as far as it speaks for the run.

    Where nobody knows how long a gap was, or the current was not measured at one end of the run, the sums are at least
    that much: what is missing is taken to be discharge.
    """
    series = run.series(si_name)
    if series is None or len(series.time_s) < 2:
        label = run.label(si_name).lower()
        none = refuse("Ah", f"no {label} was measured" if series is None else "a single sample covers no time")
        return none, none, none
    out, back, net = charge_estimates(series, run.sensor(si_name))
    why = _missing(run, series)
    return _as_far(out, why), _as_far(back, why), _as_far(net, why)


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


def _weights_s(time_s: Floats, gap_after: Flags) -> Floats:
    """Weight of each sample in the trapezoid's sum [s], gaps left out."""
    half = 0.5 * np.where(gap_after, 0.0, np.diff(time_s))
    weight = np.zeros(len(time_s))
    weight[:-1] += half
    weight[1:] += half
    return weight


@dataclass(frozen=True, slots=True)
class _Power:
    """Sampled power and what is needed to judge it."""

    time_s: Floats
    volts: Floats
    amps: Floats
    watts: Floats
    gap_after: Flags


def energy_estimates(
    current: Series, voltage: Series, current_sensor: SensorError, voltage_sensor: SensorError
) -> tuple[Estimate, Estimate, Estimate, Estimate, Estimate]:
    """Discharged, recovered, net energy [Wh], mean and peak power [W]: the mean of v·i, not the product of means."""
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
    sampled_s = float(np.diff(time_s)[~gap_after].sum())
    # A reading of exactly zero may hide a small current of either sign: it counts on both sides.
    out = _energy_terms(power, current_sensor, voltage_sensor, amps >= 0)
    back = _energy_terms(power, current_sensor, voltage_sensor, amps <= 0)
    net = _energy_terms(power, current_sensor, voltage_sensor, None)
    scale = HOUR / sampled_s
    return (
        above_zero(estimate(total.out / HOUR, "Wh", out, doubt_high=may_out / HOUR, doubt=doubt)),
        above_zero(estimate(total.back / HOUR, "Wh", back, doubt_high=may_in / HOUR, doubt=doubt)),
        estimate(total.net / HOUR, "Wh", net, doubt_low=may_in / HOUR, doubt_high=may_out / HOUR, doubt=doubt),
        estimate(total.net / sampled_s, "W", {k: None if v is None else v * scale for k, v in net.items()}),
        _peak_power(power, current_sensor, voltage_sensor),
    )


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


def _energy_terms(
    power: _Power, current: SensorError, voltage: SensorError, side: Flags | None
) -> dict[str, float | None]:
    """1 σ of ∫v·i dt [Wh] from each source, over all samples or those on one side of zero current."""
    energy = charge = volt_seconds = by_current = by_voltage = moved = 0.0
    for samples, intervals in _blocks(len(power.time_s)):
        volts, amps, gap_after = power.volts[samples], power.amps[samples], power.gap_after[intervals]
        weight_s = _weights_s(power.time_s[samples], gap_after)
        if side is not None:
            weight_s *= side[samples]
        volts_s, amps_s = volts * weight_s, amps * weight_s
        energy, charge = energy + _dot(volts, amps_s), charge + float(amps_s.sum())
        volt_seconds += float(volts_s.sum())
        by_current, by_voltage = by_current + _dot(volts_s, volts_s), by_voltage + _dot(amps_s, amps_s)
        moved += float((0.5 * (volts[:-1] + volts[1:]) * np.diff(amps))[~gap_after].sum())
    white = math.hypot(_white(current) * math.sqrt(by_current), _white(voltage) * math.sqrt(by_voltage))
    delays = [term for term in (current.delay_u, voltage.delay_u) if term is not None]

    def scaled(term: float | None, by: float) -> float | None:
        return None if term is None else term * abs(by) / HOUR

    watts = power.watts if side is None else np.where(side, power.watts, 0.0)
    terms = {
        "current gain": scaled(current.gain_u, energy),
        "current offset": scaled(current.offset_u, volt_seconds),
        "voltage gain": scaled(voltage.gain_u, energy),
        "voltage offset": scaled(voltage.offset_u, charge),
        "noise and resolution": white / HOUR,
        "sampling": sampling_error(power.time_s, watts, power.gap_after) / HOUR,
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
        net_ah = run_charge(run, f"{side}_current_a")[2]
        name = next((n for n in (f"{side}_fused_voltage_v", "battery_voltage_v") if run.has(n)), None)
        voltage = None if name is None else run.series(name)
        if name is None or voltage is None or len(voltage.time_s) < 2:
            out[side] = net_ah, refuse("Wh", "no voltage was measured")
            continue
        sensors = run.sensor(f"{side}_current_a"), run.sensor(name)
        net_wh = energy_estimates(current, voltage, *sensors)[2]
        out[side] = net_ah, _as_far(net_wh, _missing(run, current))
    return out
