"""Steps, filters and timing of a sensor; against published values and a filter run step by step."""

from __future__ import annotations

import math

import numpy as np
import pytest

from amptally.analysis.results.sensor_terms import hides_peaks, lag_s, pulse_seen, skew_u_s, step_u, white_u
from amptally.analysis.runs.run import SensorError


# references UN4: 12 bit over 100 A, LSB 24.414 mA, u 7.048 mA; 10 bit over 30 V, 29.297 mV, 8.457 mV. Arithmetic on the
# rectangular law of JCGM 100, 4.3.7 (from memory).
@pytest.mark.parametrize(("bits", "span", "u"), [(12, 100.0, 7.048e-3), (10, 30.0, 8.457e-3)])
def test_steps_of_a_converter(bits: int, span: float, u: float) -> None:
    assert white_u(SensorError(resolution=span / 2**bits)) == pytest.approx(u, rel=1e-3)
    assert white_u(SensorError(noise=3 * u, resolution=span / 2**bits)) == pytest.approx(math.sqrt(10) * u, rel=1e-3)
    assert white_u(SensorError()) == 0.0


def filtered(value: np.ndarray, step_s: float, corner_hz: float) -> np.ndarray:
    """A first-order filter, one step after the other."""
    keep = math.exp(-step_s * 2 * math.pi * corner_hz)
    out = np.empty_like(value)
    state = 0.0
    for place, each in enumerate(value):
        state = keep * state + (1 - keep) * each
        out[place] = state
    return out


def test_a_filter_delays_a_ramp_by_its_time_constant() -> None:
    # 159.155 Hz: 1.0000 ms. After many time constants a ramp comes out late by τ, less half a step of this sum.
    step_s, corner_hz = 1e-5, 159.155
    time_s = np.arange(4000) * step_s
    late = time_s[-1] - filtered(time_s, step_s, corner_hz)[-1]
    assert lag_s(corner_hz) == pytest.approx(1e-3, rel=1e-5)
    assert late == pytest.approx(lag_s(corner_hz), abs=step_s)


@pytest.mark.parametrize("window_s", [0.001, 0.004, 0.02, 0.1])
def test_share_of_a_pulse_behind_a_filter_is_that_of_a_plain_simulation(window_s: float) -> None:
    step_s, corner_hz = 2e-5, 150.0
    count = round(window_s / step_s)
    pulse = np.concatenate((np.zeros(10), np.ones(count), np.zeros(count + 2000)))
    squares = np.concatenate(([0.0], np.cumsum(filtered(pulse, step_s, corner_hz) ** 2)))
    worst = math.sqrt(float((squares[count:] - squares[:-count]).max()) / count)
    assert pulse_seen(window_s, corner_hz) == pytest.approx(worst, rel=0.01)


def test_long_windows_lose_little() -> None:
    # 0.6 τ/T: see pulse_seen; 1.19/2 = 0.596 follows from ln 2 + 1 − 1/8 − 3/8.
    assert 1 - pulse_seen(0.1, 150.0) == pytest.approx(0.5 * (math.log(2) + 0.5) * lag_s(150.0) / 0.1, rel=0.02)
    assert pulse_seen(600.0, 150.0) == pytest.approx(1.0, abs=1e-5)
    assert pulse_seen(1e9, 1e7) == 1.0


def test_peaks_of_one_interval_need_three_time_constants() -> None:
    # 1 − e^(−3) = 0.9502
    assert not hides_peaks(3.0 * lag_s(100.0), 100.0)
    assert hides_peaks(2.9 * lag_s(100.0), 100.0)
    assert not hides_peaks(0.002, None)


def test_skew_holds_both_delays_and_what_two_filters_differ_by() -> None:
    # 150 and 120 Hz: 1.0610 and 1.3263 ms; their difference 0.2653 ms as a rectangular doubt is 0.1531 ms.
    current, voltage = SensorError(bandwidth_hz=150.0), SensorError(bandwidth_hz=120.0)
    assert skew_u_s(current, voltage) == pytest.approx(0.1531e-3, rel=1e-3)
    both = skew_u_s(SensorError(delay_u=1e-4, bandwidth_hz=150.0), SensorError(delay_u=1e-4, bandwidth_hz=120.0))
    assert both == pytest.approx(math.hypot(0.1531e-3, 1e-4, 1e-4), rel=1e-3)
    assert skew_u_s(SensorError(delay_u=1e-4), voltage) == pytest.approx(1e-4)
    assert skew_u_s(current, SensorError()) is None
    assert skew_u_s(current, current) == 0.0


# Steps of 1 with noise σ in many readings: what of the rounding error is left in the mean, over all places in a step.
@pytest.mark.parametrize(("noise", "most"), [(0.0, 1.01), (0.2, 2.0), (0.3, 2.5), (1.0, None)])
def test_rounding_of_a_steady_value_averages_out_as_far_as_noise_lets_it(noise: float, most: float | None) -> None:
    rng = np.random.default_rng(7)
    places = np.linspace(0, 1, 200, endpoint=False)
    readings = np.rint(places[:, None] + noise * rng.standard_normal((200, 20_000)))
    left = float(np.sqrt(np.mean((readings.mean(axis=1) - places) ** 2)))
    foretold = float(np.mean([step_u(SensorError(resolution=1.0), float(np.std(row))) for row in readings]))
    if most is None:
        # 0.01 is the noise of the means themselves, 1/√20000 and a little.
        assert foretold < 1e-6
        assert left < 0.01
    else:
        # Never less than what is left; more where the readings happen to fall on few steps.
        assert 0.999 * left <= foretold <= most * left
    assert step_u(SensorError(), 0.0) == 0.0
    assert step_u(SensorError(resolution=1e-9), 1e9) < 1e-300
