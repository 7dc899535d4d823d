"""Peak, mean, RMS and exposure of one current channel. docs/methods.md, Exposure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.energy import integrate, sampling_error
from analysis.estimate import Estimate, estimate, refuse
from analysis.exposure import FIXED_WINDOWS_S, CurrentError, Exposure, window_list, window_rms
from analysis.run import Run, SensorError, Series

CLIPPED_SHARE = 0.99
"""A reading this close to the sensor's full scale may have been cut off there."""


@dataclass(frozen=True, slots=True)
class Current:
    """What one current channel did."""

    peak_a: Estimate
    peak_at_s: float | None
    mean_a: Estimate
    rms_a: dict[str, Estimate]
    """Largest RMS over any window of 0.1, 1, 10, 60 and 600 s."""
    exposure: tuple[tuple[float, float], ...]
    """(window length s, largest RMS A), by length."""
    clipped: int
    """Samples at the sensor's full scale."""
    prepared: Exposure | None
    """For margins; None where refused."""
    error: CurrentError


def current_error(sensor: SensorError) -> CurrentError:
    """The declared errors that bear on an RMS; resolution counts as noise of LSB/√12."""
    noise = None
    if sensor.noise is not None or sensor.resolution is not None:
        noise = math.hypot(sensor.noise or 0.0, (sensor.resolution or 0.0) / math.sqrt(12))
    return CurrentError(sensor.gain_u, sensor.offset_u, noise)


def prepare_exposure(run: Run, lead: str) -> Exposure | None:
    """Exposure of `battery`, `left` or `right`; from the board's own interval RMS where the run has it."""
    series = run.series(f"{lead}_current_a")
    rms = run.series(f"{lead}_current_rms_a")
    chosen = series if rms is None else rms
    if chosen is None or len(chosen.time_s) < 2 or chosen.gap_after.all():
        return None
    build = Exposure.prepare if rms is None else Exposure.from_interval_rms
    return build(chosen.time_s, chosen.value, chosen.gap_after)


def assess_current(run: Run, lead: str, opening_times_s: list[float], rated_after_s: list[float]) -> Current:
    """Everything about one current; `opening_times_s` are the published times of the fuses in play."""
    name = f"{lead}_current_a"
    series, sensor = run.series(name), run.sensor(name)
    error = current_error(sensor)
    exposure = prepare_exposure(run, lead)
    if series is None or len(series.time_s) < 2 or exposure is None:
        reason = f"no {run.label(name).lower()} was measured" if series is None else "too few samples"
        none = refuse("A", reason)
        peak = none if series is None else _peak(run, lead, series, sensor)[0]
        return Current(peak, None, none, {f"{w:g}": none for w in FIXED_WINDOWS_S}, (), 0, None, error)
    windows = window_list(exposure.duration_s, exposure.interval_s, opening_times_s, rated_after_s)
    curve = tuple((float(window), exposure.worst(float(window)).rms_a) for window in windows)
    peak, peak_at = _peak(run, lead, series, sensor)
    return Current(
        peak,
        peak_at,
        _mean(series, sensor),
        {f"{window:g}": window_rms(exposure, window, error) for window in FIXED_WINDOWS_S},
        curve,
        _clipped(series, sensor),
        exposure,
        error,
    )


def _clipped(series: Series, sensor: SensorError) -> int:
    if not sensor.full_scale:
        return 0
    return int((np.abs(series.value) >= CLIPPED_SHARE * sensor.full_scale).sum())


def _mean(series: Series, sensor: SensorError) -> Estimate:
    """Time-weighted mean over sampled time."""
    seconds = series.sampled_s
    if seconds <= 0:
        return refuse("A", "the run has no sampled time")
    mean = integrate(series.time_s, series.value, series.gap_after).net / seconds
    terms: dict[str, float | None] = {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * abs(mean),
        "current offset": sensor.offset_u,
        "noise and resolution": (current_error(sensor).noise_a or 0.0) / math.sqrt(len(series.value)),
        "sampling": sampling_error(series.time_s, series.value, series.gap_after) / seconds,
    }
    return estimate(mean, "A", terms)


def _peak(run: Run, lead: str, series: Series, sensor: SensorError) -> tuple[Estimate, float | None]:
    """Greatest |i|; an estimate only where the board sends the extremes of each interval, else a lower bound."""
    at = int(np.argmax(np.abs(series.value)))
    value, at_s = float(abs(series.value[at])), float(series.time_s[at])
    complete = False
    extremes = [run.series(f"{lead}_current_{which}_a") for which in ("min", "max")]
    for found in extremes:
        if found is not None:
            place = int(np.argmax(np.abs(found.value)))
            if abs(found.value[place]) > value:
                value, at_s = float(abs(found.value[place])), float(found.time_s[place])
            complete = all(part is not None for part in extremes) and not found.gap_after.any()
    board = _board_extreme(run, lead)
    note = ""
    where: float | None = at_s
    if board is not None and board > value:
        value, where, note = board, None, "from the board's own extremes since the start, not seen in any sample"
    white = current_error(sensor).noise_a or 0.0
    terms: dict[str, float | None] = {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * value,
        "current offset": sensor.offset_u,
        "noise and resolution": white,
    }
    clipped = bool(sensor.full_scale) and value >= CLIPPED_SHARE * (sensor.full_scale or 0.0)
    result = estimate(value, "A", terms, note=note)
    if complete and not clipped:
        return result, where
    interval = series.interval_s
    why = "at the sensor's full scale" if clipped else f"samples {1e3 * interval:.3g} ms apart can miss a shorter peak"
    return result.bounded("at_least", why), where


def _board_extreme(run: Run, lead: str) -> float | None:
    """Greatest |i| of the extremes frames, for a whole run; a part of one has none."""
    if run.rows != run.file.rows:
        return None
    column = f"{lead}_current_ua"
    found = []
    for frame in run.metadata.extremes:
        channels = frame.get("channels")
        entry = channels.get(column) if isinstance(channels, dict) else None
        if isinstance(entry, dict):
            found += [abs(entry[key]) for key in ("least", "greatest") if isinstance(entry.get(key), int)]
    return max(found) * 1e-6 if found else None
