"""Voltage drop per ampere, T seconds after a step: from steps, else by regression. docs/methods.md, Resistance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.estimate import Estimate, estimate, refuse
from analysis.run import Flags, Floats, SensorError

TIME_SCALES_S = (0.1, 1.0, 10.0)
LEAST_STEP_A = 2.0
STEADY_SHARE = 0.1
"""A current is steady while it stays within this share of the step. Our own choice."""
READ_SHARE = 0.1
"""Voltage and current after a step are means over ± this share of the time scale."""
MODEL_SHARE = 0.02
"""1 σ for what a single number leaves out: resistance moves with charge, current and temperature. Our own judgement."""
COARSE_SHARE = 0.05
"""1 σ, relative, times √(sample interval / time scale): what happens between samples is not seen."""
SHORT_SHARE = 0.3
"""1 σ of a regression, relative, times time scale / length of the fit: slow relaxation is not told from charge.

Both our own, from circuits with known resistances: docs/methods.md.
"""
RELAXATIONS_S = (0.03, 0.3, 3.0, 30.0)
"""Time constants of the regression; fixed, so that it stays linear."""
LONGEST_FIT_S = 1800.0
NOISE_BLOCK = 100
NOISE_DOUBT = 0.5
"""Share by which the variance of the current's noise may be greater than declared or seen."""
LEAST_BIN_S = 0.01
PARTS = 12
WIDEST_SHARE = 0.5
"""A resistance whose 1 σ exceeds this share of itself is refused."""
WIDEST_OPEN_SHARE = 0.02
"""Likewise for the open-circuit voltage."""
SHARPER = 3.0
"""Steps give way to a regression whose 1 σ is this many times smaller."""


@dataclass(frozen=True, slots=True)
class Fit:
    """Regression of voltage on current, charge and relaxing current."""

    open_circuit_v: float
    """Intercept: voltage without current at the start of the fitted stretch."""
    open_circuit_u: float
    at_s: float
    """Start of the fitted stretch."""
    resistance_ohm: dict[float, tuple[float, float]]
    """Time scale → value and 1 σ."""
    refused: dict[float, str]


@dataclass(frozen=True, slots=True)
class Step:
    """One clean step of current."""

    at_s: float
    current_a: float
    """After minus before."""
    drop_v: float
    """Voltage before minus voltage T seconds after."""
    timing_u_v: float
    """1 σ of the drop, because the step lies anywhere within its sample interval (rectangular law)."""
    shape_u_v: float = 0.0
    """1 σ of the drop, because voltage drifted before the step or current moved after it."""
    scatter_v: float = 0.0
    """Standard deviation of single voltages around their line before the step."""
    coarse: float = 0.0
    """Sample interval at the step ÷ time scale."""


def find_steps(time_s: Floats, volts: Floats, amps: Floats, gap_after: Flags, scale_s: float) -> list[Step]:
    """Steps of at least 2 A with steady current for `scale_s` before and after, risen within half of it.

    A step counts only where the sample interval at it is at most half of `scale_s`.
    """
    places = np.flatnonzero((np.abs(np.diff(amps)) >= LEAST_STEP_A / 2) & ~gap_after)
    places = places[time_s[places + 1] - time_s[places] <= 0.5005 * scale_s]
    reach_s = (1.5 + READ_SHARE) * scale_s
    places = places[(places >= 1) & (time_s[places + 1] + reach_s <= time_s[-1])] if len(places) else places
    if not len(places):
        return []
    start = time_s[places]
    first = np.minimum(np.searchsorted(time_s, start - scale_s), places - 1)
    risen = np.maximum(np.searchsorted(time_s, start + scale_s / 2, "right") - 1, places + 1)
    last = np.searchsorted(time_s, time_s[places + 1] + (1 + READ_SHARE) * scale_s)
    so_far = np.concatenate(([0.0], np.cumsum(amps)))
    before, after = _means(so_far, first, places), _means(so_far, risen, last)
    allowed = STEADY_SHARE * np.abs(after - before)
    gaps = np.flatnonzero(gap_after)
    good = (np.abs(after - before) >= LEAST_STEP_A) & (np.searchsorted(gaps, last) == np.searchsorted(gaps, first))
    for level, edge in ((before, first), (before, places), (after, risen), (after, last)):
        good &= np.abs(amps[edge] - level) <= allowed
    steps: list[Step] = []
    free_from = 0
    for k in np.flatnonzero(good).tolist():
        place, early, settled, late = int(places[k]), int(first[k]), int(risen[k]), int(last[k])
        if place < free_from:
            continue
        rest, load = slice(early, place + 1), slice(settled, late + 1)
        if max(np.ptp(amps[rest]), np.ptp(amps[load])) > allowed[k]:
            continue
        rise = slice(place, settled + 1)
        steps.append(_read(time_s, volts, amps, rest, rise, (float(before[k]), float(after[k])), scale_s))
        free_from = late
    return steps


