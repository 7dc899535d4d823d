"""Clean steps of current, and the drop per ampere that they show. docs/methods.md, Resistance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.results.student_t import small_sample_factor
from amptally.analysis.signals.curve_integrals import blocks, dot
from amptally.analysis.signals.series import Flags, Floats, Places

MIN_STEP_A = 2.0
COARSEST_SHARE = 0.5005
"""Of the time scale: longer sample intervals do not resolve it. Half, with slack for the last digits of a clock."""
SPARSEST_SHARE = 1.001
"""Of the time scale: longer intervals before a step do not show that current and voltage were steady."""
STEADY_SHARE = 0.1
"""A current is steady while it stays within this share of the step. Our own choice."""
CELLS = 5
"""Cells per time scale; their minimum and maximum currents tell where steps may be."""
READ_SHARE = 0.1
"""Voltage and current after a step are means over ± this share of the time scale."""
COARSE_SHARE = 0.05
"""1 σ, relative, × √(sample interval / time scale): what happens between samples is not seen."""


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
    slope_v_s: float = 0.0
    """How fast the voltage still falls where it is read [V/s]."""


def jumps(amps: Floats, gap_after: Flags) -> Places:
    """Indices of samples after which the current moves by half of `MIN_STEP_A` or more: where a step may begin."""
    parts = [
        np.flatnonzero(np.abs(np.diff(amps[samples])) >= MIN_STEP_A / 2) + samples.start
        for samples, _ in blocks(len(amps))
    ]
    places = np.concatenate(parts) if parts else np.empty(0, np.int64)
    return places[~gap_after[places]]


def find_steps(
    time_s: Floats, volts: Floats, amps: Floats, gap_after: Flags, scale_s: float, places: Places | None = None
) -> list[Step]:
    """Steps of at least 2 A with a steady current for `scale_s` [s] before and after, risen within half of it.

    time_s [s], volts [V], amps [A]: shape (n,); gap_after: shape (n − 1,). A step counts only where the sample interval
    is at most half of `scale_s` from the step to the reading, and at most `scale_s` before it: a row just around a step
    says nothing of the seconds after it. `places` are the `jumps` of the current, where they are known already.
    """
    places = jumps(amps, gap_after) if places is None else places
    if not len(places):
        return []
    places = _candidates(time_s, amps, places, scale_s)
    places = places[time_s[places + 1] - time_s[places] <= COARSEST_SHARE * scale_s]
    reach_s = (1.5 + READ_SHARE) * scale_s
    places = places[(places >= 1) & (time_s[places + 1] + reach_s <= time_s[-1])]
    start = time_s[places]
    first = np.minimum(np.searchsorted(time_s, start - scale_s), places - 1)
    risen = np.maximum(np.searchsorted(time_s, start + scale_s / 2, "right") - 1, places + 1)
    last = np.searchsorted(time_s, time_s[places + 1] + (1 + READ_SHARE) * scale_s)
    good = _none_within(np.flatnonzero(gap_after), first, last)
    interval_s = np.diff(time_s)
    good &= _none_within(np.flatnonzero(interval_s > COARSEST_SHARE * scale_s), places, last)
    good &= _none_within(np.flatnonzero(interval_s > SPARSEST_SHARE * scale_s), np.maximum(first - 1, 0), places)
    moved = np.maximum(np.abs(amps[first] - amps[places]), np.abs(amps[risen] - amps[last]))
    good &= _may_be(np.abs(amps[places] - amps[last]), moved)
    places, first, risen, last = places[good], first[good], risen[good], last[good]
    if not len(places):
        return []
    so_far = np.zeros(len(amps) + 1)
    np.cumsum(amps, out=so_far[1:])
    before, after = _means(so_far, first, places), _means(so_far, risen, last)
    allowed = STEADY_SHARE * np.abs(after - before)
    good = np.abs(after - before) >= MIN_STEP_A
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


def _none_within(intervals: Places, first: Places, last: Places) -> Flags:
    """Whether none of these intervals, given by the index before each, lies between two samples."""
    return np.asarray(np.searchsorted(intervals, last) == np.searchsorted(intervals, first))


def _candidates(time_s: Floats, amps: Floats, places: Places, scale_s: float) -> Places:
    """The places that may be a step, judged by the minimum and maximum current of the cells around them.

    Almost no jump of a noisy current is a step; most are ruled out here, thousands at once.
    """
    size = int(len(amps) * scale_s / CELLS / (time_s[-1] - time_s[0]))
    count = len(amps) // max(size, 1)
    if size < 1 or count < 2 * CELLS:
        return places
    used = count * size
    lowest, highest = (of.reduceat(amps[:used], np.arange(0, used, size)) for of in (np.minimum, np.maximum))
    begins_s, ends_s = time_s[:used:size], time_s[size - 1 : used : size]
    # A jump anywhere in a cell has the four cells before it within its time before, the fourth within its time after.
    first, tried = CELLS - 1, count - 2 * CELLS + 2
    before, cell, after = (slice(at, at + tried) for at in (0, first, 2 * first))
    inside = ends_s[cell] - begins_s[before] <= scale_s
    inside &= begins_s[after] - ends_s[cell] >= scale_s / 2
    inside &= ends_s[after] - begins_s[cell] <= (1 + READ_SHARE) * scale_s
    lowest_before = _over(lowest, first, np.minimum)[before]
    highest_before = _over(highest, first, np.maximum)[before]
    moved = np.maximum(highest_before - lowest_before, highest[after] - lowest[after])
    possible = np.ones(count + 1, bool)
    possible[cell] = _may_be(np.abs(lowest[after] - lowest_before), moved) | ~inside
    return places[possible[np.minimum(places // size, count)]]


def _may_be(apart_a: Floats, moved_a: Floats) -> Flags:
    """Whether currents `apart_a` apart before and after may belong to a step while the current moves by `moved_a`.

    Each lies within `STEADY_SHARE` of the step from its mean: the step is at most their distance / (1 − 2 shares).
    """
    step = apart_a / (1 - 2 * STEADY_SHARE) * (1 + 1e-9)
    return np.asarray((step >= MIN_STEP_A) & (moved_a <= STEADY_SHARE * step))


def _over(values: Floats, count: int, of: np.ufunc) -> Floats:
    """`of`, np.minimum or np.maximum, over every `count` consecutive values, shape (n − count + 1,)."""
    have = 1
    while have < count:
        step = min(have, count - have)
        values = of(values[:-step], values[step:])
        have += step
    return values


def _means(so_far: Floats, first: Places, last: Places) -> Floats:
    """Means from index `first` to `last`, both included, of values whose running sum is `so_far`, shape (n + 1,)."""
    return np.asarray((so_far[last + 1] - so_far[first]) / (last + 1 - first))


def _read(
    time_s: Floats, volts: Floats, amps: Floats, rest: slice, rise: slice, levels_a: tuple[float, float], scale_s: float
) -> Step:
    """One step, read `scale_s` after the moment at which a sudden step of the same size would draw the same charge."""
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
        slope = dot(away, volts[rest]) / dot(away, away)
        scatter = float(np.sqrt(((volts[rest] - level - slope * away) ** 2).sum() / (len(away) - 2)))
        if abs(slope) < 3 * scatter / math.sqrt(dot(away, away)):
            slope = 0.0
    # An earlier load still relaxes: without the step the voltage would lie between its level and its line.
    drift = slope * (moment - float(time_s[rest].mean()))
    drop = level + drift / 2 - end_v
    unsteady = abs(drop) * abs(end_a - after) / abs(after - before)
    shape = math.hypot(drift / math.sqrt(12), unsteady)
    timing = abs(sooner - later) / math.sqrt(12)
    slope = (sooner - later) / interval
    return Step(begin, end_a - before, drop, timing, shape, scatter, interval / scale_s, slope)


def from_steps(steps: list[Step], volt_noise_v: float, skew_s: float = 0.0) -> tuple[float, float]:
    """Resistance and its 1 σ [Ω] by least squares through zero over one step or more.

    `volt_noise_v` [V] is the declared noise of one voltage sample; the scatter seen before the steps counts where it is
    larger. `skew_s` [s] is 1 σ of the time between the two sensors. How far two steps or more differ counts by
    Student's t; one step does not show it, and nothing is added for it here.
    """
    jumps = np.array([step.current_a for step in steps])
    drops = np.array([step.drop_v for step in steps])
    own = np.array([math.hypot(step.timing_u_v, step.shape_u_v) for step in steps])
    weight = float((jumps**2).sum())
    value = float((jumps * drops).sum()) / weight
    scatter = 0.0
    if len(steps) > 1:
        scatter = math.sqrt(float(((drops - value * jumps) ** 2).sum()) / (len(steps) - 1) / weight)
        scatter *= small_sample_factor(len(steps) - 1)
    seen = math.sqrt(float(np.mean([step.scatter_v**2 for step in steps])))
    noise = math.sqrt(2) * max(volt_noise_v, seen) / math.sqrt(weight)
    single = math.sqrt(float(((jumps * own) ** 2).sum())) / weight
    # These two are the same for all steps and do not average out.
    skew = skew_s * float((jumps * np.array([step.slope_v_s for step in steps])).sum()) / weight
    coarse = COARSE_SHARE * value * math.sqrt(float(np.mean([step.coarse for step in steps])))
    return value, math.sqrt(scatter**2 + noise**2 + single**2 + coarse**2 + skew**2)
