"""The knee of the discharge curve: what the voltage under load says about its end. docs/methods.md, Knee of the
voltage.

A discharge curve is nearly straight in the middle and bends down before the end. How much steeper its last third is
than its middle third shows how near the end is, whatever the capacity.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.results.estimate import COVERAGE_FACTOR
from amptally.analysis.signals.series import Floats

BINS = 24
"""Equal charges over which the voltage is averaged."""
MIN_BEND = 1.2
"""From this ratio of the slopes of last and middle third on, a knee counts."""
KNEE_ROWS = ((1.2, 0.25), (1.3, 0.18), (1.4, 0.11), (1.6, 0.055), (2.5, 0.02))
"""(bend, remaining charge / charge drawn). Read off both measured sets of tests/data: at 80, 85, 90 and 95 % of the
discharge their bends are 1.24 and 1.20, 1.31 and 1.28, 1.41 and 1.39, 1.63 and 1.55; the last row is our own choice."""
FALLEN = 0.5
"""Part of the way from the second of 24 equal charges to the cut-off. Our own choice."""
WIDENING = 2.0
"""At 95 % no more than this many times as much remains: only two batteries set the rows."""


@dataclass(frozen=True, slots=True)
class VoltageKnee:
    """A discharge curve whose knee has begun."""

    bend: float
    """Slope of its last third over that of its middle third."""
    remaining_ah: float
    """Remaining charge by it [Ah]."""
    remaining_max_ah: float
    """Upper end of it at 95 % [Ah]."""


def detect_knee(
    time_s: Floats, amps: Floats, volts: Floats, ohm: float, nominal_v: float, cutoff_v: float | None = None
) -> VoltageKnee | None:
    """The knee in a discharge; None without one.

    time_s [s], rising, amps [A], discharge positive, volts [V]: shape (n,). Voltages are corrected to the mean current
    by `ohm` [Ω] and averaged over equal charges. A knee counts where the bend exceeds `MIN_BEND` by 1.96 of its own 1 σ
    and the curve has come low: below `nominal_v` [V], and where `cutoff_v` [V] is known through `FALLEN` of the way to
    it. Higher up curves bend as well.
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
    limit_v = nominal_v
    if cutoff_v is not None:
        limit_v = min(limit_v, float(curve[1]) - FALLEN * (float(curve[1]) - cutoff_v))
    if float(curve[-1]) >= limit_v:
        return None
    (middle, middle_u), (last, last_u) = _slope(curve[BINS // 3 : 2 * BINS // 3]), _slope(curve[2 * BINS // 3 :])
    if middle >= 0 or last >= 0:
        return None
    bend = last / middle
    # The last third is bent itself: its residual holds the knee and widens bend_u, so that a knee is called later.
    bend_u = bend * math.hypot(middle_u / middle, last_u / last)
    bend_low = bend - COVERAGE_FACTOR * bend_u
    if bend_low < MIN_BEND:
        return None
    bends, shares = zip(*KNEE_ROWS, strict=True)
    remaining, remaining_max = (total * float(np.interp(each, bends, shares)) for each in (bend, bend_low))
    return VoltageKnee(bend, remaining, WIDENING * remaining_max)


def _slope(values: Floats) -> tuple[float, float]:
    """Slope per bin and its 1 σ by least squares."""
    offset = np.arange(len(values)) - 0.5 * (len(values) - 1)
    weight = float(offset @ offset)
    slope = float(offset @ values) / weight
    residual = values - values.mean() - slope * offset
    return slope, math.sqrt(float(residual @ residual) / (len(values) - 2) / weight)
