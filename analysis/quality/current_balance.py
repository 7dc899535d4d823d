"""Battery lead against both channels: swapped, reversed, or a wrong scale. docs/methods.md, Bad data.

In supply legs battery = left + right + a small constant. `battery = a · left + b · right + c` by least squares shows
which of the three does not fit, where left and right move independently.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.quality.voltage_response import MIN_SPREAD_A, line
from amptally.analysis.results.leads import CURRENTS
from amptally.analysis.results.reason import Reason
from amptally.analysis.signals.series import Floats

SUM_CORRELATION = 0.95
SUM_TOLERANCE = 0.1
"""Battery lead against both channels: a slope this close to 1 is left to the declared gains."""
CLEAR_SUM = 0.9
"""Correlation from which a slope is evidence of a scale."""
MIN_APART = 0.1
"""Share of the channels' spread that must be independent before a factor is put on one of them."""
NEAR_SCALE = 1.25
"""A disagreement up to this factor widens what depends on it; beyond, nothing is given."""
MIN_DECIDING_FACTOR = 8.0
LIKE_SHEET = (0.35, 2.5)
"""A resistance within these shares of the sheet's is taken for the battery's, where the other reading differs by a
factor of `LEAST_TOLD`."""


@dataclass(frozen=True, slots=True)
class Known:
    """Other evidence of which of the three is wrong."""

    responds: bool = False
    """The battery's voltage clearly responds to its own current."""
    of_sheet: float | None = None
    """The battery's resistance by that current over its sheet's; None where unknown."""
    placed: bool = True
    """The machine file declares where the channels are measured."""


def unbalanced_currents(
    battery: Floats, left: Floats, right: Floats, gain_u: float, known: Known = Known()
) -> Doubt | None:
    """Battery = left + right in supply legs; another sum that fits better means that channels are swapped.

    battery, left, right: shape (n,), at the same times [A]; gain_u: the largest declared gain error, 1 σ, relative.
    """
    both = left + right
    if len(battery) < 50:
        return None
    moving = float(np.std(both)) >= MIN_SPREAD_A, float(np.std(battery)) >= MIN_SPREAD_A
    fit = line(both, battery)
    tolerance = SUM_TOLERANCE + 3 * gain_u
    agree = abs(fit.slope - 1) <= tolerance and fit.correlation >= SUM_CORRELATION
    # A battery that feeds something else besides moves without its channels: no contradiction.
    if agree or not any(moving) or (not moving[0] and fit.correlation < CLEAR_SUM):
        return None
    measured = Reason("sum_fit", slope=fit.slope, intercept_a=fit.intercept, correlation=fit.correlation)
    swapped = _swapped(battery, left, right, measured)
    if swapped is not None:
        return swapped
    two = _two_slopes(battery, left, right)
    if two is not None:
        a, b, correlation, least_a = two
        near = [abs(slope - 1) <= tolerance for slope in (a, b)]
        if all(near) and least_a > -2 * MIN_SPREAD_A - 0.05 * float(np.abs(battery).max()):
            return None
        if correlation >= SUM_CORRELATION:
            measured = Reason("two_channel_fit", left_slope=a, right_slope=b, correlation=correlation)
            if near[0] != near[1]:
                return _one_channel("right" if near[0] else "left", b if near[0] else a, measured)
    if fit.correlation >= CLEAR_SUM and fit.slope > 0:
        return _all_by_one_factor(fit.slope, measured, known)
    if fit.correlation <= -CLEAR_SUM and abs(fit.slope + 1) <= tolerance:
        # A voltage that responds as it should shows that the battery's own sign is right.
        return _doubt("sign", Reason("battery_reversed"), measured, CURRENTS[1:] if known.responds else CURRENTS)
    cause = Reason("scale_sign_or_place")
    # A current to which the voltage responds is the battery's; what does not add up to it are the channels.
    return _doubt("both", cause, measured, CURRENTS[1:]) if known.responds else _doubt("all", cause, measured, CURRENTS)


