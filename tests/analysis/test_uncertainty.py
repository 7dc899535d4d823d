"""Results of whole sampled runs against a library that follows every variable, and coverage where noise is one-sided.

The oracle is the package `uncertainties`: each sensor has one gain and one offset for all of its samples, so that they
do not average out, and each sample its own noise (JCGM 100, 5.1.2 and 5.2.2).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from uncertainties import UFloat, ufloat, umath

from amptally.analysis.exposure.exposure import CurrentError, Exposure
from amptally.analysis.forecast.ledger import _sum
from amptally.analysis.integrals.energy import charge_estimates, energy_estimates
from amptally.analysis.laps.per_charge import charge_of_a_lap, laps_in
from amptally.analysis.protection.fuse import assess_fuse
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.report.build import build_report
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, estimate
from amptally.analysis.runs.run import Run, SensorError, Series
from tests.analysis.build_runs import CART, sides, write_run

CURRENT = SensorError(offset_u=0.05, gain_u=0.01, noise=0.2, resolution=0.1)
VOLTAGE = SensorError(offset_u=0.02, gain_u=0.004, noise=0.01)
TIME_S = np.array([0.0, 1.0, 1.5, 3.0, 3.5, 5.0, 6.0, 8.0, 8.5, 10.0])
AMPS = np.array([10.0, 12.0, 15.0, 30.0, 28.0, 22.0, 20.0, 14.0, 12.0, 11.0])
VOLTS = np.array([25.0, 24.9, 24.8, 24.2, 24.3, 24.5, 24.6, 24.8, 24.9, 24.9])


def u_of(result: Estimate) -> float:
    low, _, high = sides(result)
    return (high - low) / 2 / COVERAGE_FACTOR


def of_terms(result: Estimate, *names: str) -> float:
    """Root sum of squares of the named terms: what the oracle below knows of."""
    return math.hypot(*(term.u or 0.0 for term in result.terms if term.name in names))


def read(values: np.ndarray, sensor: SensorError) -> list[UFloat]:
    """Samples with one gain, one offset and each its own noise and rounding."""
    gain, offset = ufloat(1, sensor.gain_u or 0.0), ufloat(0, sensor.offset_u or 0.0)
    white = math.hypot(sensor.noise or 0.0, (sensor.resolution or 0.0) / math.sqrt(12))
    return [gain * (float(value) + ufloat(0, white)) + offset for value in values]


def integral(values: list[UFloat]) -> UFloat:
    steps = np.diff(TIME_S)
    return sum(0.5 * (a + b) * float(dt) for a, b, dt in zip(values[:-1], values[1:], steps, strict=True)) / 3600


def series(values: np.ndarray) -> Series:
    return Series(TIME_S, values, np.zeros(len(TIME_S) - 1, bool))


SENSOR_TERMS = ("current gain", "current offset", "voltage gain", "voltage offset", "noise and resolution")


def test_charge_of_samples_that_share_gain_and_offset() -> None:
    oracle = integral(read(AMPS, CURRENT))
    for net in charge_estimates(series(AMPS), CURRENT)[::2]:
        assert net.value == pytest.approx(oracle.nominal_value, rel=1e-12)
        assert of_terms(net, *SENSOR_TERMS) == pytest.approx(oracle.std_dev, rel=1e-9)
    # As if every sample erred by itself, it would come out less than half as wide.
    white = math.hypot(0.2, 0.1 / math.sqrt(12))
    alone = integral([float(a) + ufloat(0, math.hypot(white, 0.05, 0.01 * float(a))) for a in AMPS])
    assert alone.std_dev < 0.5 * oracle.std_dev


def test_energy_of_samples_that_share_gains_and_offsets() -> None:
    amps, volts = read(AMPS, CURRENT), read(VOLTS, VOLTAGE)
    oracle = integral([a * v for a, v in zip(amps, volts, strict=True)])
    net = energy_estimates(series(AMPS), series(VOLTS), CURRENT, VOLTAGE)[2]
    assert net.value == pytest.approx(oracle.nominal_value, rel=1e-12)
    assert of_terms(net, *SENSOR_TERMS) == pytest.approx(oracle.std_dev, rel=1e-3)
    power = energy_estimates(series(AMPS), series(VOLTS), CURRENT, VOLTAGE)[3]
    assert of_terms(power, *SENSOR_TERMS) == pytest.approx(oracle.std_dev * 3600 / 10, rel=1e-3)


def test_skew_moves_the_energy_as_a_shifted_current_does() -> None:
    # 150 and 120 Hz without delay_u: 0.1531 ms (test_sensor_terms.py). The oracle shifts the current by so much.
    current, voltage = SensorError(bandwidth_hz=150.0), SensorError(bandwidth_hz=120.0)
    time_s = np.linspace(0, 10, 20_001)
    amps, volts = 20 + 15 * np.sin(3 * time_s), 25 - 0.5 * np.sin(3 * time_s - 0.4)
    flat = np.zeros(20_000, bool)
    net = energy_estimates(Series(time_s, amps, flat), Series(time_s, volts, flat), current, voltage)[2]
    late = 20 + 15 * np.sin(3 * (time_s - 0.1531e-3))
    shifted = float(np.trapezoid((amps - late) * volts, time_s)) / 3600
    assert of_terms(net, "skew of current against voltage") == pytest.approx(abs(shifted), rel=0.01)


def test_block_imbalance_of_two_voltages_of_their_own_sensors(tmp_path: Path) -> None:
    declared = (
        "[sensors.midpoint_voltage]\noffset_u = 0.004\ngain_u = 0.001\n"
        "[sensors.battery_voltage]\noffset_u = 0.006\ngain_u = 0.001\n"
    )
    time_s = np.arange(0, 20, 0.05)
    amps = np.where(time_s < 10, 0.0, 20.0)
    channels = {"battery_current_a": amps, "battery_voltage_v": 25.4 - 0.02 * amps, "midpoint_voltage_v": 12.8}
    report = build_report(Run.open(write_run(tmp_path / "run.parquet", time_s, channels, machine=CART + declared)))
    middle = 12.8 * ufloat(1, 0.001) + ufloat(0, 0.004)
    whole = 25.4 * ufloat(1, 0.001) + ufloat(0, 0.006)
    oracle = 2 * middle - whole
    assert report.sag.block_imbalance_v.value == pytest.approx(oracle.nominal_value, abs=1e-6)
    assert u_of(report.sag.block_imbalance_v) == pytest.approx(oracle.std_dev, rel=1e-3)
    # The drop of one sensor: its offset cancels, its gain acts on the drop alone.
    offset, gain = ufloat(0, 0.006), ufloat(1, 0.001)
    drop = (25.4 * gain + offset) - (25.0 * gain + offset)
    assert of_terms(report.sag.worst_sag_v, "voltage gain", "voltage offset") == pytest.approx(drop.std_dev, rel=1e-3)


def test_balance_of_three_currents_unevenly_sampled(tmp_path: Path) -> None:
    # Half of the samples lie in the first tenth of the time, at a small current: gains act on the mean over time.
    time_s = np.concatenate((np.arange(0, 10, 0.02), np.arange(10, 100, 0.18)))
    amps = np.where(time_s < 10, 2.0, 40.0)
    declared = "".join(
        f"[sensors.{lead}_current]\noffset_u = {offset}\ngain_u = {gain}\n"
        for lead, offset, gain in (("battery", 0.05, 0.01), ("left", 0.04, 0.02), ("right", 0.03, 0.005))
    )
    channels = {"battery_current_a": amps, "left_current_a": 0.6 * amps, "right_current_a": 0.4 * amps}
    report = build_report(Run.open(write_run(tmp_path / "run.parquet", time_s, channels, machine=CART + declared)))
    mean_a = float(np.trapezoid(amps, time_s)) / float(time_s[-1])
    battery, left, right = (
        share * mean_a * ufloat(1, gain) + ufloat(0, offset)
        for share, gain, offset in ((1.0, 0.01, 0.05), (0.6, 0.02, 0.04), (0.4, 0.005, 0.03))
    )
    oracle = battery - left - right
    assert report.sag.balance_residual_a.value == pytest.approx(0.0, abs=1e-5)
    assert u_of(report.sag.balance_residual_a) == pytest.approx(oracle.std_dev, rel=2e-3)


def test_the_short_time_margin_of_a_wire_carries_gain_offset_and_noise(tmp_path: Path) -> None:
    time_s = np.arange(0, 60, 0.01)
    declared = "[sensors.left_current]\noffset_u = 0.3\ngain_u = 0.01\nnoise = 0.2\n"
    channels = {"left_current_a": 30.0, "battery_voltage_v": 24.5}
    report = build_report(Run.open(write_run(tmp_path / "run.parquet", time_s, channels, machine=CART + declared)))
    wire, bare = report.paths["left"].wire.adiabatic_margin, 0.02
    assert wire.value is not None
    assert wire.high is not None
    # 30 A: gain and zero 0.3 A each, with 2 % of the copper area: 2.45 %. Noise of 0.2 A, averaged, adds a little.
    steady, single = (math.hypot(math.hypot(0.3, 0.3, noise_a) / 30, bare) for noise_a in (0.0, 0.2))
    assert 1.96 * steady < (wire.high - wire.value) / wire.value < 1.96 * single


def test_a_fuse_margin_of_a_steady_current() -> None:
    # 54 A for 50 s on a 40 A blade of type E; the oracle takes the RMS of samples with one gain and zero.
    time_s = np.arange(0, 50.001, 0.02)
    exposure = Exposure.prepare(time_s, np.full(len(time_s), 54.0), np.zeros(len(time_s) - 1, bool))
    spec = FuseSpec("left", "blade_large", 40, ambient_c=20, position="supply_leg", sensed="supply_leg")
    margin = assess_fuse(spec, exposure, CurrentError(0.01, 0.05), 100.0).margin
    gain, offset = ufloat(1, 0.01), ufloat(0, 0.05)
    rms = umath.sqrt(sum((54.0 * gain + offset) ** 2 for _ in range(10)) / 10)
    assert margin.value is not None
    oracle = margin.value * 54.0 / rms
    # The high end is the sensor's alone; below, what the rows leave open comes on top.
    assert margin.high is not None
    assert (margin.high - margin.value) / 1.96 == pytest.approx(oracle.std_dev, rel=0.03)
    (promise,) = (reason["margin"] for reason in margin.reasons if reason.code == "rows_promise")
    assert isinstance(promise, float)
    assert margin.low == pytest.approx(promise / (1 + 1.96 * math.hypot(0.54, 0.05) / 54), rel=1e-4)
    named = {term.name: term.u for term in margin.terms}
    assert named["sensor gain"] == pytest.approx(-0.01 * margin.value, rel=1e-3)
    assert set(named) >= {"sensor offset", "what the rows leave open"}


def test_laps_of_a_charge_counted_by_the_same_sensor() -> None:
    # 20 Ah left by count: 30 Ah less 10 Ah drawn; 100 like laps of 0.5 Ah. The gain of 2 % is one and the same.
    laps = np.full(100, 0.5)
    gain = ufloat(1, 0.02)
    left = estimate(20.0, "Ah", {"current gain": -0.02 * 10.0})
    result = laps_in(left, laps, 0.02, 0.0)
    oracle = (30 - 10 * gain) / (0.5 * gain)
    assert result.value == pytest.approx(oracle.nominal_value)
    assert of_terms(result, "current gain") == pytest.approx(oracle.std_dev, rel=0.01)
    # Taken as independent it would be too narrow by a quarter: √(1 + 0.25) for 1.5.
    assert math.hypot(0.02 * 10 / 20, 0.02) * 40 < 0.76 * oracle.std_dev
    assert of_terms(charge_of_a_lap(laps, 40.0, 0.02, 0.0), "current gain") == pytest.approx(0.01)


def test_charges_of_several_runs_of_one_sensor_add_their_errors() -> None:
    gain, offset = ufloat(1, 0.01), ufloat(0, 0.05)
    parts, oracle = [], 0
    for scale in (1.0, 2.0, 0.5):
        parts.append(charge_estimates(series(scale * AMPS), SensorError(offset_u=0.05, gain_u=0.01))[2])
        oracle += integral([scale * float(a) * gain + offset for a in AMPS])
    total = _sum(parts)
    assert total.value == pytest.approx(oracle.nominal_value)
    # Sides add, which is exact for one source and on the safe side for two with sampling beside them.
    assert oracle.std_dev <= u_of(total) <= 1.5 * oracle.std_dev + sum(of_terms(part, "sampling") for part in parts)


# Noise around zero: E max(x, 0) = σ/√(2π) for a normal x. An idle hour with 0.5 A of noise reads 0.2 Ah out and 0.2 Ah
# back, though nothing flowed.
@pytest.mark.parametrize("level_a", [0.0, 0.3, -0.2])
def test_noise_that_counts_as_flow_both_ways_is_in_the_interval(level_a: float) -> None:
    held = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        time_s = np.arange(0, 600, 0.1)
        seen = Series(time_s, level_a + 0.5 * rng.standard_normal(len(time_s)), np.zeros(len(time_s) - 1, bool))
        out, back, net = charge_estimates(seen, SensorError(offset_u=0.0, gain_u=0.0, noise=0.5))
        truth = level_a * 599.9 / 3600
        true = (max(truth, 0), max(-truth, 0), truth)
        held += all(
            low <= each <= high for (low, _, high), each in zip(map(sides, (out, back, net)), true, strict=True)
        )
    assert held >= 38
