"""The stretch at rest before the first load, and the voltages read in it. docs/methods.md, Rest voltage."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from amptally.analysis.controller.released import commanded_at
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, estimate, extreme_u, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.results.sensor_terms import step_u, white_u
from amptally.analysis.runs.run import Run, Series
from amptally.analysis.runs.standing import LOADED, SMOOTHED, run_rest_threshold_a
from amptally.analysis.signals.curve_integrals import dot
from amptally.analysis.signals.series import Floats

MIN_REST_S = 2.0
STANDING_A, STANDING_SHARE = 1.0, 0.1
"""A machine with released sticks that steadily draws less than 1 A or a tenth of its peak stands. Our own choice."""
BLIND_SHARE, STANDBY_SLACK = 0.05, 1.25
"""Without command pulses motors may turn: at most 1 A and a twentieth of the peak, or what the machine file declares as
standby and a quarter more. Our own choice."""
CURRENT, VOLTAGE = "battery_current_a", "battery_voltage_v"
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
    standing_a: float = 0.0
    """What the standing machine draws, where that is more than what counts as no current."""


def find_rest(current: Series, threshold_a: float, standing_a: float = 0.0, free: int | None = None) -> Rest:
    """The stretch from the first sample to the first load, if it lasts 2 s and its mean |I| is below `threshold_a` [A].

    `current` holds two samples or more [A]. All of it counts from `standing_a`, the steady current of the standing
    machine. `free`: samples before the first with a command away from its centre; None where there is none.
    """
    value = current.value - standing_a if standing_a else current.value
    width = min(SMOOTHED, len(value))
    loaded = _first_load(value, width, LOADED * threshold_a)
    end = len(value) - 1
    if loaded is not None:
        # A mean above the limit holds a sample above it; rest ends before the first of them.
        within = np.abs(value[loaded : loaded + width]) > LOADED * threshold_a
        end = max(int(loaded + np.argmax(within)) - 1, 0)
    asked = free is not None and free <= end
    if free is not None:
        end = max(min(end, free - 1), 0)
    size = np.abs(value[: end + 1])
    # What happened in a gap is not known: it counts neither as time at rest nor in the mean.
    dt = np.where(current.gap_after[:end], 0.0, np.diff(current.time_s[: end + 1]))
    length = float(dt.sum())
    if length < MIN_REST_S:
        why = Reason("commanded_too_soon" if asked else "no_rest", needed_s=MIN_REST_S)
        return Rest(0.0, 0.0, 0.0, why)
    mean = dot(0.5 * (size[:-1] + size[1:]), dt) / length
    if mean >= threshold_a:
        return Rest(0.0, 0.0, mean, Reason("current_at_rest", mean_a=mean, limit_a=threshold_a))
    drawn_a = dot(np.abs(0.5 * (current.value[:end] + current.value[1 : end + 1])), dt) / length
    return Rest(float(current.time_s[0]), float(current.time_s[end]), drawn_a, None, standing_a)


def standing_current(current: Series, threshold_a: float, limit_a: float) -> float:
    """What a machine draws that stands at the start of a run [A]: the level of its first 2 s, where that is steady.

    0 where it is less than `threshold_a`, which counts as no current, more than `limit_a`, or not steady.
    """
    head = current.value[: int(np.searchsorted(current.time_s, current.time_s[0] + MIN_REST_S, "right"))]
    level = float(np.median(head))
    if len(head) < 2 or not 0.8 * threshold_a <= level <= limit_a:
        return 0.0
    width = min(SMOOTHED, len(head))
    means = np.convolve(head, np.ones(width) / width, "valid")
    return level if float(np.abs(means - level).max()) <= threshold_a else 0.0


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
    current = head.series(CURRENT)
    if current is not None and head is not whole and _rest_of(whole, current, threshold_a).end_s >= current.time_s[-2]:
        current = None
    if current is None and head is not whole:
        current = whole.smooth(CURRENT)
    if current is None or len(current.time_s) < 2:
        return Rest(0.0, 0.0, 0.0, Reason("rest_needs_current"))
    return _rest_of(whole, current, threshold_a)


def _rest_of(whole: Run, current: Series, threshold_a: float) -> Rest:
    """The rest in a current, with what the run shows of the standing machine."""
    away = commanded_at(whole, current.time_s)
    held_away = np.empty(0, np.int64) if away is None else np.flatnonzero(away[:-1] & away[1:])
    standing_a = standing_current(current, threshold_a, _most_standing_a(whole, released=away is not None))
    free = int(held_away[0]) if len(held_away) else None
    rest = find_rest(current, threshold_a, standing_a, free)
    if rest.refused is None or rest.refused.code != "no_rest" or away is None:
        return rest
    stood = current.time_s[: len(current.time_s) if free is None else free]
    if len(stood) < 2 or stood[-1] - stood[0] < MIN_REST_S:
        return rest
    first = current.value[current.time_s <= current.time_s[0] + MIN_REST_S]
    drew = Reason("standing_unsteady", lowest_a=float(first.min()), highest_a=float(first.max()))
    return replace(rest, refused=drew)


def _most_standing_a(run: Run, *, released: bool) -> float:
    """Up to which steady current [A] a machine may be taken to stand, before the first load."""
    found = run.extremes(CURRENT)
    peak_a = 0.0 if found is None else found.maximum
    if released:
        return max(STANDING_A, STANDING_SHARE * peak_a)
    declared_a = run.standby_a or 0.0
    return max(STANDBY_SLACK * declared_a, min(STANDING_A, BLIND_SHARE * peak_a))


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


def rest_voltage(run: Run, rest: Rest, ohm: Estimate | None = None) -> Estimate:
    """Median voltage of the battery at rest [V]. Its own 1 σ is 1.2533 σ/√n, that of the median of n normal readings.

    Where a standing machine draws current, what that takes from the voltage through `ohm` is added, and as much again
    is left open above for what a battery loses in longer than the resistance was measured; `at_least` without `ohm`.
    """
    samples = rest_samples(run, rest, VOLTAGE)
    if isinstance(samples, Reason):
        return refuse("V", samples)
    volts = float(np.median(samples))
    terms = voltage_terms(run.sensor(VOLTAGE), volts, len(samples))
    terms["steps"] = step_u(run.sensor(VOLTAGE), float(np.std(samples)))
    terms["scatter of the median"] = 1.2533 * float(np.std(samples)) / math.sqrt(len(samples))
    length_s = rest.end_s - rest.start_s
    if not rest.standing_a:
        return estimate(volts, "V", terms, note=Reason("at_rest", length_s=length_s))
    if ohm is None or ohm.value is None or ohm.high is None:
        note = Reason("at_rest_drawing", length_s=length_s, current_a=rest.mean_current_a, drop_v=None)
        return estimate(volts, "V", terms, note=note).bounded("at_least", Reason("standing_drop_unknown"))
    drop_v = rest.mean_current_a * ohm.value
    terms["standing current"] = rest.mean_current_a * (ohm.high - ohm.value) / COVERAGE_FACTOR
    note = Reason("at_rest_drawing", length_s=length_s, current_a=rest.mean_current_a, drop_v=drop_v)
    return estimate(volts + drop_v, "V", terms, doubt_high=drop_v, doubt="slower part of the standing drop", note=note)


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
