"""Trapezoids across gaps: as far off as such trapezoids are elsewhere, and intervals that hold what flowed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from amptally.analysis.integrals.energy import charge_estimates, energy_estimates
from amptally.analysis.integrals.gap_doubt import bridge_u
from amptally.analysis.runs.run import SensorError, Series
from amptally.analysis.signals.curve_integrals import bridged
from amptally.analysis.signals.gaps import find_gaps
from tests.analysis.build_runs import Floats, sides


def series(time_s: Floats, value: Floats) -> Series:
    return Series(time_s, value, find_gaps(time_s))


def cut_out(time_s: Floats, value: Floats, *gaps_s: tuple[float, float]) -> Series:
    kept = np.ones(len(time_s), bool)
    for begin, end in gaps_s:
        kept &= (time_s <= begin) | (time_s >= end)
    return series(time_s[kept], value[kept])


def stop_and_go(seed: int) -> tuple[Floats, Floats]:
    """Ten minutes of loads of 0 to 60 A, each held for 0.5 to 12 s, softened over 0.2 s; samples every 20 ms."""
    rng = np.random.default_rng(seed)
    ends = np.cumsum(rng.uniform(0.5, 12.0, 400))
    levels = rng.uniform(0, 60, 400) * (rng.random(400) < 0.8)
    time_s = np.arange(0, 600, 0.02)
    steps = levels[np.searchsorted(ends, time_s)]
    return time_s, np.convolve(np.pad(steps, (5, 4), "edge"), np.ones(10) / 10, "valid")


def test_a_steady_current_leaves_no_doubt_about_its_trapezoid() -> None:
    time_s = np.arange(0, 120, 0.1)
    assert bridge_u(cut_out(time_s, np.full(len(time_s), 10.0), (40, 60))) == pytest.approx(0.0, abs=1e-9)
    assert bridge_u(series(time_s, np.sin(time_s))) == 0.0


# A sine of period P: over a gap of half a period from a zero on, the trapezoid is off by ∫ sin = P/π. Over all places
# the integral is (P/π) sin(φ) and the trapezoid 0, so that the root mean square is P/(π √2).
def test_half_a_sine_by_hand() -> None:
    period_s = 8.0
    time_s = np.arange(0, 400, 0.01)
    seen = cut_out(time_s, np.sin(2 * math.pi * time_s / period_s), (100.0, 104.0), (200.0, 204.0))
    assert bridge_u(seen) == pytest.approx(math.sqrt(2) * period_s / (math.pi * math.sqrt(2)), rel=0.05)


def test_a_gap_longer_than_any_stretch_is_judged_by_the_scatter() -> None:
    time_s = np.concatenate((np.arange(0, 10, 0.1), np.arange(50, 60, 0.1)))
    value = np.where(time_s < 5, 10.0, 30.0)
    seen = series(time_s, value)
    gap_s = 50 - float(time_s[99])
    assert bridge_u(seen) == pytest.approx(float(np.std(value)) * gap_s)


@pytest.mark.parametrize("length_s", [2.0, 10.0, 40.0])
def test_what_flowed_in_gaps_is_in_the_interval(length_s: float) -> None:
    held = plain = 0
    widths = []
    for seed in range(60):
        time_s, amps = stop_and_go(seed)
        begins = np.random.default_rng(seed + 1000).uniform(50, 250, 2) + np.array([0, 280])
        seen = cut_out(time_s, amps, *((begin, begin + length_s) for begin in begins))
        assert seen.gap_after.sum() == 2
        truth = float(np.trapezoid(amps, time_s)) / 3600
        low, value, high = sides(charge_estimates(seen, SensorError())[2])
        held += low <= truth <= high
        plain += low <= truth <= value + sum(bridged(seen.time_s, seen.value, seen.gap_after)) / 3600
        widths.append((high - value) * 3600 / (2 * length_s))
        volts = Series(seen.time_s, np.full(len(seen.time_s), 24.0), seen.gap_after)
        energy = energy_estimates(seen, volts, SensorError(), SensorError())[2]
        assert sides(energy)[2] == pytest.approx(24 * high, rel=1e-6)
    assert held >= 55
    # The trapezoids alone hold it about every other time.
    assert plain < 45
    # No more is allowed for than a current that was seen: 60 A.
    assert float(np.median(widths)) < 60
