"""What each lap took: charge, energy, peak, sag and the balance of both sides. docs/methods.md, Laps."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from analysis.integrals import dot, weights_s
from analysis.rest import rest_voltage, run_rest
from analysis.run import STRETCH_ROWS, Floats, Run, Series, together
from analysis.series import cut as rows

HOUR = 3600.0
SIDES = ("left", "right")
BESIDE_S = 0.1
"""Loaded on both sides of a lap: channels differ in delay, and each has to reach beyond the lap's ends."""


@dataclass(frozen=True, slots=True)
class Lap:
    """One complete lap; None where a figure was not measured."""

    start_s: float
    """Run time of its first boundary."""
    end_s: float
    """Run time of the next one."""
    net_wh: float | None = None
    """Out less back of the battery over sampled time."""
    net_ah: float | None = None
    peak_a: float | None = None
    """Greatest |i| of the battery's samples."""
    min_voltage_v: float | None = None
    """Least battery voltage of the samples."""
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

    def as_json(self) -> dict[str, float | None]:
        """The report's entry."""
        return {
            "start_s": self.start_s,
            "end_s": self.end_s,
            "duration_s": self.duration_s,
            "net_wh": self.net_wh,
            "net_ah": self.net_ah,
            "peak_a": self.peak_a,
        }


def lap_table(run: Run, times_s: Iterable[float], doubtful: Iterable[int] = ()) -> tuple[Lap, ...]:
    """One entry for each pair of neighbouring boundaries; `doubtful` counts laps from 0."""
    resting_v = rest_voltage(run, run_rest(run)).value if run.has("battery_voltage_v") else None
    unsure = frozenset(doubtful)
    bounds = list(enumerate(itertools.pairwise(times_s)))
    laps: list[Lap] = []
    while len(laps) < len(bounds):
        # Of a long run as many laps are loaded at once as fit into a stretch.
        begin = bounds[len(laps)][1][0]
        fit = run.duration_s if not run.long else STRETCH_ROWS * (run.interval_s or 0.0)
        group = [each for each in bounds[len(laps) :] if each[1][1] <= begin + fit] or [bounds[len(laps)]]
        beside = BESIDE_S + 3 * (run.interval_s or 0.0)
        part = run.part(begin - beside, group[-1][1][1] + beside) if run.long else run
        laps += _laps(part, group, unsure, resting_v)
    return tuple(laps)


def _laps(
    run: Run, bounds: list[tuple[int, tuple[float, float]]], unsure: frozenset[int], resting_v: float | None
) -> list[Lap]:
    """Some laps of a run of which all channels are kept whole."""
    battery, volts = run.series("battery_current_a"), run.series("battery_voltage_v")
    sensed = run.machine.controller.sensed if run.machine and run.machine.controller else None
    legs = [None if sensed in ("motor_lead", "unknown") else run.series(f"{side}_current_a") for side in SIDES]
    laps = []
    for place, (start, end) in bounds:
        current, voltage = cut(battery, start, end), cut(volts, start, end)
        least = None if voltage is None else voltage.least()
        left, right = (cut(leg, start, end, current) for leg in legs)
        lap = Lap(
            start,
            end,
            net_wh=_net(_power(current, volts, start, end)),
            net_ah=_net(current),
            peak_a=None if current is None else max(-current.least(), current.greatest()),
            min_voltage_v=least,
            sag_v=None if least is None or resting_v is None else resting_v - least,
            left_ah=_net(left),
            right_ah=_net(right),
            gap_s=end - start if current is None else max(end - start - current.sampled_s, 0.0),
            doubtful=place in unsure,
        )
        laps.append(lap)
    return laps


def _power(current: Cut | None, volts: Series | None, start_s: float, end_s: float) -> Cut | None:
    """Power at the current's samples."""
    if current is None or volts is None:
        return None
    whole = current.whole
    near = rows(whole, current.first, current.stop)
    inside = current.first, current.stop
    if volts.time_s is not whole.time_s:
        first, last = np.searchsorted(volts.time_s, near.time_s[[0, -1]], "right").tolist()
        inside = max(first - 1, 0), last + 1  # one more on both sides, to draw lines from
    time_s, amps, at_v, gap_after = together(near, rows(volts, *inside))
    power = Series(time_s, amps * at_v, gap_after)
    if len(time_s) == len(near.time_s) and np.array_equal(gap_after, near.gap_after):
        return replace(current, value=power.value)
    return cut(power, start_s, end_s)


