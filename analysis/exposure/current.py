"""Peak, mean, RMS and exposure of one current channel. docs/methods.md, Exposure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from amptally.analysis.exposure.exposure import FIXED_WINDOWS_S, CurrentError, Exposure, window_list, window_rms
from amptally.analysis.exposure.run_exposure import prepare_exposure
from amptally.analysis.integrals.sums import CurveSums, curve_sums
from amptally.analysis.quality.ripple import Unseen, unseen
from amptally.analysis.results.estimate import Estimate, above_zero, estimate, extreme_u, refuse
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.results.sensor_terms import CLIPPED_SHARE, hides_peaks, white_u
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.samples import BELIEVABLE_A
from amptally.analysis.signals.series import Extremes
from amptally.analysis.signals.signs import ALL

SLACK_S = 5.0
"""Extremes may cover this much more time than the run's samples: the start and the frames lost at the end."""


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
    prepared: Exposure | None
    """For margins; None where refused."""
    error: CurrentError
    ripple: Unseen | None = None
    """What its samples do not show of the controller's pulses."""


def current_error(sensor: SensorError) -> CurrentError:
    """The declared errors that bear on an RMS; resolution counts as noise of LSB/√12."""
    noise = None
    if sensor.noise is not None or sensor.resolution is not None:
        noise = white_u(sensor)
    return CurrentError(sensor.gain_u, sensor.offset_u, noise)


def assess_current(run: Run, lead: str, opening_times_s: list[float], rated_after_s: list[float]) -> Current:
    """Everything about one current; `opening_times_s` are the published times of the fuses in play."""
    name = f"{lead}_current_a"
    extremes, sensor = run.extremes(name), run.sensor(name)
    error = current_error(sensor)
    asked = window_list(run.duration_s, run.interval_s or math.inf, opening_times_s, rated_after_s)
    exposure = prepare_exposure(run, lead, asked.tolist())
    if extremes is None or extremes.samples < 2 or exposure is None:
        reason = f"no {run.label(name).lower()} was measured" if extremes is None else "too few samples"
        none = refuse("A", reason)
        peak = none if extremes is None else _peak(run, lead, extremes, sensor)[0]
        return Current(peak, None, none, {f"{w:g}": none for w in FIXED_WINDOWS_S}, (), None, error)
    ripple = unseen(run, lead, exposure.coarse_s, exposure.interval_rms)
    by = run.sensor(f"{lead}_current_rms_a") if exposure.interval_rms else sensor
    error = replace(current_error(by), corner_hz=by.bandwidth_hz, unseen=ripple.why if ripple else "")
    windows = window_list(exposure.duration_s, exposure.interval_s, opening_times_s, rated_after_s)
    curve = tuple((window.window_s, window.rms_a) for window in exposure.worst_of(windows.tolist()))
    peak, peak_at = _peak(run, lead, extremes, sensor)
    if ripple is not None and peak.bound == "estimate":
        peak = peak.bounded("at_least", ripple.why)
    return Current(
        peak,
        peak_at,
        _mean(curve_sums(run, name), sensor),
        {f"{window:g}": window_rms(exposure, window, error) for window in FIXED_WINDOWS_S},
        curve,
        exposure,
        error,
        ripple,
    )


def _mean(sums: CurveSums, sensor: SensorError) -> Estimate:
    """Time-weighted mean over sampled time."""
    seconds = sums.sampled_s
    if seconds <= 0:
        return refuse("A", "the run has no sampled time")
    mean = sums.total.net / seconds
    terms: dict[str, float | None] = {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * abs(mean),
        "current offset": sensor.offset_u,
        "noise and resolution": white_u(sensor) * math.sqrt(sums.weights2_s2[ALL]) / seconds,
        "sampling": sums.sampling(ALL) / seconds,
    }
    return estimate(mean, "A", terms)


def _peak(run: Run, lead: str, samples: Extremes, sensor: SensorError) -> tuple[Estimate, float | None]:
    """Greatest |i|; an estimate only where the board sends the extremes of each interval, else a lower bound."""
    extremes = [run.extremes(f"{lead}_current_{which}_a") for which in ("min", "max")]
    value, at_s = max((each.size for each in (samples, *extremes) if each is not None), key=lambda size: size[0])
    # Nothing is missed only if both extremes stand beside every sample of the run.
    complete = all(each is not None and each.samples == run.rows for each in extremes) and not run.gaps()
    board = _board_extreme(run, lead)
    note = ""
    where: float | None = at_s
    if board is not None and board > value:
        value, where, note = board, None, "from the board's own extremes since the start, not seen in any sample"
    terms: dict[str, float | None] = {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * value,
        "current offset": sensor.offset_u,
        "noise of the greatest sample": extreme_u(white_u(sensor), samples.samples),
    }
    slow = hides_peaks(run.interval_of(f"{lead}_current_a"), sensor.bandwidth_hz)
    clipped = bool(sensor.full_scale) and value >= CLIPPED_SHARE * (sensor.full_scale or 0.0)
    result = above_zero(estimate(value, "A", terms, note=note))
    if complete and not clipped and not slow:
        return result, where
    if clipped:
        why = "at the sensor's full scale"
    elif complete:
        why = f"a filter of {sensor.bandwidth_hz:g} Hz flattens peaks as short as a sample interval"
    elif all(each is not None for each in extremes):
        why = "what happened where extremes are missing is not known"
    elif samples.samples < 2:
        why = "a single sample"
    else:
        why = f"samples {1e3 * run.interval_of(f'{lead}_current_a'):.3g} ms apart can miss a shorter peak"
    return result.bounded("at_least", why), where


def _board_extreme(run: Run, lead: str) -> float | None:
    """Greatest |i| of the extremes frames, corrected, for a whole run; a part of one has none."""
    if run.rows != run.file.rows:
        return None
    said = run.declared(f"{lead}_current_a")
    offset, scale = said.offset or 0.0, 1.0 + (said.gain or 0.0)
    column = f"{lead}_current_ua"
    found = []
    for frame in run.metadata.extremes:
        channels, covered_ms = frame.get("channels"), frame.get("duration_ms")
        entry = channels.get(column) if isinstance(channels, dict) else None
        # A board that was started before the recording tells of peaks that are not the run's.
        back_s = frame.get("reaches_back_s")
        if isinstance(back_s, int | float):
            before = back_s > SLACK_S
        else:
            before = isinstance(covered_ms, int) and covered_ms > 1000 * (1.01 * run.duration_s + SLACK_S)
        if isinstance(entry, dict) and not before:
            raw = [entry[key] * 1e-6 for key in ("least", "greatest") if isinstance(entry.get(key), int)]
            found += [abs(each - offset) / scale for each in raw if abs(each) <= BELIEVABLE_A]
    return max(found) if found else None
