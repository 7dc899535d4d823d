"""Voltage as a line in charge, current and lagged current, by windowed least squares. docs/methods.md, Resistance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from amptally.analysis.battery.resistance_steps import COARSE_SHARE, STEADY_SHARE
from amptally.analysis.results.reason import Reason
from amptally.analysis.signals.curve_integrals import BLOCK, dot
from amptally.analysis.signals.series import Flags, Floats

TIME_SCALES_S = (0.1, 1.0, 10.0)
MODEL_SHARE = 0.02
"""1 σ for what a single number leaves out: resistance moves with charge, current and temperature. Our own judgement."""
SHORT_SHARE = 0.3
"""1 σ of a regression, relative, times time scale / length of the fit: slow relaxation looks like
charge drawn.

Our own, like COARSE_SHARE, from circuits with known resistances: docs/methods.md.
"""
RELAXATIONS_S = (0.03, 0.3, 3.0, 30.0)
"""Time constants of the regression; fixed, so that it stays linear."""
CALM_S = 5.0
CALM_SHARE = 0.005
"""Of the voltage's whole range: a drift below it in those seconds counts as none."""
SETTLED_SHARE, UNSEEN_SHARE, UNSETTLED_SHARE, UNSETTLED_S = 0.03, 0.25, 0.045, 30.0
"""1 σ of the open-circuit voltage over the mean drop: where the stretch begins settled; else where it is too short for
the slowest lag, where it is long, and the length by which the latter grows in between. Our own, from 300 circuits, half
of them with a record that begins in the middle of a drive, and from 300 drives that begin under load on batteries with
a lag of 12 to 60 s that bend from full (tests/studies/unseen_forecasts.py, seeds 100 to 199)."""
LONGEST_FIT_S = 1800.0
NOISE_BLOCK = 100
"""Samples in a block whose noise is estimated."""
NOISE_DOUBT = 0.5
"""Share by which the variance of the current's noise may be greater than declared or seen."""
MIN_BIN_S = 0.01
"""Denser samples are averaged over bins of this length."""
ON_EDGE = 1e-6
"""Of a bin: a sample so near its end begins the next one, however its time was rounded."""
LONGEST_SUM = 500.0
"""e to this power fits into a float, with room for sums."""
PARTS = 12
"""Stretches of the jackknife."""
WIDEST_SHARE = 0.5
"""A resistance whose 1 σ exceeds this share of itself is refused."""


@dataclass(frozen=True, slots=True)
class Fit:
    """Regression of voltage on current, charge and relaxing current."""

    open_circuit_v: float
    """Intercept: voltage without current at the start of the fitted stretch, once it has relaxed."""
    open_circuit_u: float
    """1 σ of it [V]."""
    at_s: float
    """Start of the fitted stretch."""
    drop_v: float
    """Greatest drop under load: open-circuit voltage at the charge of that moment minus the voltage [V]."""
    drop_u: float
    """1 σ of it [V], noise of single voltages left out."""
    drop_at_s: float
    """When it was."""
    resistance_ohm: dict[float, tuple[float, float]]
    """Time scale → value and 1 σ."""
    refused: dict[float, Reason]
    """Time scale → why it has no value."""

    def widened(self, moved: Fit) -> Fit:
        """The same with one more term: how far `moved`, the fit with one sensor 1 σ later, differs from it."""
        widened = {
            scale: (value, math.hypot(u, moved.resistance_ohm.get(scale, (value, u))[0] - value))
            for scale, (value, u) in self.resistance_ohm.items()
        }
        open_u = math.hypot(self.open_circuit_u, moved.open_circuit_v - self.open_circuit_v)
        drop_u = math.hypot(self.drop_u, moved.drop_v - self.drop_v)
        return replace(self, resistance_ohm=widened, open_circuit_u=open_u, drop_u=drop_u)


