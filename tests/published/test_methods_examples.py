"""Worked examples of docs/methods.md that no other test computes: each number as the page prints it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from amptally.analysis.controller.duty import fuse_rms_a
from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.drive_parts import sheet_constant_s
from amptally.analysis.protection.fuse_curve import rows_of
from amptally.analysis.protection.guarantee import Heat, guaranteed_rise_a2
from amptally.analysis.protection.peak_rise import peak_rise
from amptally.analysis.protection.stall import stall_opens_s
from amptally.analysis.protection.thermal_memory import Network, fitted_network
from amptally.tables.battery_rest_voltage import FULL_TO_NOMINAL
from amptally.tables.fuse_breaking_capacity import short_circuit
from amptally.tables.fuse_families import FAMILIES

LARGE = FAMILIES["blade_large"].tables[0]
ROWS = rows_of(LARGE, "earliest")


def test_thermal_memory_two_pulses() -> None:
    network = fitted_network(ROWS)
    assert network.step(1.0) == pytest.approx(0.191, abs=5e-4)
    assert 2.25 * network.step(1.0) == pytest.approx(0.429, abs=5e-4)
    assert 2.25 * (network.step(4.0) - network.step(3.0)) == pytest.approx(0.044, abs=5e-4)
    time_s = np.arange(0, 10.0005, 0.001)
    twice = np.where((time_s <= 1) | ((time_s > 3) & (time_s <= 4)), 60.0, 0.0)
    for amps, rise in ((twice, 0.473), (np.where(time_s <= 1, 60.0, 0.0), 0.429)):
        exposure = Exposure.from_interval_rms(time_s, amps, np.zeros(len(time_s) - 1, bool))
        assert peak_rise(exposure, network).rise_a2 / 40**2 == pytest.approx(rise, abs=5e-4)
        assert guaranteed_rise_a2(ROWS, Heat.of(exposure), [1, 2, 4, 10]) / 40**2 == pytest.approx(0.5625, rel=1e-6)
        assert exposure.worst(1.0).rms_a == pytest.approx(60)


def test_duty_at_half_stick() -> None:
    # 40 A at d = 0.5: 20 A behind the capacitors, √0.5 · 40 = 28.3 A before them.
    found = [float(fuse_rms_a(np.array([40.0]), np.array([0.5]), share)[0]) for share in (0.0, 1.0)]
    assert found == [pytest.approx(20.0), pytest.approx(28.3, abs=0.05)]


def test_ripple_of_a_pulse_train() -> None:
    # 60 A at duty 0.3: RMS 32.9 A, 1.83 times the mean.
    rms_a = float(fuse_rms_a(np.array([60.0]), np.array([0.3]), 1.0)[0])
    assert rms_a == pytest.approx(32.9, abs=0.05)
    assert rms_a / 18 == pytest.approx(1.83, abs=0.005)


def test_breaking_capacity_of_the_demo() -> None:
    measured = short_circuit(FAMILIES["blade_large"], 25.80, 0.01514, high_v=25.86, low_ohm=0.01436)
    assert (measured.likely_a, measured.high_a) == (pytest.approx(1704, abs=0.5), pytest.approx(1801, abs=0.5))
    sheet = short_circuit(FAMILIES["blade_large"], 24.0, 0.025, high_v=FULL_TO_NOMINAL * 24.0, low_ohm=0.025)
    assert (sheet.likely_a, sheet.high_a) == (pytest.approx(960), pytest.approx(1056))


def test_a_stall_and_a_motor_of_the_page_on_ratings() -> None:
    opens_s = stall_opens_s(LARGE, 40.0, 40.0, 170.0)
    assert opens_s is not None
    assert opens_s == (pytest.approx(0.1, abs=0.05), pytest.approx(3.5, abs=0.05))
    assert stall_opens_s(LARGE, 40.0, 40.0, 40.0) is None
    assert sheet_constant_s(27.0, 80.0, 60.0) == pytest.approx(496, abs=0.5)


def test_wire_120_A_for_120_s() -> None:
    # τ 86.5 s: 3.0 times the rise, margin 0.58
    rise = 4 * Network.single(86.5).step(120.0)
    assert rise == pytest.approx(3.0, abs=0.05)
    assert 1 / math.sqrt(rise) == pytest.approx(0.58, abs=0.005)
