"""What the voltage under load says of the end: whether its knee has begun. docs/methods.md, Knee of the voltage.

A discharge curve is nearly straight in the middle and bends down before the end. How much steeper its last third is
than the third before tells how near the end is, whatever the capacity.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.results.estimate import COVERAGE_FACTOR
from amptally.analysis.signals.series import Floats

BINS = 24
LEAST_BEND = 1.2
"""Slope of the last third over that of the middle third from which on a knee counts."""
KNEE_ROWS = ((1.2, 0.25), (1.3, 0.18), (1.4, 0.11), (1.6, 0.055), (2.5, 0.02))
"""(bend, charge left / charge drawn). Read off both measured sets of tests/data: at 80, 85, 90 and 95 % of the
discharge their bends are 1.24 and 1.20, 1.31 and 1.28, 1.41 and 1.39, 1.63 and 1.55; the last row is our own choice."""
FALLEN = 0.5
"""Part of the way from the second of 24 equal charges to the cut-off. Our own choice."""
MOST = 2.0
"""No more than this many times as much is left at 95 %: two batteries set the rows."""


@dataclass(frozen=True, slots=True)
class Knee:
    """A discharge curve whose knee has begun."""

    bend: float
    """Slope of its last third over that of its middle third."""
    left_ah: float
    """Charge left by it [Ah]."""
    most_left_ah: float
    """The most that it leaves open at 95 % [Ah]."""


def find_knee(
    time_s: Floats, amps: Floats, volts: Floats, ohm: float, nominal_v: float, cutoff_v: float | None = None
) -> Knee | None:
    """The knee in a discharge; None without one. Times rising, shapes (n,), currents positive for discharge.

    Voltages are brought to the mean current by `ohm` [Ω] and averaged over equal charges. A knee counts where the bend
    exceeds `LEAST_BEND` by 1.96 of its own 1 σ and the curve has come low: below `nominal_v`, and where `cutoff_v` is
    known through `FALLEN` of the way to it. Higher up curves bend as well.
    """
    if len(time_s) < 4 * BINS:
        return None
    drawn = np.concatenate(([0.0], np.cumsum(0.5 * (amps[1:] + amps[:-1]) * np.diff(time_s)))) / 3600
    total = float(drawn[-1])
    if total <= 0:
        return None
    level = volts + ohm * (amps - float(amps.mean()))
    place = np.clip((drawn / total * BINS).astype(np.int64), 0, BINS - 1)
    count = np.bincount(place, minlength=BINS)
    if count.min() < 3:
        return None
    curve = np.bincount(place, level, BINS) / count
    least_v = nominal_v
    if cutoff_v is not None:
        least_v = min(least_v, float(curve[1]) - FALLEN * (float(curve[1]) - cutoff_v))
    if float(curve[-1]) >= least_v:
        return None
    (middle, middle_u), (last, last_u) = _slope(curve[BINS // 3 : 2 * BINS // 3]), _slope(curve[2 * BINS // 3 :])
    if middle >= 0 or last >= 0:
        return None
    bend = last / middle
    # The last third bends itself: its residual holds the knee and widens the doubt, on the cautious side of calling it.
    bend_u = bend * math.hypot(middle_u / middle, last_u / last)
    sure = bend - COVERAGE_FACTOR * bend_u
    if sure < LEAST_BEND:
        return None
    bends, shares = zip(*KNEE_ROWS, strict=True)
    left, most = (total * float(np.interp(each, bends, shares)) for each in (bend, sure))
    return Knee(bend, left, MOST * most)


def _slope(values: Floats) -> tuple[float, float]:
    """Slope per bin and its 1 σ by least squares."""
    away = np.arange(len(values)) - 0.5 * (len(values) - 1)
    weight = float(away @ away)
    slope = float(away @ values) / weight
    left = values - values.mean() - slope * away
    return slope, math.sqrt(float(left @ left) / (len(values) - 2) / weight)