def lagged_current(time_s: Floats, amps: Floats, tau_s: float) -> Floats:
    """First-order lag [A] of a current, shapes (n,), with time constant `tau_s` [s], settled at its first value.

    y(t) e^(t/τ) = y(0) + Σ i Δe^(t/τ): a sum, as long as the exponential stays within a float.
    """
    lagged = np.empty_like(amps)
    lagged[0] = amps[0]
    begin = 0
    while begin < len(amps) - 1:
        stop = min(begin + BLOCK, int(np.searchsorted(time_s, time_s[begin] + LONGEST_SUM * tau_s, "right")))
        if stop < begin + 2:  # after so long an interval nothing remains of the state before it
            stop = begin + 2
            lagged[begin + 1] = amps[begin + 1]
        else:
            growth = np.exp((time_s[begin:stop] - time_s[begin]) / tau_s)
            total = np.diff(growth)
            total *= amps[begin + 1 : stop]
            np.cumsum(total, out=total)
            np.divide(total + lagged[begin], growth[1:], out=lagged[begin + 1 : stop])
        begin = stop - 1
    return lagged


def _delayed(time_s: Floats, amps: Floats, skew_s: float, chosen: range) -> Floats:
    """The current at the chosen samples if all of it were `skew_s` later."""
    begin, stop = chosen.start, chosen.stop
    steps_s = np.diff(time_s[max(begin - 1, 0) : stop])
    if begin > 0 and steps_s.min() >= skew_s:
        return np.asarray(amps[begin:stop] - np.diff(amps[begin - 1 : stop]) * (skew_s / steps_s))
    before = max(int(np.searchsorted(time_s, time_s[begin] - skew_s, "right")) - 1, 0)
    return np.interp(time_s[begin:stop], time_s[before:stop] + skew_s, amps[before:stop])


def binned(time_s: Floats, volts: Floats, amps: Floats, chosen: range, skew_s: float) -> list[Floats]:
    """Means over bins of `MIN_BIN_S`, empty bins left out: times, voltages, currents, delayed currents if `skew_s`."""
    means: list[list[Floats]] = []
    begin = chosen.start
    while begin < chosen.stop:
        stop = min(begin + BLOCK, chosen.stop)
        place = ((time_s[begin:stop] - time_s[chosen.start]) / MIN_BIN_S + ON_EDGE).astype(np.int64)
        starts = np.append(0, np.flatnonzero(place[1:] != place[:-1]) + 1)
        if stop < chosen.stop and len(starts) > 1:  # the last bin may go on
            stop, starts = begin + int(starts[-1]), starts[:-1]
        columns = [each[begin:stop] for each in (time_s, volts, amps)]
        if skew_s:
            columns.append(_delayed(time_s, amps, skew_s, range(begin, stop)))
        count = np.diff(np.append(starts, stop - begin))
        means.append([np.add.reduceat(column, starts) / count for column in columns])
        begin = stop
    return [np.concatenate(parts) for parts in zip(*means, strict=True)]


def median_interval_s(time_s: Floats) -> float:
    """Median sample interval [s] of two samples or more; the mean where samples are dense.

    A median is at most twice the mean (Markov's inequality), and below the width of a bin it makes no difference.
    """
    mean_s = float(time_s[-1] - time_s[0]) / (len(time_s) - 1)
    return mean_s if mean_s < MIN_BIN_S / 2 else float(np.median(np.diff(time_s)))


