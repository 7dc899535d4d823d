"""Peak, mean, RMS and exposure of one current channel. docs/methods.md, Exposure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from amptally.analysis.exposure.exposure import FIXED_WINDOWS_S, CurrentError, Exposure, window_list, window_rms
from amptally.analysis.exposure.run_exposure import prepare_exposure
from amptally.analysis.integrals.sums import CurveSums, curve_sums
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.quality.ripple import ripple_unseen
from amptally.analysis.results.estimate import Estimate, above_zero, estimate, extreme_u, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.results.sensor_terms import CLIPPED_SHARE, hides_peaks, white_u
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.samples import BELIEVABLE_A
from amptally.analysis.signals.sampling import Spacing
from amptally.analysis.signals.series import Extremes
from amptally.analysis.signals.signs import ALL

SLACK_S = 5.0
"""Extremes may cover this much more time than the run's samples: the start and the frames lost at the end."""


@dataclass(frozen=True, slots=True)
class Current:
    """What one current channel did, as far as doubts about its data let it stand."""

    peak_a: Estimate
    """Maximum |i|."""
    peak_at_s: float | None
    """Run time of that sample; None where it was in none, or is refused."""
    mean_a: Estimate
    """Mean over sampled time, with its sign."""
    rms_a: dict[str, Estimate]
    """Largest RMS over any window of 0.1, 1, 10, 60 and 600 s, by the window's length as text."""
    exposure: tuple[tuple[float, float], ...]
    """(window length s, largest RMS A), by length; empty where refused."""
    prepared: Exposure | None
    """For margins; None where the current's size is refused, `rms_a` gives the reason."""
    error: CurrentError
    spacing: Spacing | None = None
    """How far apart the samples lie; None for fewer than two."""
    ripple: Reason | None = None
    """What its samples do not show of the controller's pulses, a finding."""


def current_error(sensor: SensorError) -> CurrentError:
    """The declared errors that bear on an RMS; resolution counts as noise of LSB/√12."""
    noise = None
    if sensor.noise is not None or sensor.resolution is not None:
        noise = white_u(sensor)
    return CurrentError(sensor.gain_u, sensor.offset_u, noise)


def assess_current(
    run: Run, lead: str, opening_times_s: list[float], rated_after_s: list[float], doubts: Doubts
) -> Current:
    """Peak, mean, RMS and exposure of `battery`, `left` or `right`.

    `opening_times_s`, `rated_after_s`: the published times of the fuses in play, see `window_list`.
    """
    name = f"{lead}_current_a"
    extremes, sensor = run.extremes(name), run.sensor(name)
    error = current_error(sensor)
    asked = window_list(run.duration_s, run.interval_s or math.inf, opening_times_s, rated_after_s)
    exposure = prepare_exposure(run, lead, asked.tolist())
    if extremes is None or extremes.samples < 2 or exposure is None:
        reason = Reason("not_measured", channel=name) if extremes is None else Reason("too_few_samples")
        none = refuse("A", reason)
        peak = none if extremes is None else _peak(run, lead, extremes, sensor)[0]
        return _held(
            Current(peak, None, none, {f"{w:g}": none for w in FIXED_WINDOWS_S}, (), None, error), name, doubts
        )
    ripple = ripple_unseen(run, lead, exposure.coarse_s, exposure.interval_rms)
    by = run.sensor(f"{lead}_current_rms_a") if exposure.interval_rms else sensor
    error = replace(current_error(by), corner_hz=by.bandwidth_hz, unseen=ripple)
    windows = window_list(exposure.duration_s, exposure.interval_s, opening_times_s, rated_after_s)
    curve = tuple((window.window_s, window.rms_a) for window in exposure.worst_of(windows.tolist()))
    peak, peak_at = _peak(run, lead, extremes, sensor)
    if ripple is not None and peak.bound == "estimate":
        peak = peak.bounded("at_least", ripple)
    current = Current(
        peak,
        peak_at,
        _mean(curve_sums(run, name), sensor),
        {f"{window:g}": window_rms(exposure, window, error) for window in FIXED_WINDOWS_S},
        curve,
        exposure,
        error,
        exposure.spacing,
        ripple,
    )
    return _held(current, name, doubts)


