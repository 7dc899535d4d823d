"""What each lap took: charge, energy, peak, sag and the balance of both sides. docs/methods.md, Laps."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from amptally.analysis.battery.sag import resting_voltage
from amptally.analysis.results.leads import SIDES
from amptally.analysis.runs.run import STRETCH_ROWS, Floats, Run, Series, together
from amptally.analysis.signals.curve_integrals import dot, steps_s, weights_s
from amptally.analysis.signals.series import cut as rows

HOUR = 3600.0
BESIDE_S = 0.1
"""Loaded on both sides of a lap, and what each channel needs to reach beyond the lap's ends."""
NAMES = ("battery_current_a", "battery_voltage_v", "left_current_a", "right_current_a")


@dataclass(frozen=True, slots=True)
class Lap:
    """One complete lap; None where a figure was not measured."""

    start_s: float
    """Run time of its first boundary."""
    end_s: float
    """Run time of the next one."""
    net_wh: float | None = None
    """Discharged less recovered, over sampled time."""
    net_ah: float | None = None
    peak_a: float | None = None
    """Maximum |i| of the battery's samples."""
    min_voltage_v: float | None = None
    """Minimum battery voltage of the samples."""
    sag_v: float | None = None
    """How far that lies below the rest voltage before the first load."""
    left_ah: float | None = None
    """Net charge of the left channel, where its current is measured in the supply leg."""
    right_ah: float | None = None
    gap_s: float = 0.0
    """Time of the lap in which the battery current was not sampled."""
    doubtful: bool = False
    """It may be two or more laps: a mark seems to be missing."""

    @property
    def duration_s(self) -> float:
        """From boundary to boundary."""
        return self.end_s - self.start_s

    @property
    def left_share(self) -> float | None:
        """Part of both channels' net charge that the left one took; None unless both took some."""
        if self.left_ah is None or self.right_ah is None or min(self.left_ah, self.right_ah) <= 0:
            return None
        return self.left_ah / (self.left_ah + self.right_ah)


def lap_table(run: Run, times_s: Iterable[float], doubtful: Iterable[int] = ()) -> tuple[Lap, ...]:
    """One entry for each pair of neighbouring boundaries; `doubtful` counts laps from 0."""
    resting_v = resting_voltage(run).value if run.has("battery_voltage_v") else None
    unsure = frozenset(doubtful)
    bounds = list(enumerate(itertools.pairwise(times_s)))
    laps: list[Lap] = []
    while len(laps) < len(bounds):
        # A long run is read in groups of laps that fit into one stretch.
        begin = bounds[len(laps)][1][0]
        fit = run.duration_s if run.at_once else STRETCH_ROWS * (run.interval_s or 0.0)
        group = [each for each in bounds[len(laps) :] if each[1][1] <= begin + fit] or [bounds[len(laps)]]
        beside = BESIDE_S + max((_reach_s(run, name) for name in NAMES if run.has(name)), default=0.0)
        part = run if run.at_once else run.part(begin - beside, group[-1][1][1] + beside)
        laps += _laps(part, group, unsure, resting_v)
    return tuple(laps)


def _reach_s(run: Run, si_name: str) -> float:
    """How far beyond a lap a channel has to be read: as far as it is late, and some of its samples."""
    return (run.declared(si_name).delay_s or 0.0) + 3 * run.interval_of(si_name)


def _laps(
    run: Run, bounds: list[tuple[int, tuple[float, float]]], unsure: frozenset[int], resting_v: float | None
) -> list[Lap]:
    """Some laps of a run whose channels are read whole."""
    battery, volts = run.series("battery_current_a"), run.series("battery_voltage_v")
    legs = [run.series(f"{side}_current_a") if run.sides_leg == "supply_leg" else None for side in SIDES]
    laps = []
    for place, (start, end) in bounds:
        current, voltage = cut(battery, start, end), cut(volts, start, end)
        lowest_v = None if voltage is None else voltage.minimum()
        left, right = (cut(leg, start, end, current) for leg in legs)
        lap = Lap(
            start,
            end,
            net_wh=_net(_power(current, volts, start, end)),
            net_ah=_net(current),
            peak_a=None if current is None else max(-current.minimum(), current.maximum()),
            min_voltage_v=lowest_v,
            sag_v=None if lowest_v is None or resting_v is None else resting_v - lowest_v,
            left_ah=_net(left),
            right_ah=_net(right),
            gap_s=end - start if current is None else max(end - start - current.axis.sampled_s, 0.0),
            doubtful=place in unsure,
        )
        laps.append(lap)
    return laps


