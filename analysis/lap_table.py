"""What each lap took: charge, energy, peak, sag and the balance of both sides. docs/methods.md, Laps."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.rest import rest_voltage, run_rest
from analysis.run import STRETCH_ROWS, Flags, Floats, Run, Series, together

HOUR = 3600.0
SIDES = ("left", "right")
BESIDE_S = 0.1
"""Loaded on both sides of a lap: channels differ in delay, and each has to reach beyond the lap's ends."""
Part = tuple[Floats, Floats, Flags]


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
    power = None
    if battery is not None and volts is not None:
        time_s, amps, at_v, gap_after = together(battery, volts)
        power = Series(time_s, amps * at_v, gap_after) if len(time_s) else None
    sensed = run.machine.controller.sensed if run.machine and run.machine.controller else None
    legs = [None if sensed in ("motor_lead", "unknown") else run.series(f"{side}_current_a") for side in SIDES]
    laps = []
    for place, (start, end) in bounds:
        current, voltage = cut(battery, start, end), cut(volts, start, end)
        least = None if voltage is None else float(voltage[1].min())
        lap = Lap(
            start,
            end,
            net_wh=_net(cut(power, start, end)),
            net_ah=_net(current),
            peak_a=None if current is None else float(np.abs(current[1]).max()),
            min_voltage_v=least,
            sag_v=None if least is None or resting_v is None else resting_v - least,
            left_ah=_net(cut(legs[0], start, end)),
            right_ah=_net(cut(legs[1], start, end)),
            gap_s=_unsampled_s(current, end - start),
            doubtful=place in unsure,
        )
        laps.append(lap)
    return laps


def cut(series: Series | None, start_s: float, end_s: float) -> Part | None:
    """Times, values and gaps from one moment to another, values at both drawn between the samples around them.

    None without two points in it. Cuts that join add up to the whole.
    """
    if series is None:
        return None
    time_s, value = series.time_s, series.value
    first, last = np.searchsorted(time_s, (start_s, end_s), "right").tolist()
    times, values = [time_s[first:last]], [value[first:last]]
    gaps = [series.gap_after[first : max(last - 1, first)]]
    if 0 < first < len(time_s):
        times.insert(0, np.array([start_s]))
        values.insert(0, np.interp([start_s], time_s[first - 1 : first + 1], value[first - 1 : first + 1]))
        gaps.insert(0, series.gap_after[first - 1 : first])
    ends_on_sample = last > first and time_s[last - 1] == end_s
    if 0 < last < len(time_s) and not ends_on_sample:
        times.append(np.array([end_s]))
        values.append(np.interp([end_s], time_s[last - 1 : last + 1], value[last - 1 : last + 1]))
        # Between two samples the interval belongs to the start already.
        gaps.append(series.gap_after[last - 1 : last] if last > first else series.gap_after[:0])
    joined = np.concatenate(times), np.concatenate(values), np.concatenate(gaps)
    return joined if len(joined[0]) > 1 else None


def _net(part: Part | None) -> float | None:
    """Trapezoid over sampled time, per hour."""
    if part is None:
        return None
    time_s, value, gap_after = part
    steps = np.where(gap_after, 0.0, np.diff(time_s))
    return float((0.5 * (value[:-1] + value[1:]) * steps).sum()) / HOUR if steps.any() else None


def _unsampled_s(part: Part | None, whole_s: float) -> float:
    if part is None:
        return whole_s
    return max(whole_s - float(np.diff(part[0])[~part[2]].sum()), 0.0)