def _held(current: Current, channel: str, doubts: Doubts) -> Current:
    """The same as far as doubts about the channel let it stand."""
    held = replace(
        current,
        peak_a=doubts.hold(current.peak_a, (channel, "peak")),
        mean_a=doubts.hold(current.mean_a, (channel, "mean")),
        rms_a={window: doubts.hold(rms, (channel, "peak")) for window, rms in current.rms_a.items()},
    )
    if doubts.against((channel, "peak")) is None:
        return held
    return replace(held, peak_at_s=None, exposure=(), prepared=None)


def _mean(sums: CurveSums, sensor: SensorError) -> Estimate:
    """Time-weighted mean over sampled time."""
    seconds = sums.sampled_s
    if seconds <= 0:
        return refuse("A", Reason("no_time_covered"))
    mean = sums.total.net / seconds
    terms: dict[str, float | None] = {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * abs(mean),
        "current offset": sensor.offset_u,
        "noise and resolution": white_u(sensor) * math.sqrt(sums.weights2_s2[ALL]) / seconds,
        "sampling": sums.sampling(ALL) / seconds,
    }
    return estimate(mean, "A", terms)


def _peak(run: Run, lead: str, samples: Extremes, sensor: SensorError) -> tuple[Estimate, float | None]:
    """Maximum |i|; an estimate only where the board sends the extremes of each interval, else a lower bound."""
    extremes = [run.extremes(f"{lead}_current_{which}_a") for which in ("min", "max")]
    value, at_s = max((each.size for each in (samples, *extremes) if each is not None), key=lambda size: size[0])
    # Nothing is missed only if both extremes stand beside every sample of the run.
    complete = all(each is not None and each.samples == run.rows for each in extremes) and not run.gaps()
    board = _board_extreme(run, lead)
    note: Reason | None = None
    where: float | None = at_s
    if board is not None and board > value:
        value, where, note = board, None, Reason("peak_from_board_extremes")
    terms: dict[str, float | None] = {
        "current gain": None if sensor.gain_u is None else sensor.gain_u * value,
        "current offset": sensor.offset_u,
        "noise of the greatest sample": extreme_u(white_u(sensor), samples.samples),
    }
    interval_s = run.interval_of(f"{lead}_current_a")
    slow = hides_peaks(interval_s, sensor.bandwidth_hz)
    clipped = bool(sensor.full_scale) and value >= CLIPPED_SHARE * (sensor.full_scale or 0.0)
    result = above_zero(estimate(value, "A", terms, note=note))
    if complete and not clipped and not slow:
        return result, where
    if clipped:
        why = Reason("sensor_at_full_scale")
    elif complete:
        why = Reason("filter_flattens_peaks", corner_hz=sensor.bandwidth_hz)
    elif all(each is not None for each in extremes):
        why = Reason("interval_extremes_missing")
    elif samples.samples < 2:
        why = Reason("single_sample")
    else:
        why = Reason("samples_miss_shorter_peak", interval_s=interval_s)
    return result.bounded("at_least", why), where


def _board_extreme(run: Run, lead: str) -> float | None:
    """Maximum |i| of the extremes frames, corrected, for a whole run; a part of one has none."""
    if run.rows != run.file.rows:
        return None
    declared = run.declared(f"{lead}_current_a")
    offset, scale = declared.offset or 0.0, 1.0 + (declared.gain or 0.0)
    column = f"{lead}_current_ua"
    found = []
    for frame in run.metadata.extremes:
        channels, covered_ms = frame.get("channels"), frame.get("duration_ms")
        entry = channels.get(column) if isinstance(channels, dict) else None
        # A board that was started before the recording reports peaks from before the run.
        back_s = frame.get("reaches_back_s")
        if isinstance(back_s, int | float):
            before = back_s > SLACK_S
        else:
            before = isinstance(covered_ms, int) and covered_ms > 1000 * (1.01 * run.duration_s + SLACK_S)
        if isinstance(entry, dict) and not before:
            raw = [entry[key] * 1e-6 for key in ("least", "greatest") if isinstance(entry.get(key), int)]
            found += [abs(each - offset) / scale for each in raw if abs(each) <= BELIEVABLE_A]
    return max(found) if found else None