def _means(so_far: Floats, first: npt.NDArray[np.int64], last: npt.NDArray[np.int64]) -> Floats:
    """Means from place `first` to `last`, both counted, of values whose sums before each place are `so_far`."""
    return np.asarray((so_far[last + 1] - so_far[first]) / (last + 1 - first))


def _read(
    time_s: Floats, volts: Floats, amps: Floats, rest: slice, rise: slice, levels_a: tuple[float, float], scale_s: float
) -> Step:
    """One step read `scale_s` after the moment of an equal sudden step: the one that leaves out the same charge."""
    before, after = levels_a
    begin, interval = float(time_s[rise.start]), float(time_s[rise.start + 1] - time_s[rise.start])
    lag = float(np.trapezoid((after - amps[rise]) / (after - before), time_s[rise]))
    moment = begin + min(max(lag, interval / 2), (scale_s + interval) / 2) + scale_s
    sooner, end_v, later = (
        float(each) for each in np.interp(moment + interval * np.array([-0.5, 0, 0.5]), time_s, volts)
    )
    end_a = float(np.interp(moment, time_s, amps))
    near = slice(*np.searchsorted(time_s, moment + READ_SHARE * scale_s * np.array([-1, 1])).tolist())
    if near.stop - near.start >= 3:
        end_v, end_a = float(volts[near].mean()), float(amps[near].mean())
    away = time_s[rest] - time_s[rest].mean()
    level, slope = float(volts[rest].mean()), 0.0
    scatter = 0.0
    if len(away) >= 4:
        slope = float(away @ volts[rest] / (away @ away))
        scatter = float(np.sqrt(((volts[rest] - level - slope * away) ** 2).sum() / (len(away) - 2)))
        if abs(slope) < 3 * scatter / float(np.sqrt(away @ away)):
            slope = 0.0
    # An earlier load still relaxes: without the step the voltage would lie between its level and its line.
    drift = slope * (moment - float(time_s[rest].mean()))
    drop = level + drift / 2 - end_v
    unsteady = abs(drop) * abs(end_a - after) / abs(after - before)
    shape = math.hypot(drift / math.sqrt(12), unsteady)
    return Step(begin, end_a - before, drop, abs(sooner - later) / math.sqrt(12), shape, scatter, interval / scale_s)


def from_steps(steps: list[Step], volt_noise_v: float) -> tuple[float, float]:
    """Resistance [Ω] and 1 σ by least squares through zero over all steps.

    The noise of a voltage is the declared one or the scatter seen before the steps, whichever is greater.
    """
    jumps = np.array([step.current_a for step in steps])
    drops = np.array([step.drop_v for step in steps])
    own = np.array([math.hypot(step.timing_u_v, step.shape_u_v) for step in steps])
    weight = float((jumps**2).sum())
    value = float((jumps * drops).sum()) / weight
    scatter = 0.0
    if len(steps) > 1:
        scatter = math.sqrt(float(((drops - value * jumps) ** 2).sum()) / (len(steps) - 1) / weight)
    seen = math.sqrt(float(np.mean([step.scatter_v**2 for step in steps])))
    noise = math.sqrt(2) * max(volt_noise_v, seen) / math.sqrt(weight)
    single = math.sqrt(float(((jumps * own) ** 2).sum())) / weight
    # The same for all steps: it does not average out.
    coarse = COARSE_SHARE * value * math.sqrt(float(np.mean([step.coarse for step in steps])))
    return value, math.sqrt(scatter**2 + noise**2 + single**2 + coarse**2)


