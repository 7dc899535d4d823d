"""The stretch at rest before the first load, and the voltages read in it. docs/methods.md, Rest voltage."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.results.estimate import Estimate, estimate, extreme_u, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.results.sensor_terms import step_u, white_u
from amptally.analysis.runs.run import Run, Series
from amptally.analysis.runs.standing import LOADED, SMOOTHED, run_rest_threshold_a
from amptally.analysis.signals.curve_integrals import dot
from amptally.analysis.signals.series import Floats

MIN_REST_S = 2.0
HEAD_S = 600.0
"""Start of a long run that is searched for the rest before the whole run is."""


@dataclass(frozen=True, slots=True)
class Rest:
    """A stretch at rest, or why there is none."""

    start_s: float
    end_s: float
    mean_current_a: float
    """Mean |I| within it."""
    refused: Reason | None = None


def find_rest(current: Series, threshold_a: float) -> Rest:
    """The stretch from the first sample to the first load, if it lasts 2 s and its mean |I| is below `threshold_a` [A].

    `current` holds two samples or more [A].
    """
    width = min(SMOOTHED, len(current.value))
    loaded = _first_load(current.value, width, LOADED * threshold_a)
    end = len(current.value) - 1
    if loaded is not None:
        # A mean above the limit holds a sample above it; rest ends before the first of them.
        within = np.abs(current.value[loaded : loaded + width]) > LOADED * threshold_a
        end = max(int(loaded + np.argmax(within)) - 1, 0)
    size = np.abs(current.value[: end + 1])
    # What happened in a gap is not known: it counts neither as time at rest nor in the mean.
    dt = np.where(current.gap_after[:end], 0.0, np.diff(current.time_s[: end + 1]))
    length = float(dt.sum())
    if length < MIN_REST_S:
        return Rest(0.0, 0.0, 0.0, Reason("no_rest", needed_s=MIN_REST_S))
    mean = dot(0.5 * (size[:-1] + size[1:]), dt) / length
    if mean >= threshold_a:
        return Rest(0.0, 0.0, mean, Reason("current_at_rest", mean_a=mean, limit_a=threshold_a))
    return Rest(float(current.time_s[0]), float(current.time_s[end]), mean)


def _first_load(value: Floats, width: int, limit_a: float) -> int | None:
    """First place at which the mean |i| of `width` samples is above the limit; None without one.

    The search goes in stretches of doubling length, because the first load mostly comes early.
    """
    begin, count = 0, 1 << 16
    while begin + width <= len(value):
        smooth = np.convolve(np.abs(value[begin : begin + count + width - 1]), np.ones(width) / width, "valid")
        loaded = np.flatnonzero(smooth > limit_a)
        if len(loaded):
            return begin + int(loaded[0])
        begin, count = begin + count, 2 * count
    return None


def run_rest(run: Run) -> Rest:
    """The rest of a run, or why it has none; where `run` is a later part of a run, the rest of the whole run."""
    rest = run.cache.get(("rest", ""))
    if not isinstance(rest, Rest):
        rest = run.cache["rest", ""] = _search(run)
    return rest


def _search(run: Run) -> Rest:
    threshold_a = run_rest_threshold_a(run)
    whole = run.from_start()
    # In a long run the head is mostly enough; where all of it is at rest, the smoothed whole run decides.
    head = _part(whole, whole.start_s, whole.start_s + HEAD_S)
    current = head.series("battery_current_a")
    if current is not None and head is not whole and find_rest(current, threshold_a).end_s >= current.time_s[-2]:
        current = None
    if current is None and head is not whole:
        current = whole.smooth("battery_current_a")
    if current is None or len(current.time_s) < 2:
        return Rest(0.0, 0.0, 0.0, Reason("rest_needs_current"))
    return find_rest(current, threshold_a)


def _part(run: Run, from_s: float, to_s: float) -> Run:
    """The part of a long run between two times; a short run as it is."""
    return run if run.at_once else run.part(from_s, to_s)


def voltage_terms(
    sensor: SensorError, volts: float, samples: int = 1, *, extreme_of: int | None = None
) -> dict[str, float | None]:
    """1 σ contributions to a voltage read from the mean of `samples` samples, or as the extreme of `extreme_of`."""
    white = white_u(sensor)
    random = white / math.sqrt(samples) if extreme_of is None else extreme_u(white, extreme_of)
    return {
        "voltage gain": None if sensor.gain_u is None else sensor.gain_u * abs(volts),
        "voltage offset": sensor.offset_u,
        "noise and resolution": random,
    }


def rest_voltage(run: Run, rest: Rest, si_name: str = "battery_voltage_v") -> Estimate:
    """Median voltage of the rest [V]. Its own 1 σ is 1.2533 σ/√n, that of the median of n normal readings."""
    samples = rest_samples(run, rest, si_name)
    if isinstance(samples, Reason):
        return refuse("V", samples)
    volts = float(np.median(samples))
    terms = voltage_terms(run.sensor(si_name), volts, len(samples))
    terms["steps"] = step_u(run.sensor(si_name), float(np.std(samples)))
    terms["scatter of the median"] = 1.2533 * float(np.std(samples)) / math.sqrt(len(samples))
    return estimate(volts, "V", terms, note=Reason("at_rest", length_s=rest.end_s - rest.start_s))


def rest_samples(run: Run, rest: Rest, si_name: str) -> Floats | Reason:
    """Samples of a voltage during the rest, shape (n,), or the reason why there are none."""
    whole = run.from_start()
    if not whole.has(si_name):
        return Reason("not_measured", channel=si_name)
    if rest.refused is not None:
        return rest.refused
    series = _part(whole, rest.start_s, rest.end_s).series(si_name)
    if series is None:
        return Reason("no_sample_at_rest", channel=si_name)
    first, stop = np.searchsorted(series.time_s, rest.start_s), np.searchsorted(series.time_s, rest.end_s, "right")
    if first >= stop:
        return Reason("no_sample_at_rest", channel=si_name)
    return series.value[first:stop]


def block_imbalance(run: Run, rest: Rest) -> Estimate:
    """Lower minus upper block voltage at rest [V]: twice the midpoint minus the whole."""
    middle = rest_samples(run, rest, "midpoint_voltage_v")
    whole = rest_samples(run, rest, "battery_voltage_v")
    if isinstance(middle, Reason):
        return refuse("V", middle)
    if isinstance(whole, Reason):
        return refuse("V", whole)
    lower, total = float(np.median(middle)), float(np.median(whole))
    terms = {
        f"midpoint {name}": None if term is None else 2 * term
        for name, term in voltage_terms(run.sensor("midpoint_voltage_v"), lower, len(middle)).items()
    }
    terms |= voltage_terms(run.sensor("battery_voltage_v"), total, len(whole))
    terms["midpoint steps"] = 2 * step_u(run.sensor("midpoint_voltage_v"), float(np.std(middle)))
    terms["steps"] = step_u(run.sensor("battery_voltage_v"), float(np.std(whole)))
    return estimate(2 * lower - total, "V", terms)
