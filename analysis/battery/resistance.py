"""Voltage drop per ampere, T seconds after a step: from steps, else by regression. docs/methods.md, Resistance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from amptally.analysis.battery.resistance_fit import (
    MODEL_SHARE,
    TIME_SCALES_S,
    WIDEST_SHARE,
    Fit,
    fit_voltage,
    median_interval_s,
    resistance_open,
    samples_too_coarse,
)
from amptally.analysis.battery.resistance_steps import COARSEST_SHARE, find_steps, from_steps, jumps
from amptally.analysis.results.estimate import Estimate, above_zero, estimate, extreme_u, refuse
from amptally.analysis.results.propagation import product
from amptally.analysis.results.reason import Reason
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.results.sensor_terms import skew_u_s, white_u
from amptally.analysis.signals.series import Flags, Floats

WIDEST_OPEN_SHARE = 0.02
"""An open-circuit voltage whose 1 σ exceeds this share of itself is refused."""
SHARPER = 3.0
"""Steps give way to a regression whose 1 σ is this many times smaller; a single step to any that is sharper."""
ONE_STEP_SHARE = 0.05
"""1 σ, relative, by which steps of one battery differ, where a single one does not show it. Our own choice."""


@dataclass(frozen=True, slots=True)
class Resistance:
    """What is known of the battery's resistance."""

    by_scale: dict[float, Estimate]
    open_circuit_v: Estimate
    load_drop_v: Estimate
    """Greatest drop against the open-circuit voltage at the charge of that moment [V]."""
    load_drop_at_s: float | None
    """Run time of it [s]; None where it is refused."""

    @classmethod
    def refused(cls, reason: Reason) -> Resistance:
        """Nothing of it, for one reason."""
        return cls({scale: refuse("ohm", reason) for scale in TIME_SCALES_S}, *_no_voltages(reason))


def assess_resistance(
    time_s: Floats, volts: Floats, amps: Floats, gap_after: Flags, current: SensorError, voltage: SensorError
) -> Resistance:
    """Resistance [Ω] at 0.1, 1, 10 s, open-circuit voltage [V] at the start and greatest drop under load [V].

    Each has its method in the reasons.

    time_s [s], volts [V], amps [A]: shape (n,); gap_after: shape (n − 1,). Never raises: what the data cannot support
    is refused.
    """
    current_noise, volt_noise = white_u(current), white_u(voltage)
    skew_s = skew_u_s(current, voltage) or 0.0
    fit: Fit | Reason = Reason("no_samples")
    if len(time_s) > 1:
        fit = fit_voltage(time_s, volts, amps, gap_after, current_noise, skew_s)

    def terms(value: float, u: float) -> dict[str, float | None]:
        return {
            "scatter": u,
            "model": MODEL_SHARE * value,
            "current gain": None if current.gain_u is None else current.gain_u * value,
            "voltage gain": None if voltage.gain_u is None else voltage.gain_u * value,
        }

    interval = median_interval_s(time_s) if len(time_s) > 1 else 0.0
    places = jumps(amps, gap_after)
    by_scale = {}
    for scale in TIME_SCALES_S:
        steps = find_steps(time_s, volts, amps, gap_after, scale, places)
        read = from_steps(steps, volt_noise, skew_s) if steps else None
        one_step = abs(ONE_STEP_SHARE * read[0]) if read is not None and len(steps) == 1 else 0.0
        fitted = None if isinstance(fit, Reason) else fit.resistance_ohm.get(scale)
        if read is not None and read[0] <= 0:
            by_scale[scale] = refuse("ohm", Reason("voltage_rises_with_current"))
        elif read is not None and (
            fitted is None or math.hypot(read[1], one_step) <= (1.0 if one_step else SHARPER) * fitted[1]
        ):
            noted = Reason("from_steps", steps=len(steps))
            by_scale[scale] = _judged(read, terms(*read) | ({"one step": one_step} if one_step else {}), scale, noted)
        elif fitted is not None:
            by_scale[scale] = estimate(fitted[0], "ohm", terms(*fitted), note=Reason("from_regression"))
        elif interval > COARSEST_SHARE * scale:
            by_scale[scale] = refuse("ohm", samples_too_coarse(interval, scale))
        else:
            by_scale[scale] = refuse("ohm", fit if isinstance(fit, Reason) else fit.refused[scale])
    if isinstance(fit, Reason):
        drop_v, drop_at_s = _drop_by_resistance(time_s, amps, gap_after, by_scale, fit)
        return Resistance(by_scale, refuse("V", fit), drop_v, drop_at_s)
    drop_terms: dict[str, float | None] = {
        "scatter": fit.drop_u,
        "noise and resolution": extreme_u(volt_noise, len(time_s)),
        "voltage gain": None if voltage.gain_u is None else voltage.gain_u * fit.drop_v,
    }
    drop_v = estimate(fit.drop_v, "V", drop_terms, note=Reason("drop_from_regression"))
    drop_v = above_zero(drop_v.bounded("at_least", Reason("from_minimum_of_samples")))
    if fit.open_circuit_u > WIDEST_OPEN_SHARE * fit.open_circuit_v:
        open_v = refuse("V", Reason("open_circuit_open", u_v=fit.open_circuit_u))
        return Resistance(by_scale, open_v, drop_v, fit.drop_at_s)
    open_terms: dict[str, float | None] = {
        "scatter": fit.open_circuit_u,
        "voltage gain": None if voltage.gain_u is None else voltage.gain_u * fit.open_circuit_v,
        "voltage offset": voltage.offset_u,
    }
    note = Reason("regression_without_current", at_s=fit.at_s)
    open_v = estimate(fit.open_circuit_v, "V", open_terms, note=note)
    return Resistance(by_scale, open_v, drop_v, fit.drop_at_s)


def _no_voltages(*reasons: Reason) -> tuple[Estimate, Estimate, None]:
    return refuse("V", *reasons), refuse("V", *reasons), None


def _drop_by_resistance(
    time_s: Floats, amps: Floats, gap_after: Flags, by_scale: Mapping[float, Estimate], why_no_fit: Reason
) -> tuple[Estimate, float | None]:
    """Resistance from steps times the largest mean current over that time [V], and when: slower relaxation adds to it.

    Refused where no step shows a resistance.
    """
    scale = max((scale for scale, value in by_scale.items() if not value.is_refused), default=None)
    if scale is None or gap_after.any():
        return refuse("V", why_no_fit), None
    charge = np.concatenate(([0.0], np.cumsum(0.5 * (amps[1:] + amps[:-1]) * np.diff(time_s))))
    ends = time_s[time_s >= time_s[0] + scale]
    if not len(ends):
        return refuse("V", why_no_fit), None
    means = (np.interp(ends, time_s, charge) - np.interp(ends - scale, time_s, charge)) / scale
    at = int(np.argmax(means))
    drop_v = product(by_scale[scale], estimate(float(means[at]), "A", {}), "V")
    slower = Reason("slower_relaxation_unseen", scale_s=scale)
    return drop_v.bounded("at_least", slower, Reason("drop_from_steps", scale_s=scale)), float(ends[at])


def _judged(read: tuple[float, float], terms: dict[str, float | None], scale_s: float, note: Reason) -> Estimate:
    """A resistance from steps, refused where its own scatter leaves it open."""
    value, u = read
    if u > WIDEST_SHARE * value:
        return refuse("ohm", resistance_open(scale_s, value, u))
    return estimate(value, "ohm", terms, note=note)