def fit_voltage(
    time_s: Floats, volts: Floats, amps: Floats, gap_after: Flags, current_noise_a: float, skew_s: float = 0.0
) -> Fit | Reason:
    """Least squares of V = E − s·q − R₀·i − Σ Rⱼ·(i lagged by τⱼ) − a·e^(−t/τ), or the reason why there is none.

    time_s [s], volts [V], amps [A]: shape (n,); gap_after: shape (n − 1,); current_noise_a [A]: 1 σ of one sample, 0
    where not declared; skew_s [s]: 1 σ of the time between the two sensors. q is the charge drawn; a is what still
    relaxed when the stretch began, with the longest lag as its τ. A Thevenin circuit of resistors and RC pairs, its
    time constants fixed.

    Noise in i pulls R₀ down and the lagged terms, which smooth it, up: its covariance is subtracted from the normal
    equations (errors in variables). Where not declared it is that of the quietest stretches.
    The uncertainty comes from leaving out one of twelve stretches at a time (jackknife), because residuals are not
    independent, from what changes when the open-circuit voltage may bend with charge (a term in q²; lithium from full
    does), and from what changes when the current is delayed by `skew_s`.
    """
    resumed = time_s[1:][gap_after]
    chosen = range(len(time_s))[busiest_stretch(time_s, amps)]
    samples = slice(chosen.start, chosen.stop)
    if len(chosen) < 50:
        return Reason("few_samples_for_fit")
    interval = median_interval_s(time_s[samples])
    current_noise_a = current_noise_a or _quietest(amps[samples])
    if interval < MIN_BIN_S:
        time_s, volts, *currents = binned(time_s, volts, amps, chosen, skew_s)
        current_noise_a *= math.sqrt(len(time_s) / len(chosen))
    else:
        moved = _delayed(time_s, amps, skew_s, chosen) if skew_s else None
        currents = [amps[samples]] if moved is None else [amps[samples], moved]
        time_s, volts = time_s[samples], volts[samples]
    width = max(MIN_BIN_S, interval)
    fit, *others = (_fit(time_s, volts, each, current_noise_a, width, resumed) for each in currents)
    for other in others:
        if isinstance(fit, Fit) and isinstance(other, Fit):
            fit = fit.widened(other)
    return fit


