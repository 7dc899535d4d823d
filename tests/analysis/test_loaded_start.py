"""The highest rise after a current that flowed before the run: the hot curve of relays, and a slow twin."""

from __future__ import annotations

import math

import numpy as np
import pytest

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.peak_rise import peak_rise
from amptally.analysis.protection.thermal_memory import Network
from amptally.analysis.signals.series import Floats

TAU_S = 86.5
T_S = np.arange(0, 400, 0.1)


def exposure(amps: Floats, t_s: Floats = T_S, gap_s: float = 1.0) -> Exposure:
    return Exposure.from_interval_rms(t_s, amps, np.diff(t_s) > gap_s)


# IEC 60255-149 (formerly 60255-8), as printed in public manuals of thermal relays: cold θ = I²(1 − e^(−t/τ)), hot
# θ = Ip² + (I² − Ip²)(1 − e^(−t/τ)); references TM1, TM2
@pytest.mark.parametrize("before_a", [0.0, 40.0, 150.0])
def test_a_step_follows_the_cold_and_the_hot_curve(before_a: float) -> None:
    found = peak_rise(exposure(np.where(T_S <= 120, 120.0, 0.0)), Network.single(TAU_S), before_a)
    end = before_a**2 + (120.0**2 - before_a**2) * -math.expm1(-120 / TAU_S)
    # A wire that cools from more than the step gives was hottest at its start.
    assert found.rise_a2 == pytest.approx(max(end, before_a**2), rel=1e-4)
    assert found.axis_s == pytest.approx(0.0 if before_a > 120 else 120.0, abs=0.11)


def slow_twin(t_s: Floats, amps: Floats, network: Network, before_a: float, gap_s: float) -> float:
    states = [before_a**2] * len(network.shares)
    highest = sum(network.shares) * before_a**2
    for k in range(len(t_s) - 1):
        step_s = t_s[k + 1] - t_s[k]
        heat = 0.0 if step_s > gap_s else amps[k + 1] ** 2
        states = [
            heat + (state - heat) * math.exp(-step_s / constant_s)
            for state, constant_s in zip(states, network.constants_s, strict=True)
        ]
        highest = max(highest, sum(share * state for share, state in zip(network.shares, states, strict=True)))
    return highest


@pytest.mark.parametrize("network", [Network.single(TAU_S), Network((0.3, 0.7), (0.05, 60.0))])
@pytest.mark.parametrize("before_a", [0.0, 60.0, 88.0])
def test_gaps_and_uneven_samples_agree_with_the_slow_twin(network: Network, before_a: float) -> None:
    generator = np.random.default_rng(7)
    t_s = np.cumsum(generator.choice([0.1, 0.1, 0.1, 0.13, 25.0, 40.0], 3000, p=[0.4, 0.3, 0.2, 0.09, 0.005, 0.005]))
    amps = generator.uniform(0, 90, len(t_s))
    found = peak_rise(exposure(amps, t_s), network, before_a)
    assert found.rise_a2 == pytest.approx(slow_twin(t_s, amps, network, before_a, 1.0), rel=4e-3)
