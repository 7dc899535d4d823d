"""The time constant of a wire against values computed from the same published tables by hand."""

from __future__ import annotations

import pytest

from amptally.analysis.protection.thermal_memory import Network
from amptally.tables.wire_gauge import area_mm2
from amptally.tables.wire_heating import time_constant_s


# TM6, references section 13: 33 CFR 183.425 Table 5, 10 AWG at 105 °C 60 A in 30 °C; 3.45e6 J/m³K; ρ 2.300e-8 Ωm
def test_TM6_ten_gauge() -> None:
    tau_s = time_constant_s(area_mm2(10), 60.0, 105.0, 30.0)
    assert tau_s == pytest.approx(86.5, rel=0.01)
    memory = Network.single(tau_s)
    for time_s, allowed_a in ((1, 559.6), (5, 253.2), (20, 132.1), (60, 84.8), (120, 69.3)):
        assert 60 * memory.allowed(time_s) == pytest.approx(allowed_a, rel=0.01)
    # 120 A for 120 s: 3.0 times the rise
    assert (120 / 60) ** 2 * memory.step(120) == pytest.approx(3.0, rel=0.01)


# TM7: 6 AWG at 105 °C, 120 A: 138.2 s
def test_TM7_six_gauge() -> None:
    assert time_constant_s(area_mm2(6), 120.0, 105.0, 30.0) == pytest.approx(138.2, rel=0.01)


def test_warm_air_changes_no_time_constant_where_the_ampacity_follows_the_root() -> None:
    # √((Tc − Ta)/(Tc − 30)) scales the ampacity, and with it the rise that is left: the ratio stays.
    tau_s = time_constant_s(area_mm2(10), 60.0, 105.0, 30.0)
    assert time_constant_s(area_mm2(10), 60.0 * (60 / 75) ** 0.5, 105.0, 45.0) == pytest.approx(tau_s, rel=1e-9)


def test_a_wire_at_its_limit_already_has_none() -> None:
    with pytest.raises(ValueError, match="from 105 to 105"):
        time_constant_s(5.26, 60.0, 105.0, 105.0)