@dataclass(frozen=True, slots=True)
class Cut:
    """A channel from one moment to another, along straight lines between its samples."""

    whole: Series
    """That whose times and gaps it has."""
    first: int
    """Row of the sample at which it begins, or of the last one before that."""
    stop: int
    """End (exclusive): behind the sample at which it ends, or the first one after that."""
    begins: float
    """How far on the way from the first sample to the second it begins."""
    ends: float
    """How far on the way from the last but one to the last it ends."""
    value: Floats
    """The samples, shape (stop − first,)."""
    weight_s: list[Floats]
    """Of each in the trapezoid's sum, gaps left out: empty, or one array, which all that have the same times share."""

    @property
    def weights_s(self) -> Floats:
        """The weights, made when they are first asked for."""
        if not self.weight_s:
            self.weight_s.append(self._weights_s())
        return self.weight_s[0]

    def _weights_s(self) -> Floats:
        time_s = self.whole.time_s[self.first : self.stop]
        gap_after = self.whole.gap_after[self.first : self.stop - 1]
        # Full intervals, then those at the ends, of which a part counts; both ends may lie in one.
        inner = slice(int(self.begins > 0), len(time_s) - int(self.ends < 1))
        weight_s = np.zeros(len(time_s))
        if inner.stop - inner.start > 1:
            weight_s[inner] = weights_s(time_s[inner], gap_after[inner.start : inner.stop - 1])
        ends = [(0, self.begins, 1.0)] if self.begins > 0 else []
        ends += [(len(time_s) - 2, 0.0, self.ends)] if self.ends < 1 else []
        if len(time_s) == 2 and ends:
            ends = [(0, self.begins, self.ends)]
        for at, low, high in ends:
            length_s = 0.0 if gap_after[at] else (high - low) * float(time_s[at + 1] - time_s[at])
            weight_s[at] += length_s * (1 - 0.5 * (low + high))
            weight_s[at + 1] += length_s * 0.5 * (low + high)
        return weight_s

    @property
    def sampled_s(self) -> float:
        """Time covered by samples, gaps left out."""
        return float(self.weights_s.sum())

    @property
    def integral(self) -> float:
        """Trapezoid over sampled time."""
        return dot(self.value, self.weights_s)

    def least(self) -> float:
        """Least value from end to end."""
        return min(*self._at_ends(), float(self._inner().min(initial=np.inf)))

    def greatest(self) -> float:
        """Greatest value from end to end."""
        return max(*self._at_ends(), float(self._inner().max(initial=-np.inf)))

    def _inner(self) -> Floats:
        return self.value[int(self.begins > 0) : len(self.value) - int(self.ends < 1)]

    def _at_ends(self) -> tuple[float, float]:
        (a, b), (c, d) = self.value[:2].tolist(), self.value[-2:].tolist()
        return a + self.begins * (b - a), c + self.ends * (d - c)


def cut(series: Series | None, start_s: float, end_s: float, like: Cut | None = None) -> Cut | None:
    """A channel from one moment to another; None without two points in it. Cuts that join add up to the whole.

    `like` is the same cut of another channel, taken over where both have the same times.
    """
    if series is None:
        return None
    time_s = series.time_s
    if like is not None and like.whole.time_s is time_s and like.whole.gap_after is series.gap_after:
        return replace(like, whole=series, value=series.value[like.first : like.stop])
    first, last = np.searchsorted(time_s, (start_s, end_s), "right").tolist()
    begins, ends = 0.0, 1.0
    if 0 < first < len(time_s):
        first -= 1
        begins = float((start_s - time_s[first]) / (time_s[first + 1] - time_s[first]))
    if 0 < last < len(time_s) and time_s[last - 1] != end_s:
        ends = float((end_s - time_s[last - 1]) / (time_s[last] - time_s[last - 1]))
        last += 1
    return Cut(series, first, last, begins, ends, series.value[first:last], []) if last - first > 1 else None


def _net(part: Cut | None) -> float | None:
    """Trapezoid over sampled time, per hour; None without any."""
    return None if part is None or part.sampled_s == 0 else part.integral / HOUR
