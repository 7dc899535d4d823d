"""Thermal memory: rows kept exactly, standard curves of one time constant, and never above what the rows promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.peak_rise import peak_rise
from amptally.analysis.protection.thermal_memory import (
    Network,
    Rows,
    fitted_network,
    guaranteed_rise,
)
from amptally.tables.fuse_families import FAMILIES
from amptally.tables.wire_resistance import resistance_ohm
from tests.analysis.thermal_twin import guaranteed_current, mean_heating
from tests.analysis.thermal_twin import rise as rise_of

LARGE_BLADE: Rows = ((0.04, 6.0), (0.2, 3.5), (2.0, 2.0), (60.0, 1.35), (360_000.0, 1.0))
"""ISO 8820-3 type E, earliest openings, second-hand (../shared/references.md section 1)."""


def rows_of(family: str) -> list[Rows]:
    """The earliest openings of every table of a family."""
    return [
        tuple((row.shortest_s, row.percent / 100) for row in reversed(table.rows) if row.shortest_s is not None)
        for table in FAMILIES[family].tables
    ]


def time_to_limit(network: Network, multiple: float, preload: float = 0.0) -> float:
    """Time at which a steady current reaches the limit, after a steady preload, both as multiples of the rating."""
    low, high = 0.0, 1e7
    for _ in range(200):
        middle = 0.5 * (low + high)
        times_s = np.array([0.0, middle])
        rise = rise_of(network, times_s, np.array([multiple**2]), preload**2)[-1]
        low, high = (middle, high) if rise < 1 else (low, middle)
    return high


def windows(heating: np.ndarray, step_s: float, lengths_s: list[float]) -> list[float]:
    """H(L) of evenly spaced heating, the slow way: every window, whole intervals."""
    run = np.concatenate(([0.0], np.cumsum(heating * step_s)))
    found = []
    for length_s in lengths_s:
        width = min(max(math.ceil(length_s / step_s - 1e-9), 1), len(heating))
        found.append(float((run[width:] - run[:-width]).max()))
    return found


# IEC 60255-149 (formerly 60255-8), cold curve as printed in public manuals of thermal relays, second-hand:
# t = τ ln(I²/(I² − 1)); τ 1800 s (TM1).
@pytest.mark.parametrize(("multiple", "seconds"), [(1.2, 2134.1), (2.0, 517.83), (6.0, 50.708)])
def test_one_time_constant_from_cold(multiple: float, seconds: float) -> None:
    assert time_to_limit(Network.single(1800.0), multiple) == pytest.approx(seconds, rel=1e-4)
    assert Network.single(1800.0).allowed(seconds) == pytest.approx(multiple, rel=1e-4)


# IEC 60255-149, hot curve, the same source: t = τ ln((I² − Ip²)/(I² − 1)), preload Ip 0.9 (TM2).
@pytest.mark.parametrize(("multiple", "seconds"), [(1.2, 646.10), (2.0, 110.54)])
def test_one_time_constant_from_warm(multiple: float, seconds: float) -> None:
    assert time_to_limit(Network.single(1800.0), multiple, preload=0.9) == pytest.approx(seconds, rel=1e-4)
    time_s = np.linspace(0, seconds, 50)
    steady = Exposure.from_interval_rms(time_s, np.full(50, multiple), np.zeros(49, bool))
    assert peak_rise(steady, Network.single(1800.0), 0.9).rise_a2 == pytest.approx(1.0, rel=1e-4)


def test_largest_rms_alone_flatters_by_up_to_pi_squared_over_six() -> None:
    """TM3: a heating that just meets the limit 1/√(1 − e^(−T/τ)) in every window, yet rises to π²/6 (integral of
    x/(eˣ − 1), own arithmetic)."""
    constant_s, end_s = 1.0, 40.0
    before_s = np.geomspace(1e-7, end_s, 400_001)
    allowed_heat = before_s / -np.expm1(-before_s / constant_s)
    edges_s = np.concatenate(([0.0], before_s))
    heat = np.diff(np.concatenate(([constant_s], allowed_heat)))  # H(0+) = τ: an impulse, put into the first interval
    heat[0] += constant_s
    times_s = end_s - edges_s[::-1]
    heating = (heat / np.diff(edges_s))[::-1]
    rise = rise_of(Network.single(constant_s), times_s, heating)
    assert rise[-1] == pytest.approx(math.pi**2 / 6, rel=1e-3)


@pytest.mark.parametrize(("time_s", "multiple"), LARGE_BLADE)
def test_a_row_held_for_its_time_is_exactly_the_limit(time_s: float, multiple: float) -> None:
    """TM4: in the linear program to rounding; the network within 2 %, as it is meant."""
    lengths_s = [row_s for row_s, _ in LARGE_BLADE if row_s <= time_s]
    assert guaranteed_rise(LARGE_BLADE, lengths_s, [multiple**2 * length for length in lengths_s]) == pytest.approx(
        1.0, abs=1e-9
    )
    assert multiple**2 * fitted_network(LARGE_BLADE).step(time_s) == pytest.approx(1.0, abs=0.02)


# TM5: max over rows of (next row's current, own current × √(T_row/T)), ../shared/references.md section 13.
@pytest.mark.parametrize(("seconds", "multiple"), [(0.5, 2.2136), (1.0, 2.0), (10.0, 1.35), (109.35, 1.0)])
def test_what_the_rows_promise_for_a_steady_current(seconds: float, multiple: float) -> None:
    assert guaranteed_current(LARGE_BLADE, seconds) == pytest.approx(multiple, rel=1e-3)


# TM6, TM7: copper's heat capacity 3.45e6 J/m³K and resistance at 105 °C, ampacity of 33 CFR 183.425 in 30 °C.
@pytest.mark.parametrize(("area_mm2", "amps", "constant_s"), [(5.261, 60.0, 86.5), (13.30, 120.0, 138.2)])
def test_time_constant_of_a_wire(area_mm2: float, amps: float, constant_s: float) -> None:
    ohm_per_m = resistance_ohm(area_mm2, 1.0, 105.0)
    assert 3.45e6 * area_mm2 * 1e-6 * (105 - 30) / (amps**2 * ohm_per_m) == pytest.approx(constant_s, rel=0.01)


# TM6: currents that bring 10 AWG, 105 °C insulation, from 30 °C to its limit; own arithmetic on the same values.
@pytest.mark.parametrize(("seconds", "amps"), [(1, 559.6), (5, 253.2), (20, 132.1), (60, 84.8), (120, 69.3)])
def test_a_wire_carries_more_for_a_while(seconds: float, amps: float) -> None:
    assert 60.0 * Network.single(86.5).allowed(seconds) == pytest.approx(amps, rel=0.01)
    assert (120 / 60) ** 2 * Network.single(86.5).step(120) == pytest.approx(3.0, rel=0.01)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_row_is_passed_and_the_rows_promise_less_than_the_network(family: str) -> None:
    for rows in rows_of(family):
        network = fitted_network(rows)
        for place, (time_s, multiple) in enumerate(rows):
            # A rise that is concave from 0 cannot pass through a row beyond the line through an earlier one.
            reachable = min(multiple**2 / earlier**2 * time_s / early_s for early_s, earlier in rows[: place + 1])
            share = multiple**2 * network.step(time_s)
            assert 0.8 * reachable <= share <= 1 + 1e-9, f"{family}: {multiple}"
            assert guaranteed_current(rows, time_s) <= network.allowed(time_s) * (1 + 1e-9)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_the_latest_opening_is_reached_at_every_row(family: str) -> None:
    for table in FAMILIES[family].tables:
        rows = tuple((row.longest_s, row.percent / 100) for row in reversed(table.rows) if row.longest_s is not None)
        network = fitted_network(rows, latest=True)
        for time_s, multiple in rows:
            assert 1 - 1e-9 <= multiple**2 * network.step(time_s) <= 1.4, f"{family}: {multiple}"
        # Below the last row's current nothing says that it ever opens.
        assert rows[-1][1] ** 2 * network.step(1e9) <= 1.01


@given(
    st.lists(st.floats(0.0, 36.0), min_size=1, max_size=60),
    st.sampled_from([0.01, 0.05, 0.3, 2.0]),
    st.floats(0.0, 0.9),
)
def test_rise_is_the_convolution_and_never_above_the_bound(heat: list[float], step_s: float, initial: float) -> None:
    """The slow way: each interval's share of the rise at the end, one by one."""
    network, heating = fitted_network(LARGE_BLADE), np.array(heat)
    times_s = np.arange(len(heat) + 1) * step_s
    rise = rise_of(network, times_s, heating, initial)
    for at in {1, len(heat) // 2, len(heat)} - {0}:
        slow = sum(
            q * (network.step(times_s[at] - times_s[n]) - network.step(times_s[at] - times_s[n + 1]))
            for n, q in enumerate(heat[:at])
        )
        slow += initial * (sum(network.shares) - network.step(times_s[at]))
        assert rise[at] == pytest.approx(slow, rel=1e-9, abs=1e-12)
    if initial == 0:
        lengths_s = sorted({*times_s[1:].tolist(), *(time for time, _ in LARGE_BLADE if time < times_s[-1])})
        bound = guaranteed_rise(LARGE_BLADE, lengths_s, windows(heating, step_s, lengths_s))
        assert rise.max() <= bound * (1 + 1e-9) + 1e-12


@given(
    st.lists(st.tuples(st.floats(0.001, 500.0), st.floats(0.0, 9.0)), min_size=1, max_size=40), st.integers(0, 10**6)
)
def test_uneven_times_give_the_same_as_one_by_one(intervals: list[tuple[float, float]], start: int) -> None:
    times_s = start + np.concatenate(([0.0], np.cumsum([step for step, _ in intervals])))
    steps_s, heating = np.diff(times_s), np.array([q for _, q in intervals])
    for constant_s in (0.01, 1.0, 86.5, 3600.0):
        value, expected = 0.25, [0.25]
        for step, q in zip(steps_s.tolist(), heating.tolist(), strict=True):
            value = q + (value - q) * math.exp(-step / constant_s)
            expected.append(value)
        assert rise_of(Network.single(constant_s), times_s, heating, 0.25) == pytest.approx(
            expected, rel=1e-6, abs=1e-9
        )


def test_preload_repeated_pulses_and_cooling_count() -> None:
    network = fitted_network(LARGE_BLADE)
    times_s = np.arange(0, 1000, 0.01)

    def top(current: np.ndarray) -> float:
        return float(rise_of(network, times_s, mean_heating(current, np.zeros(len(times_s) - 1, bool), 40.0)).max())

    pulse = np.where((times_s >= 900) & (times_s < 900.5), 88.0, 0.0)
    loaded = np.where(pulse > 0, pulse, 29.5)
    twice = pulse + np.where((times_s >= 902) & (times_s < 902.5), 88.0, 0.0)
    late = pulse + np.where((times_s >= 950) & (times_s < 950.5), 88.0, 0.0)
    assert top(loaded) > 1.3 * top(pulse)
    assert top(pulse) < top(late) < top(twice)


def test_heating_between_samples_and_across_gaps() -> None:
    heating = mean_heating(np.array([0.0, 30.0, 30.0]), np.array([False, True]), 10.0, across_gaps_a=20.0)
    assert heating == pytest.approx([3.0, 4.0])  # a line from 0: a third of the square at its end


@pytest.mark.parametrize("rows", [((1.0, 2.0),), ((1.0, 2.0), (0.5, 3.0)), ((1.0, 2.0), (2.0, 2.0))])
def test_rows_that_make_no_curve_are_refused(rows: Rows) -> None:
    with pytest.raises(ValueError, match="rising times"):
        fitted_network(rows)
