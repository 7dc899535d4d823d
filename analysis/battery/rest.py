"""The stretch at rest before the first load, and the voltages that belong to it. docs/methods.md, Rest voltage."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.results.estimate import Estimate, estimate, extreme_u, refuse
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.results.sensor_terms import step_u, white_u
from amptally.analysis.runs.run import Run, Series
from amptally.analysis.runs.standing import LOADED, SMOOTHED, run_rest_threshold_a
from amptally.analysis.signals.curve_integrals import dot
from amptally.analysis.signals.series import Floats

LEAST_REST_S = 2.0
HEAD_S = 600.0


@dataclass(frozen=True, slots=True)
class Rest:
    """A stretch at rest, or why there is none."""

    start_s: float
    end_s: float
    mean_current_a: float
    """Mean |I| within it."""
    refused: str | None = None


def find_rest(current: Series, threshold_a: float) -> Rest:
    """The stretch from the first sample to the first load, if it lasts 2 s and its mean |I| is below the threshold."""
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
    if length < LEAST_REST_S:
        reason = (
            f"no rest of {LEAST_REST_S:g} s before the first load: let the machine stand switched on before driving"
        )
        return Rest(0.0, 0.0, 0.0, reason)
    mean = dot(0.5 * (size[:-1] + size[1:]), dt) / length
    if mean >= threshold_a:
        reason = f"the current before the first load is {mean:.2f} A, above the {threshold_a:.2f} A that counts as rest"
        return Rest(0.0, 0.0, mean, reason)
    return Rest(float(current.time_s[0]), float(current.time_s[end]), mean)


def _first_load(value: Floats, width: int, limit_a: float) -> int | None:
    """Where the first mean |i| of `width` samples is above the limit; looked for in stretches: mostly it comes soon."""
    begin, count = 0, 1 << 16
    while begin + width <= len(value):
        smooth = np.convolve(np.abs(value[begin : begin + count + width - 1]), np.ones(width) / width, "valid")
        loaded = np.flatnonzero(smooth > limit_a)
        if len(loaded):
            return begin + int(loaded[0])
        begin, count = begin + count, 2 * count
    return None


def run_rest(run: Run) -> Rest:
    """The rest of a run, or the reason why it has none; that of the whole run where `run` is a later part of it."""
    found = run.cache.get(("rest", ""))
    if not isinstance(found, Rest):
        found = run.cache["rest", ""] = _find(run)
    return found


def _find(run: Run) -> Rest:
    limit_a = run_rest_threshold_a(run)
    whole = run.from_start()
    # Of a long run mostly the head tells; where it is all rest, the smoothed whole does.
    head = _short(whole, whole.start_s, whole.start_s + HEAD_S)
    current = head.series("battery_current_a")
    if current is not None and head is not whole and find_rest(current, limit_a).end_s >= current.time_s[-2]:
        current = None
    if current is None and head is not whole:
        current = whole.smooth("battery_current_a")
    if current is None or len(current.time_s) < 2:
        return Rest(0.0, 0.0, 0.0, "no battery current was measured, so that rest cannot be told from load")
    return find_rest(current, limit_a)


def _short(run: Run, from_s: float, to_s: float) -> Run:
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
    """Median voltage of the rest stretch [V]."""
    values = rest_values(run, rest, si_name)
    if isinstance(values, str):
        return refuse("V", values)
    volts = float(np.median(values))
    terms = voltage_terms(run.sensor(si_name), volts, len(values))
    terms["steps"] = step_u(run.sensor(si_name), float(np.std(values)))
    terms["scatter of the median"] = 1.2533 * float(np.std(values)) / math.sqrt(len(values))
    return estimate(volts, "V", terms, note=f"{rest.end_s - rest.start_s:.0f} s at rest")


def rest_values(run: Run, rest: Rest, si_name: str) -> Floats | str:
    """Samples of a voltage during rest, or the reason why there are none."""
    whole = run.from_start()
    if not whole.has(si_name):
        return f"no {run.label(si_name).lower()} was measured"
    if rest.refused is not None:
        return rest.refused
    series = _short(whole, rest.start_s, rest.end_s).series(si_name)
    if series is None:
        return f"{run.label(si_name)} has no sample during the rest"
    first, stop = np.searchsorted(series.time_s, rest.start_s), np.searchsorted(series.time_s, rest.end_s, "right")
    if first >= stop:
        return f"{run.label(si_name)} has no sample during the rest"
    return series.value[first:stop]


def block_imbalance(run: Run, rest: Rest) -> Estimate:
    """Lower minus upper block voltage at rest [V]: twice the midpoint less the whole."""
    middle = rest_values(run, rest, "midpoint_voltage_v")
    whole = rest_values(run, rest, "battery_voltage_v")
    if isinstance(middle, str):
        return refuse("V", middle)
    if isinstance(whole, str):
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