def _power(current: Cut | None, volts: Series | None, start_s: float, end_s: float) -> Cut | None:
    """Power at the current's samples."""
    if current is None or volts is None:
        return None
    axis = current.axis
    near, inside = rows(axis.whole, axis.first, axis.stop), (axis.first, axis.stop)
    if volts.time_s is not axis.whole.time_s:
        first, last = np.searchsorted(volts.time_s, near.time_s[[0, -1]], "right").tolist()
        inside = max(first - 1, 0), last + 1  # one more on both sides, to draw lines from
    time_s, amps, at_v, gap_after = together(near, rows(volts, *inside))
    power = Series(time_s, amps * at_v, gap_after)
    if len(time_s) == len(near.time_s) and np.array_equal(gap_after, near.gap_after):
        return Cut(axis, power.value)
    return cut(power, start_s, end_s)


@dataclass(frozen=True, eq=False)
class Axis:
    """The sample times of a channel from one moment to another."""

    whole: Series
    first: int
    """Row of the sample at which it begins, or of the last one before."""
    stop: int
    """End (exclusive): past the sample at which it ends, or past the first one after."""
    begins: float
    """Where it begins between the first sample (0) and the second (1)."""
    ends: float
    """Where it ends between the last sample but one (0) and the last (1)."""

    @cached_property
    def weights_s(self) -> Floats:
        """Weight of each sample in the trapezoid's sum, gaps left out, shape (stop − first,)."""
        gap_after = self.whole.gap_after[self.first : self.stop - 1]
        step_s = steps_s(self.whole.time_s[self.first : self.stop], gap_after)
        shares = {0: (self.begins, 1.0), len(step_s) - 1: (0.0, self.ends)}
        if len(step_s) == 1:
            shares = {0: (self.begins, self.ends)}
        parts_s = {at: step_s[at] * (high - low) for at, (low, high) in shares.items()}
        step_s[list(shares)] = 0.0
        weight_s = weights_s(step_s)
        # Only part of the first and the last interval counts; its weight leans towards the nearer sample.
        for at, (low, high) in shares.items():
            weight_s[at] += parts_s[at] * (1 - 0.5 * (low + high))
            weight_s[at + 1] += parts_s[at] * 0.5 * (low + high)
        return weight_s

    @cached_property
    def sampled_s(self) -> float:
        """Time covered by samples, gaps left out."""
        return float(self.weights_s.sum())


@dataclass(frozen=True, slots=True)
class Cut:
    """A channel from one moment to another, along straight lines between its samples."""

    axis: Axis
    value: Floats
    """The samples, shape (axis.stop − axis.first,)."""

    @property
    def integral(self) -> float:
        """Trapezoid over sampled time."""
        return dot(self.value, self.axis.weights_s)

    def minimum(self) -> float:
        """Minimum from end to end."""
        return min(*self._at_ends(), float(self._inner().min(initial=np.inf)))

    def maximum(self) -> float:
        """Maximum from end to end."""
        return max(*self._at_ends(), float(self._inner().max(initial=-np.inf)))

    def _inner(self) -> Floats:
        return self.value[int(self.axis.begins > 0) : len(self.value) - int(self.axis.ends < 1)]

    def _at_ends(self) -> tuple[float, float]:
        (a, b), (c, d) = self.value[:2].tolist(), self.value[-2:].tolist()
        return a + self.axis.begins * (b - a), c + self.axis.ends * (d - c)


def cut(series: Series | None, start_s: float, end_s: float, like: Cut | None = None) -> Cut | None:
    """A channel from one moment to another; None without two points in it. Adjoining cuts add up to the whole.

    `like` is the same cut of another channel: its axis is reused where both have the same times.
    """
    if series is None:
        return None
    time_s = series.time_s
    if like is not None and like.axis.whole.time_s is time_s and like.axis.whole.gap_after is series.gap_after:
        return Cut(like.axis, series.value[like.axis.first : like.axis.stop])
    first, last = np.searchsorted(time_s, (start_s, end_s), "right").tolist()
    begins, ends = 0.0, 1.0
    if 0 < first < len(time_s):
        first -= 1
        begins = float((start_s - time_s[first]) / (time_s[first + 1] - time_s[first]))
    if 0 < last < len(time_s) and time_s[last - 1] != end_s:
        ends = float((end_s - time_s[last - 1]) / (time_s[last] - time_s[last - 1]))
        last += 1
    return Cut(Axis(series, first, last, begins, ends), series.value[first:last]) if last - first > 1 else None


def _net(part: Cut | None) -> float | None:
    """Trapezoid over sampled time, per hour; None without any."""
    return None if part is None or part.axis.sampled_s == 0 else part.integral / HOUR
