"""Voltage drop per ampere, T seconds after a step: from steps, else by regression. docs/methods.md, Resistance."""

from __future__ import annotations

import math
from dataclasses import dataclass

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
from amptally.analysis.results.estimate import Estimate, estimate, refuse
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


def assess_resistance(
    time_s: Floats, volts: Floats, amps: Floats, gap_after: Flags, current: SensorError, voltage: SensorError
) -> Resistance:
    """Resistance [Ω] at 0.1, 1, 10 s and open-circuit voltage [V] at the start, each with its method in the reasons.

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
        return Resistance(by_scale, refuse("V", fit))
    if fit.open_circuit_u > WIDEST_OPEN_SHARE * fit.open_circuit_v:
        return Resistance(by_scale, refuse("V", Reason("open_circuit_open", u_v=fit.open_circuit_u)))
    open_terms: dict[str, float | None] = {
        "scatter": fit.open_circuit_u,
        "voltage gain": None if voltage.gain_u is None else voltage.gain_u * fit.open_circuit_v,
        "voltage offset": voltage.offset_u,
    }
    note = Reason("regression_without_current", at_s=fit.at_s)
    return Resistance(by_scale, estimate(fit.open_circuit_v, "V", open_terms, note=note))


def _judged(read: tuple[float, float], terms: dict[str, float | None], scale_s: float, note: Reason) -> Estimate:
    """A resistance from steps, refused where its own scatter leaves it open."""
    value, u = read
    if u > WIDEST_SHARE * value:
        return refuse("ohm", resistance_open(scale_s, value, u))
    return estimate(value, "ohm", terms, note=note)