def _fit(
    time_s: Floats, volts: Floats, amps: Floats, current_noise_a: float, width: float, resumed: Floats
) -> Fit | Reason:
    """The regression on samples, or bins, `width` [s] apart; `resumed` are the times at which gaps end."""
    dt = np.diff(time_s)
    charge = np.concatenate(([0.0], np.cumsum(0.5 * (amps[:-1] + amps[1:]) * dt))) / 3600
    usable = [tau for tau in RELAXATIONS_S if tau >= 2 * width and tau <= (time_s[-1] - time_s[0]) / 4]
    settled = _settled(time_s, volts, amps)
    spread = float(np.std(amps))
    if spread < max(0.5, 3 * current_noise_a):
        return Reason("current_hardly_changes")
    # The effect of what flowed before the first sample still relaxes.
    unsettled = [np.exp((time_s[0] - time_s) / usable[-1])] if usable and not settled else []
    lagged = [lagged_current(time_s, amps, tau) for tau in usable]
    # Both sides of the equation with their signs reversed, the voltage as the last row.
    bend = (charge / max(float(np.abs(charge).max()), 1e-9)) ** 2
    table = np.stack([np.full_like(amps, -1.0), charge, amps, *lagged, *unsettled, bend, -volts])
    # After a gap the lagged current is not known until the gap has faded.
    known = _since(time_s, resumed) > 2 * max(usable, default=0.0)
    if not known.all():
        table = table[:, known]
    if table.shape[1] < 50:
        return Reason("fit_in_gaps")
    parts = np.array_split(table, PARTS, axis=1)
    noise_a2 = current_noise_a**2 * _noise_shares(width, usable, len(table) - 1)
    squares = [part @ part.T for part in parts]
    normal = [
        (square[:-1, :-1] - part.shape[1] * noise_a2, square[:-1, -1])
        for part, square in zip(parts, squares, strict=True)
    ]
    total_a = np.sum([a for a, _ in normal], axis=0)
    total_b = np.sum([b for _, b in normal], axis=0)
    bent = solve(total_a, total_b)
    total_a, total_b, noise_a2 = total_a[:-1, :-1], total_b[:-1], noise_a2[:-1, :-1]
    solved = solve(total_a, total_b)
    noisier = solve(total_a - NOISE_DOUBT * table.shape[1] * noise_a2, total_b)
    dropped = [solve(total_a - a[:-1, :-1], total_b - b[:-1]) for a, b in normal]
    if solved is None or noisier is None or any(part is None for part in dropped):
        return Reason("fit_not_unique")
    others = np.array(dropped)

    def jackknife(values: Floats) -> float:
        return math.sqrt((PARTS - 1) / PARTS * float(((values - values.mean()) ** 2).sum()))

    values: dict[float, tuple[float, float]] = {}
    refused: dict[float, Reason] = {}
    for scale in TIME_SCALES_S:
        if scale < 2 * width:
            refused[scale] = samples_too_coarse(width, scale)
        elif scale > (time_s[-1] - time_s[0]) / 4:
            refused[scale] = Reason("run_too_short_for_scale", scale_s=scale)
        elif not _moves(time_s, amps, scale, max(0.5, 3 * current_noise_a)):
            refused[scale] = Reason("current_too_slow_for_scale", scale_s=scale)
        else:
            gain = np.zeros(len(solved))
            gain[2 : len(usable) + 3] = 1.0, *(1.0 - math.exp(-scale / tau) for tau in usable)
            value, u = float(solved @ gain), jackknife(others @ gain)
            u = math.hypot(u, 0.0 if bent is None else float(bent[:-1] @ gain) - value)
            seen = math.hypot(
                COARSE_SHARE * math.sqrt(width / scale), SHORT_SHARE * scale / float(time_s[-1] - time_s[0])
            )
            u = math.hypot(u, float(noisier @ gain) - value, abs(value) * seen)
            if value <= 0 or u > WIDEST_SHARE * value:
                refused[scale] = resistance_open(scale, value, u)
            else:
                values[scale] = value, u
    mean_drop = float(solved[0]) - float(volts.mean())
    share = SETTLED_SHARE if settled else _unsettled_share(float(time_s[-1] - time_s[0]), usable)
    open_u = math.hypot(jackknife(others[:, 0]), float(noisier[0] - solved[0]), share * mean_drop)
    # Without current and settled: the first row without a load, and charge, of every solution.
    drops = solved[0] + table[-1] - solved[1] * table[1]
    at = int(np.argmax(drops))
    at_charge = np.array([1.0, -table[1, at]])
    drop_u = math.hypot(
        jackknife(others[:, :2] @ at_charge), float((noisier - solved)[:2] @ at_charge), share * mean_drop
    )
    if bent is not None:
        open_u = math.hypot(open_u, float(bent[0] - solved[0]))
        bent_v = float(bent[:2] @ at_charge - bent[-1] * table[-2, at])
        drop_u = math.hypot(drop_u, bent_v - float(solved[:2] @ at_charge))
    drop = float(drops[at]), drop_u, float(time_s[known][at])
    return Fit(float(solved[0]), open_u, float(time_s[0]), *drop, values, refused)


