"""Laps in a charge, from what the laps of a run took. docs/methods.md, Laps per charge."""

from __future__ import annotations

import math

import numpy as np

from amptally.analysis.results.estimate import COVERAGE_FACTOR, UNDECLARED, Estimate, ranked, refuse
from amptally.analysis.results.propagation import power_of, quotient
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.student_t import student_t
from amptally.analysis.runs.run import Floats

ENOUGH_TO_CORRELATE = 8
MAX_CORRELATION = 0.7
TREND_LAPS = 4
UNLIKE_U = 0.045
"""1 σ, relative: the laps to come do not repeat these (voltage falls, things warm up, someone else drives).

Set on 80 simulated drives of 14 laps, seven from seven: without it 64 % of intervals held what came, with it 95 %.
"""


def correlation(values: Floats) -> float:
    """Correlation of each lap with the next, 0 to 0.7; 0 where there are too few laps to tell.

    The plain estimate is low by (1 + 4r)/n (Marriott & Pope 1954, from memory), which is corrected.
    """
    count = len(values)
    deviation = values - values.mean()
    total = float((deviation**2).sum())
    if count < ENOUGH_TO_CORRELATE or total == 0:
        return 0.0
    plain = float((deviation[1:] * deviation[:-1]).sum()) / total
    return min(max((plain + 1 / count) / (1 - 4 / count), 0.0), MAX_CORRELATION)


def trend(values: Floats, unit: str) -> Estimate:
    """Growth from lap to lap [`unit` per lap] by least squares, with Student's t; refused for fewer than four laps."""
    count = len(values)
    if count < TREND_LAPS:
        return refuse(unit, Reason("trend_laps_few", needed=TREND_LAPS))
    place = np.arange(count) - 0.5 * (count - 1)
    slope = float((place * values).sum() / (place**2).sum())
    residual = values - values.mean() - slope * place
    u = math.sqrt(float((residual**2).sum()) / (count - 2) / float((place**2).sum()))
    half = student_t(count - 2) * u
    return Estimate(slope, slope - half, slope + half, unit, reasons=(Reason("least_squares_of_laps", laps=count),))


def charge_of_a_lap(
    charges_ah: Floats, ahead: float, gain_u: float | None = None, offset_u_ah: float | None = None
) -> Estimate:
    """Mean net charge [Ah] of the next `ahead` laps, if they are like those of the run; `charges_ah` has shape (n,).

    The interval holds `UNLIKE_U`; the scatter of the laps seen and of those to come, s √(1/n + 1/ahead), by Student's
    t, wider where laps correlate with their neighbours; the sensor, whose error is the same on every lap; and, on its
    side, a trend that is significant at 95 %, extrapolated over no more laps than were seen. Refused for fewer than two
    laps, and for laps that took no net charge. docs/methods.md, Laps per charge.
    """
    count = len(charges_ah)
    if count < 2:
        return refuse("Ah", Reason("laps_few", laps=count))
    mean, scatter = float(charges_ah.mean()), float(charges_ah.std(ddof=1))
    if mean <= 0:
        return refuse("Ah", Reason("laps_uncharged"))
    r = correlation(charges_ah)
    independent = count * (1 - r) / (1 + r)
    spread = student_t(count - 1) * scatter * math.sqrt(1 / independent + 1 / max(ahead, 1.0))
    sensor = COVERAGE_FACTOR * math.hypot((gain_u or 0.0) * mean, offset_u_ah or 0.0)
    half = math.hypot(spread, sensor, COVERAGE_FACTOR * UNLIKE_U * mean)
    below = above = 0.0
    slope = trend(charges_ah, "Ah")
    if slope.value is not None and slope.low is not None and slope.high is not None and slope.low * slope.high > 0:
        # From the middle of the laps seen to the middle of those to come.
        moved = slope.value * 0.5 * (count + min(ahead, float(count)))
        below, above = max(-moved, 0.0), max(moved, 0.0)
    reasons = [
        Reason("laps_scatter", laps=count, scatter_relative=scatter / mean),
        Reason("later_laps_differ", relative_u=UNLIKE_U),
    ]
    if below or above:
        reasons.append(Reason("trend_of_laps", ah_per_lap=slope.value))
    if gain_u is None or offset_u_ah is None:
        reasons.append(UNDECLARED)
    terms: dict[str, float | None] = {
        "scatter of laps": spread / COVERAGE_FACTOR,
        "current gain": None if gain_u is None else gain_u * mean,
        "current offset": offset_u_ah,
        "later laps differ": UNLIKE_U * mean,
        "trend of laps": max(below, above) / COVERAGE_FACTOR,
    }
    return Estimate(mean, mean - half - below, mean + half + above, "Ah", reasons=tuple(reasons), terms=ranked(terms))


def laps_in(
    charge_ah: Estimate,
    charges_ah: Floats,
    gain_u: float | None = None,
    offset_u_ah: float | None = None,
    growth: float = 1.0,
) -> Estimate:
    """Laps that a charge gives: charge ÷ (mean net charge of a lap × its `growth` as the voltage falls).

    `at_least` where the interval of a lap's charge reaches down to zero, as with two laps that differ. Refused where
    the charge or the charge of a lap is.
    """
    if charge_ah.value is None:
        return refuse("", *charge_ah.reasons)
    first = charge_of_a_lap(charges_ah, math.inf, gain_u, offset_u_ah)
    if first.value is None:
        return refuse("", *first.reasons)
    one = charge_of_a_lap(charges_ah, charge_ah.value / first.value, gain_u, offset_u_ah)
    later = power_of(growth, one, 1, "Ah", {})
    names = "usable charge of the battery", "charge of a lap"
    # One sensor measured the charge and the laps: its gain and offset act on both alike.
    return quotient(charge_ah, later, "", names=names, shared={"current gain", "current offset"})
