"""What the declared errors of one sensor do to a result: noise, steps, the filter before the converter, timing.

Offset and gain are the same in all samples of a run and do not average out; noise and steps do. docs/methods.md,
Uncertainty.
"""

from __future__ import annotations

import math

from amptally.analysis.results.sensor_error import SensorError

CLIPPED_SHARE = 0.99
"""A reading this close to the sensor's full scale may have been cut off there."""
SEEN_SHARE = 0.95
"""A filter is too slow for a peak of which it shows less than this."""


def white_u(sensor: SensorError) -> float:
    """1 σ of one sample from noise and from rounding to a step, LSB/√12 (rectangular law, JCGM 100 4.3.7)."""
    return math.hypot(sensor.noise or 0.0, (sensor.resolution or 0.0) / math.sqrt(12))


def step_u(sensor: SensorError, seen: float) -> float:
    """1 σ of the mean of any number of readings of a steady value, from rounding them to a step.

    `seen`: their standard deviation. Rounding that every sample shares does not average out; noise σ among the samples
    leaves e^(−2π²(σ/LSB)²) of it, the first harmonic of the rounding error, and σ² = seen² − LSB²/12.
    """
    step = sensor.resolution or 0.0
    if not step > 0:
        return 0.0
    noise2 = max(seen**2 - step**2 / 12, 0.0)
    return step / math.sqrt(12) * math.exp(-min(2 * math.pi**2 * noise2 / step**2, 700.0))


def lag_s(corner_hz: float) -> float:
    """Time constant of a first-order filter, τ = 1/(2πf): it delays what changes slowly by that much."""
    return 1.0 / (2.0 * math.pi * corner_hz)


def skew_u_s(current: SensorError, voltage: SensorError) -> float | None:
    """1 σ of the time between a current and a voltage reading [s]; None where nothing about it is declared.

    Filters of two corners delay by different times. Whether the `delay_s` of the machine file holds that difference is
    not known: it counts as a rectangular doubt, difference/√3 (JCGM 100 4.3.7), beside both `delay_u`.
    """
    found = [term for term in (current.delay_u, voltage.delay_u) if term is not None]
    if current.bandwidth_hz and voltage.bandwidth_hz:
        found.append(abs(lag_s(current.bandwidth_hz) - lag_s(voltage.bandwidth_hz)) / math.sqrt(3))
    return math.hypot(*found) if found else None


def pulse_seen(window_s: float, corner_hz: float) -> float:
    """Share, 0 to 1, of its RMS that is left of a rectangular pulse as long as the window behind a first-order filter.

    With u = t/τ and a = T/τ the filter answers 1 − e^(−u) up to a and p e^(−(u−a)) after it, p = 1 − e^(−a). The window
    of the pulse's length that holds most starts at x = ln(1 + p), where it answers alike at both ends; its squares
    sum to (a − x) − 2 (e^(−x) − e^(−a)) + ½ (e^(−2x) − e^(−2a)) + ½ p² (1 − e^(−2x)). Long windows lose about 0.6 τ/T.
    """
    a = window_s / lag_s(corner_hz)
    if a > 1e6:
        return 1.0
    p = -math.expm1(-a)
    x = math.log1p(p)
    held = (
        (a - x)
        - 2 * (math.exp(-x) - math.exp(-a))
        + (math.exp(-2 * x) - math.exp(-2 * a)) / 2
        + p**2 * -math.expm1(-2 * x) / 2
    )
    return math.sqrt(min(max(held / a, 0.0), 1.0))


def hides_peaks(interval_s: float, corner_hz: float | None) -> bool:
    """Whether a peak as short as the sample interval shows less than 95 % behind the filter: 1 − e^(−T/τ) < 0.95."""
    return corner_hz is not None and -math.expm1(-interval_s / lag_s(corner_hz)) < SEEN_SHARE


def near_zero(sensor: SensorError) -> float:
    """Readings smaller than this, 3 σ, may have either sign by noise alone."""
    return 3 * white_u(sensor)


def rectified(sensor: SensorError, near_s: float) -> float:
    """How much noise alone may have added to the positive part of an integral, and as much to the negative [A s].

    Around zero the noise of single samples counts as flow out and back: E max(x, 0) of a normal x with mean 0 is
    σ/√(2π), less for any other mean. It is taken for all the time `near_zero`. The net is not moved.
    """
    return near_s * white_u(sensor) / math.sqrt(2 * math.pi)