def _moves(time_s: Floats, amps: Floats, scale_s: float, min_a: float) -> bool:
    """Whether the current minus its own lag scatters by `min_a`. Mostly a part of it shows that already."""
    for count in (len(amps) // 16, len(amps)):
        away = amps[:count] - lagged_current(time_s[:count], amps[:count], scale_s)
        if float(np.std(away)) * math.sqrt(count / len(amps)) >= min_a:
            return True
    return False


def _settled(time_s: Floats, volts: Floats, amps: Floats) -> bool:
    """Whether the stretch begins with `CALM_S` at rest in which the voltage does not drift beyond its scatter."""
    calm = slice(0, int(np.searchsorted(time_s, time_s[0] + CALM_S)))
    away = time_s[calm] - time_s[calm].mean()
    if len(away) < 4 or float(np.abs(amps[calm]).max()) > STEADY_SHARE * float(np.ptp(amps)):
        return False
    slope = dot(away, volts[calm]) / dot(away, away)
    residual = volts[calm] - volts[calm].mean() - slope * away
    slope_u = math.sqrt(dot(residual, residual) / (len(away) - 2) / dot(away, away))
    return abs(slope) * CALM_S < max(3 * slope_u * CALM_S, CALM_SHARE * float(np.ptp(volts)))


def _unsettled_share(length_s: float, usable_s: list[float]) -> float:
    """1 σ of the open-circuit voltage over the mean drop, where the stretch begins under load or while it relaxes."""
    if RELAXATIONS_S[-1] not in usable_s:
        return UNSEEN_SHARE
    return math.hypot(UNSETTLED_SHARE, UNSETTLED_S / length_s)


def _quietest(amps: Floats) -> float:
    """Noise of single samples, 1 σ [A], from second differences in the quietest twentieth of the record."""
    second = np.diff(amps, 2)
    blocks = second[: len(second) // NOISE_BLOCK * NOISE_BLOCK].reshape(-1, NOISE_BLOCK)
    return float(np.quantile(blocks.std(axis=1), 0.05)) / math.sqrt(6) if len(blocks) >= 20 else 0.0


def _noise_shares(step_s: float, taus_s: list[float], columns: int) -> Floats:
    """Covariance that white noise of variance 1 in the current gives the columns: of i and of i lagged by each τ.

    A lagged current holds (1 − k) kⁿ of the noise n samples ago, k = exp(−step/τ).
    """
    keep = np.array([0.0, *(math.exp(-step_s / tau) for tau in taus_s)])
    shares = np.zeros((columns, columns))
    shares[2 : len(keep) + 2, 2 : len(keep) + 2] = np.outer(1 - keep, 1 - keep) / (1 - np.outer(keep, keep))
    return shares


def _since(time_s: Floats, moments_s: Floats) -> Floats:
    """Time since the last of the moments; infinite before the first."""
    if not len(moments_s):
        return np.full(len(time_s), np.inf)
    place = np.searchsorted(moments_s, time_s, "right") - 1
    return np.where(place >= 0, time_s - moments_s[np.maximum(place, 0)], np.inf)


def busiest_stretch(time_s: Floats, amps: Floats) -> slice:
    """The half hour in which the current changes most; all of a shorter record. Shapes (n,), [s] and [A]."""
    if time_s[-1] - time_s[0] <= LONGEST_FIT_S:
        return slice(None)
    change = np.concatenate(([0.0], np.cumsum(np.abs(np.diff(amps)))))
    ends = np.searchsorted(time_s, time_s + LONGEST_FIT_S, "right") - 1
    start = int(np.argmax(change[ends] - change))
    return slice(start, int(ends[start]) + 1)


def solve(a: Floats, b: Floats) -> Floats | None:
    """x of a x = b, shapes (n, n) and (n,), a scaled to a unit diagonal; None where a is singular within 1e-10."""
    if (np.diag(a) <= 0).any():
        return None
    scale = np.sqrt(np.diag(a))
    scaled = a / np.outer(scale, scale)
    eigenvalues = np.linalg.eigvalsh(scaled)
    if eigenvalues[0] <= 1e-10 * eigenvalues[-1]:
        return None
    return np.asarray(np.linalg.solve(scaled, b / scale) / scale)


def resistance_open(scale_s: float, value_ohm: float, u_ohm: float) -> Reason:
    """Why a resistance whose 1 σ exceeds `WIDEST_SHARE` of it is refused."""
    return Reason("resistance_open", scale_s=scale_s, value_ohm=value_ohm, u_ohm=u_ohm)


def samples_too_coarse(interval_s: float, scale_s: float) -> Reason:
    """Why a resistance is refused at a time scale that the sample interval does not resolve."""
    return Reason("samples_too_coarse", interval_s=interval_s, scale_s=scale_s)
