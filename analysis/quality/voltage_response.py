"""Does the battery's voltage respond to its current? Reversed signs, voltages from elsewhere, wrong scales.

Pure functions on arrays; docs/methods.md, Bad data.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.results.reason import Reason
from amptally.analysis.signals.curve_integrals import dot
from amptally.analysis.signals.series import Flags, Floats

MIN_SPREAD_A = 1.0
"""1 σ of a current below which its relation to anything is not judged."""
CLEAR_CORRELATION = 0.3
MIN_RESPONSE_OHM = 2e-4
"""A battery of this kind falls by more than 0.2 mV per ampere; below it the voltage does not respond to the load."""
MIN_OF_SHEET = 0.03
"""Likewise below this share of the resistance that the machine file gives."""
BIN_S = 0.5
MIN_CHANGES = 10
APART_BINS = 3
LARGE_CHANGE, MIN_LARGE, MOSTLY = 0.1, 3, 0.7
"""Of the changes of at least this share of the largest there are three, and in this share of them the voltage rises."""
MIN_RATIO, MAX_RATIO = 1 / 7, 20.0
"""Resistance seen over that of the sheet: outside, the current's scale is doubted. A worn battery or a poor connection
reaches several times its sheet, hardly anything a seventh of it."""
CLEAR_RESPONSE = 0.5
"""Correlation of changes from which a resistance is compared."""
CURRENT, VOLTAGE = ("battery_current_a",), ("battery_voltage_v",)


@dataclass(frozen=True, eq=False)
class Pair:
    """Current and voltage of a battery at the same moments."""

    time_s: Floats
    """Shape (n,), as the next two."""
    amps: Floats
    volts: Floats
    gap_after: Flags
    """Shape (n − 1,)."""

    @cached_property
    def means(self) -> tuple[Floats, Floats, Flags]:
        """Current and voltage by bins, and where a gap lies between two of them."""
        (mean_a, mean_v), broken = binned(self.time_s, (self.amps, self.volts), self.gap_after)
        return mean_a, mean_v, broken

    @cached_property
    def changes(self) -> tuple[Floats, Floats]:
        """Changes of current and voltage between neighbouring bins, gaps left out."""
        mean_a, mean_v, broken = self.means
        return np.diff(mean_a)[~broken], np.diff(mean_v)[~broken]


@dataclass(frozen=True, slots=True)
class Line:
    """Least-squares line y = intercept + slope · x."""

    slope: float
    intercept: float
    correlation: float


def line(x: Floats, y: Floats) -> Line:
    """Fit of two arrays, shape (n,); a slope of 0 where x does not vary."""
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = dot(dx, dx), dot(dy, dy), dot(dx, dy)
    if sxx == 0 or syy == 0:
        return Line(0.0, float(y.mean()), 0.0)
    slope = sxy / sxx
    return Line(slope, float(y.mean() - slope * x.mean()), sxy / math.sqrt(sxx * syy))


def binned(time_s: Floats, values: tuple[Floats, ...], gap_after: Flags) -> tuple[tuple[Floats, ...], Flags]:
    """Means over `BIN_S` or one sample, none of them across a gap; and where a gap lies between two of them."""
    place = np.floor((time_s - time_s[0]) / BIN_S).astype(np.int64)
    place += np.concatenate(([0], np.cumsum(gap_after))) * (int(place[-1]) + 2)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(place)) + 1))
    count = np.diff(np.concatenate((starts, [len(place)])))
    broken = np.add.reduceat(np.concatenate((gap_after, [False])), starts)[:-1] > 0
    return tuple(np.add.reduceat(value, starts) / count for value in values), broken


def reversed_current(pair: Pair) -> Doubt | None:
    """A load pulls the voltage down; where it rises with the current, the current's sign is reversed."""
    if len(pair.time_s) < 20 or float(np.std(pair.amps)) < MIN_SPREAD_A:
        return None
    di, dv = pair.changes
    if len(di) < MIN_CHANGES:
        return None
    fit = line(di, dv)
    if fit.slope <= MIN_RESPONSE_OHM or fit.correlation < CLEAR_CORRELATION:
        return None
    # One change, as when a battery gives way while its tester switches off, can carry the whole slope.
    large = np.abs(di) >= max(MIN_SPREAD_A, LARGE_CHANGE * float(np.abs(di).max()))
    if large.sum() < MIN_LARGE or float(np.mean(di[large] * dv[large] > 0)) < MOSTLY:
        return None
    # With samples too far apart the voltage responds to the current before: it then falls one or two bins later; or
    # it is read before the current, and falls as much earlier.
    lags = range(1, APART_BINS + 1)
    apart = [pair for lag in lags for pair in ((di[:-lag], dv[lag:]), (di[lag:], dv[:-lag]))]
    if min(line(*each).correlation for each in apart) <= -fit.correlation:
        return None
    reason = Reason("current_sign", "danger", rise_ohm=fit.slope, changes=len(di), correlation=fit.correlation)
    return Doubt(reason, CURRENT)


def unresponsive_voltage(pair: Pair, sheet_ohm: float | None = None) -> Doubt | None:
    """A voltage that does not move while the current does belongs to something else.

    `sheet_ohm`: resistance of the whole battery in the machine file, which sharpens the judgement; None without.
    """
    if len(pair.time_s) < 20 or float(np.ptp(pair.amps)) < 10 * MIN_SPREAD_A:
        return None
    di, dv = pair.changes
    busy = np.abs(di) > MIN_SPREAD_A
    if busy.sum() < MIN_CHANGES:
        return None
    fit = line(di[busy], dv[busy])
    scatter = float(np.std(dv[busy] - fit.intercept - fit.slope * di[busy]))
    doubt = 2 * scatter / math.sqrt(float((di[busy] ** 2).sum()))
    if abs(fit.slope) + doubt >= max(MIN_RESPONSE_OHM, MIN_OF_SHEET * (sheet_ohm or 0.0)):
        return None
    reason = Reason(
        "voltage_unanswering", "danger", slope_ohm=fit.slope, slope_doubt_ohm=doubt, changes=int(busy.sum())
    )
    return Doubt(reason, VOLTAGE)


def apparent_resistance_ohm(pair: Pair) -> float | None:
    """Drop per ampere between bins [Ω] where the voltage clearly responds, to compare with a sheet; None elsewhere.

    Not a measurement of the battery.
    """
    if len(pair.time_s) < 20:
        return None
    di, dv = pair.changes
    if len(di) < MIN_CHANGES:
        return None
    fit = line(di, dv)
    return -fit.slope if fit.correlation <= -CLEAR_RESPONSE else None


def implausible_scale(seen_ohm: float, sheet_ohm: float) -> Doubt | None:
    """A resistance far from its sheet's means that current or voltage is read on a wrong scale."""
    ratio = seen_ohm / sheet_ohm
    if MIN_RATIO <= ratio <= MAX_RATIO:
        return None
    return Doubt(Reason("current_scale", "caution", seen_ohm=seen_ohm, sheet_ohm=sheet_ohm), CURRENT)