def relaxed(time_s: Floats, amps: Floats, tau_s: float) -> Floats:
    """First-order lag of the current with time constant `tau_s`, starting settled at its first value."""
    keep = np.exp(-np.diff(time_s) / tau_s)
    # Each row of a table runs on its own from 0, column by column for all rows at once; what came before a row is added
    # afterwards, faded as it is by then.
    width = max(math.isqrt(len(keep)), 1)
    rows = -(-len(keep) // width)
    faded, lagged = np.ones(rows * width), np.zeros(rows * width)
    faded[: len(keep)], lagged[: len(keep)] = keep, (1.0 - keep) * amps[1:]
    fade, own = faded.reshape(rows, width), lagged.reshape(rows, width)
    for column in range(1, width):
        own[:, column] += fade[:, column] * own[:, column - 1]
    np.cumprod(fade, axis=1, out=fade)
    state = float(amps[0])
    before = np.empty(rows)
    for row, (left, last) in enumerate(zip(fade[:, -1].tolist(), own[:, -1].tolist(), strict=True)):
        before[row] = state
        state = state * left + last
    own += fade * before[:, None]
    return np.concatenate((amps[:1], lagged[: len(keep)]))


def _binned(time_s: Floats, volts: Floats, amps: Floats, width_s: float) -> tuple[Floats, Floats, Floats]:
    """Means over bins of `width_s`, empty bins left out."""
    place = ((time_s - time_s[0]) / width_s).astype(np.int64)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(place)) + 1))
    count = np.diff(np.concatenate((starts, [len(place)])))
    return (
        np.add.reduceat(time_s, starts) / count,
        np.add.reduceat(volts, starts) / count,
        np.add.reduceat(amps, starts) / count,
    )


def fit_voltage(time_s: Floats, volts: Floats, amps: Floats, gap_after: Flags, current_noise_a: float) -> Fit | str:
    """Least squares of V = E − s·q − R₀·i − Σ Rⱼ·(i lagged by τⱼ), with q the charge removed; or why it cannot be done.

    Noise in i pulls R₀ down and the lagged terms, which smooth it, up: its covariance is taken off the normal equations
    (errors in variables). It is the declared one, else that of the quietest stretches.
    Uncertainty by leaving out one of twelve stretches at a time (jackknife), because residuals are not independent.
    """
    resumed = time_s[1:][gap_after]
    chosen = busiest(time_s, amps)
    time_s, volts, amps = time_s[chosen], volts[chosen], amps[chosen]
    if len(time_s) < 50:
        return "too few samples for a regression"
    interval = float(np.median(np.diff(time_s)))
    width = max(LEAST_BIN_S, interval)
    current_noise_a = current_noise_a or _quietest(amps)
    if interval < LEAST_BIN_S:
        before = len(time_s)
        time_s, volts, amps = _binned(time_s, volts, amps, width)
        current_noise_a *= math.sqrt(len(time_s) / before)
    dt = np.diff(time_s)
    charge = np.concatenate(([0.0], np.cumsum(0.5 * (amps[:-1] + amps[1:]) * dt))) / 3600
    usable = [tau for tau in RELAXATIONS_S if tau >= 2 * width and tau <= (time_s[-1] - time_s[0]) / 4]
    columns = [np.ones_like(amps), -charge, -amps, *(-relaxed(time_s, amps, tau) for tau in usable)]
    table = np.stack(columns, axis=1)
    spread = float(np.std(amps))
    if spread < max(0.5, 3 * current_noise_a):
        return "the current hardly changes, so that resistance cannot be told from open-circuit voltage"
    # The lagged current is not known until a gap is forgotten.
    used = np.flatnonzero(_since(time_s, resumed) > 2 * max(usable, default=0.0))
    if len(used) < 50:
        return "too much of the run lies in gaps for a regression"
    parts = np.array_split(used, PARTS)
    noise_a2 = current_noise_a**2 * _noise_shares(width, usable)
    normal = [(table[part].T @ table[part] - len(part) * noise_a2, table[part].T @ volts[part]) for part in parts]
    total_a = np.sum([a for a, _ in normal], axis=0)
    total_b = np.sum([b for _, b in normal], axis=0)
    solved = _solve(total_a, total_b)
    noisier = _solve(total_a - NOISE_DOUBT * len(used) * noise_a2, total_b)
    dropped = [_solve(total_a - a, total_b - b) for a, b in normal]
    if solved is None or noisier is None or any(part is None for part in dropped):
        return "the current does not move in enough ways to tell the terms of the regression apart"
    others = np.array(dropped)

    def jackknife(values: Floats) -> float:
        return math.sqrt((PARTS - 1) / PARTS * float(((values - values.mean()) ** 2).sum()))

    values: dict[float, tuple[float, float]] = {}
    refused: dict[float, str] = {}
    for scale in TIME_SCALES_S:
        moved = float(np.std(amps - relaxed(time_s, amps, scale)))
        if scale < 2 * width:
            refused[scale] = _too_coarse(width, scale)
        elif scale > (time_s[-1] - time_s[0]) / 4:
            refused[scale] = f"the run is too short to show what happens {scale:g} s after a step"
        elif moved < max(0.5, 3 * current_noise_a):
            refused[scale] = f"the current never changes fast enough to show what happens {scale:g} s after a step"
        else:
            gain = np.array([0.0, 0.0, 1.0, *(1.0 - math.exp(-scale / tau) for tau in usable)])
            value, u = float(solved @ gain), jackknife(others @ gain)
            seen = math.hypot(
                COARSE_SHARE * math.sqrt(width / scale), SHORT_SHARE * scale / float(time_s[-1] - time_s[0])
            )
            u = math.hypot(u, float(noisier @ gain) - value, abs(value) * seen)
            if value <= 0 or u > WIDEST_SHARE * value:
                refused[scale] = _open(scale, value, u)
            else:
                values[scale] = value, u
    mean_drop = float(solved[0]) - float(volts.mean())
    open_u = math.hypot(jackknife(others[:, 0]), float(noisier[0] - solved[0]), MODEL_SHARE * mean_drop)
    return Fit(float(solved[0]), open_u, float(time_s[0]), values, refused)