def _swapped(battery: Floats, left: Floats, right: Floats, measured: Reason) -> Doubt | None:
    # A channel of reversed sign satisfies another sum as well; swapped ones all flow towards their loads.
    if min(float(battery.mean()), float(left.mean()), float(right.mean())) <= 0:
        return None
    for name, whole, parts in (("left", left, battery + right), ("right", right, battery + left)):
        other = line(parts, whole)
        if abs(other.slope - 1) <= SUM_TOLERANCE and other.correlation >= SUM_CORRELATION:
            reason = Reason("channels_swapped", "danger", lead=name, slope=other.slope, measured=measured)
            return Doubt(reason, ("battery_current_a", f"{name}_current_a"))
    return None


def _two_slopes(battery: Floats, left: Floats, right: Floats) -> tuple[float, float, float, float] | None:
    """a, b of the fit, its correlation, and the low end (0.5 %) of battery − left − right; None where left and right
    move too much alike to be distinguished.
    """
    parts = np.stack((left - left.mean(), right - right.mean()))
    sizes = np.sqrt((parts**2).sum(axis=1))
    if sizes.min() == 0:
        return None
    alike = float(parts[0] @ parts[1]) / float(sizes[0] * sizes[1])
    if 1 - abs(alike) < MIN_APART:
        return None
    wanted = battery - battery.mean()
    scaled = parts / sizes[:, None]
    slopes, *_ = np.linalg.lstsq(scaled.T, wanted, rcond=None)
    fitted = scaled.T @ slopes
    spread = math.sqrt(float(wanted @ wanted) * float(fitted @ fitted))
    correlation = float(wanted @ fitted) / spread if spread > 0 else 0.0
    a, b = float(slopes[0] / sizes[0]), float(slopes[1] / sizes[1])
    return a, b, correlation, float(np.quantile(battery - left - right, 0.005))


def _one_channel(side: str, slope: float, measured: Reason) -> Doubt:
    """battery = slope · this channel + the other: the channel reads 1/slope of its current."""
    channels = (f"{side}_current_a",)
    if abs(slope) < 1e-6:
        return _doubt(side, Reason("channel_has_no_part", lead=side), measured, channels)
    factor = 1 / slope
    reversed_sign = factor < 0 and abs(abs(factor) - 1) <= SUM_TOLERANCE
    cause = Reason("channel_reads", lead=side, factor=factor)
    return _doubt(f"{side}_sign" if reversed_sign else side, cause, measured, channels)


def _all_by_one_factor(slope: float, measured: Reason, known: Known) -> Doubt:
    """Both channels fit with one factor: the battery's scale, or that of both channels alike."""
    battery, channels = Reason("battery_reads", factor=slope), Reason("channels_read", factor=1 / slope)
    far, of_sheet = max(slope, 1 / slope), known.of_sheet
    if known.responds and not known.placed and slope < 1:
        return _doubt("both", Reason("channels_in_motor_leads"), measured, CURRENTS[1:])
    if far >= MIN_DECIDING_FACTOR and of_sheet is not None:
        # The battery's own response shows on whose side the factor is, where that is far larger than wear.
        if LIKE_SHEET[0] <= of_sheet <= LIKE_SHEET[1]:
            return _doubt("both", channels, measured, CURRENTS[1:], of_sheet)
        if LIKE_SHEET[0] <= of_sheet * slope <= LIKE_SHEET[1]:
            return _doubt("all", battery, measured, CURRENTS[:1], of_sheet)
    else:
        of_sheet = None
    either = Reason("either", first=battery, second=channels)
    if far > NEAR_SCALE:
        return _doubt("all", either, measured, CURRENTS, of_sheet)
    return _doubt("near", either, measured, CURRENTS, of_sheet, (("scale", far - 1),))


def _doubt(
    variant: str,
    cause: Reason,
    measured: Reason,
    channels: tuple[str, ...],
    resistance_of_sheet: float | None = None,
    widths: tuple[tuple[str, float], ...] = (),
) -> Doubt:
    reason = Reason(
        "channels_disagree", "danger", cause=cause, measured=measured, resistance_of_sheet=resistance_of_sheet
    )
    return Doubt(reason, channels, variant, widths)