def _quietest(amps: Floats) -> float:
    """Noise of single samples, 1 σ [A], from second differences in the quietest twentieth of the record."""
    second = np.diff(amps, 2)
    blocks = second[: len(second) // NOISE_BLOCK * NOISE_BLOCK].reshape(-1, NOISE_BLOCK)
    return float(np.quantile(blocks.std(axis=1), 0.05)) / math.sqrt(6) if len(blocks) >= 20 else 0.0


def _noise_shares(step_s: float, taus_s: list[float]) -> Floats:
    """Covariance that white noise of variance 1 in the current gives the columns 1, q, i and i lagged by each τ.

    A lagged current holds (1 − k) kⁿ of the noise n samples ago, k = exp(−step/τ).
    """
    keep = np.array([0.0, *(math.exp(-step_s / tau) for tau in taus_s)])
    shares = np.zeros((len(keep) + 2, len(keep) + 2))
    shares[2:, 2:] = np.outer(1 - keep, 1 - keep) / (1 - np.outer(keep, keep))
    return shares


def _open(scale_s: float, value_ohm: float, u_ohm: float) -> str:
    return f"the data leave {scale_s:g} s resistance open: {1e3 * value_ohm:.1f} mΩ, 1 σ {1e3 * u_ohm:.1f} mΩ"


def _too_coarse(interval_s: float, scale_s: float) -> str:
    return f"samples every {interval_s:.3g} s cannot show what happens {scale_s:g} s after a step"


def _judged(read: tuple[float, float], terms: dict[str, float | None], scale_s: float, note: str) -> Estimate:
    """A resistance from steps, refused where its own scatter leaves it open."""
    value, u = read
    if u > WIDEST_SHARE * value:
        return refuse("ohm", _open(scale_s, value, u))
    return estimate(value, "ohm", terms, note=note)


def _since(time_s: Floats, moments_s: Floats) -> Floats:
    """Time since the last of the moments; infinite before the first."""
    if not len(moments_s):
        return np.full(len(time_s), np.inf)
    place = np.searchsorted(moments_s, time_s, "right") - 1
    return np.where(place >= 0, time_s - moments_s[np.maximum(place, 0)], np.inf)


def busiest(time_s: Floats, amps: Floats) -> slice:
    """At most half an hour, where the current changes most."""
    if time_s[-1] - time_s[0] <= LONGEST_FIT_S:
        return slice(None)
    change = np.concatenate(([0.0], np.cumsum(np.abs(np.diff(amps)))))
    ends = np.searchsorted(time_s, time_s + LONGEST_FIT_S, "right") - 1
    start = int(np.argmax(change[ends] - change))
    return slice(start, int(ends[start]) + 1)


def _solve(a: Floats, b: Floats) -> Floats | None:
    """Solution of the scaled normal equations; None where they do not tell the unknowns apart."""
    if (np.diag(a) <= 0).any():
        return None
    scale = np.sqrt(np.diag(a))
    scaled = a / np.outer(scale, scale)
    eigenvalues = np.linalg.eigvalsh(scaled)
    if eigenvalues[0] <= 1e-10 * eigenvalues[-1]:
        return None
    return np.asarray(np.linalg.solve(scaled, b / scale) / scale)


@dataclass(frozen=True, slots=True)
class Resistance:
    """What is known of the battery's resistance."""

    by_scale: dict[float, Estimate]
    open_circuit_v: Estimate


def assess_resistance(
    time_s: Floats, volts: Floats, amps: Floats, gap_after: Flags, current: SensorError, voltage: SensorError
) -> Resistance:
    """Resistance [Ω] at 0.1, 1, 10 s and open-circuit voltage [V] at the start, each with its method in the basis."""
    current_noise = math.hypot(current.noise or 0.0, (current.resolution or 0.0) / math.sqrt(12))
    volt_noise = math.hypot(voltage.noise or 0.0, (voltage.resolution or 0.0) / math.sqrt(12))
    fit = fit_voltage(time_s, volts, amps, gap_after, current_noise) if len(time_s) > 1 else "no samples"

    def terms(value: float, u: float) -> dict[str, float | None]:
        return {
            "scatter": u,
            "model": MODEL_SHARE * value,
            "current gain": None if current.gain_u is None else current.gain_u * value,
            "voltage gain": None if voltage.gain_u is None else voltage.gain_u * value,
        }

    interval = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0
    by_scale = {}
    for scale in TIME_SCALES_S:
        steps = find_steps(time_s, volts, amps, gap_after, scale)
        read = from_steps(steps, volt_noise) if steps else None
        coarse = interval > 0.5005 * scale
        fitted = None if isinstance(fit, str) else fit.resistance_ohm.get(scale)
        if read is not None and read[0] <= 0:
            by_scale[scale] = refuse(
                "ohm", "the voltage does not fall when the current rises: check the wiring of the sensors"
            )
        elif read is not None and (fitted is None or read[1] <= SHARPER * fitted[1]):
            note = f"{len(steps)} step{'s' if len(steps) > 1 else ''} of current"
            by_scale[scale] = _judged(read, terms(*read), scale, note)
        elif fitted is not None:
            by_scale[scale] = estimate(fitted[0], "ohm", terms(*fitted), note="regression")
        elif coarse:
            by_scale[scale] = refuse("ohm", _too_coarse(interval, scale))
        else:
            by_scale[scale] = refuse("ohm", fit if isinstance(fit, str) else fit.refused[scale])
    if isinstance(fit, str):
        return Resistance(by_scale, refuse("V", fit))
    if fit.open_circuit_u > WIDEST_OPEN_SHARE * fit.open_circuit_v:
        return Resistance(by_scale, refuse("V", f"the regression leaves it open by {fit.open_circuit_u:.2f} V (1 σ)"))
    open_terms: dict[str, float | None] = {
        "scatter": fit.open_circuit_u,
        "voltage gain": None if voltage.gain_u is None else voltage.gain_u * fit.open_circuit_v,
        "voltage offset": voltage.offset_u,
    }
    note = f"regression, without current at {fit.at_s:.0f} s"
    return Resistance(by_scale, estimate(fit.open_circuit_v, "V", open_terms, note=note))
