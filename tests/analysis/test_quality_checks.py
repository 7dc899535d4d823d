"""Bad data are named, good data are left in peace. Thresholds are the module's own; no source."""

from __future__ import annotations

import numpy as np
import pytest

from amptally.analysis.quality.current_balance import unbalanced_currents
from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.quality.filled_in import filled_in
from amptally.analysis.quality.single_channel import measure_zero_shift
from amptally.analysis.quality.voltage_response import Pair, reversed_current, unresponsive_voltage
from amptally.analysis.runs.run import Series
from amptally.logger.simulator import draw_scenario, simulate
from tests.analysis.build_runs import clipped_peaks_of

N = 6000
TIME_S = np.arange(N) * 0.02
NO_GAPS = np.zeros(N - 1, bool)


def drive(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Left, right and battery current of a made-up drive, in A."""
    rng = np.random.default_rng(seed)
    left, right = (np.repeat(rng.uniform(0, 30, N // 50), 50) + rng.normal(0, 0.2, N) for _ in range(2))
    return left, right, left + right + 0.1 + rng.normal(0, 0.2, N)


def voltage(battery_a: np.ndarray, ohm: float = 0.02) -> np.ndarray:
    return 25.6 - ohm * battery_a + np.random.default_rng(9).normal(0, 0.01, len(battery_a))


def code(doubt: Doubt | None) -> str | None:
    return doubt.code if doubt else None


@pytest.mark.parametrize("seed", range(5))
def test_turned_sign(seed: int) -> None:
    _, _, battery = drive(seed)
    assert reversed_current(Pair(TIME_S, battery, voltage(battery), NO_GAPS)) is None
    assert code(reversed_current(Pair(TIME_S, -battery, voltage(battery), NO_GAPS))) == "current_sign"


@pytest.mark.parametrize("seed", range(5))
def test_voltage_that_does_not_answer(seed: int) -> None:
    _, _, battery = drive(seed)
    assert unresponsive_voltage(Pair(TIME_S, battery, voltage(battery), NO_GAPS)) is None
    assert code(unresponsive_voltage(Pair(TIME_S, battery, np.full(N, 24.0), NO_GAPS))) == "voltage_unanswering"
    assert unresponsive_voltage(Pair(TIME_S, np.full(N, 5.0), np.full(N, 24.0), NO_GAPS)) is None


@pytest.mark.parametrize("seed", range(5))
def test_sum_of_channels(seed: int) -> None:
    left, right, battery = drive(seed)
    assert unbalanced_currents(battery, left, right, 0.01) is None
    assert code(unbalanced_currents(2 * battery, left, right, 0.01)) == "channels_disagree"
    assert code(unbalanced_currents(battery, -left, right, 0.01)) == "channels_disagree"
    assert code(unbalanced_currents(left, battery, right, 0.01)) == "channels_swapped"
    swapped = unbalanced_currents(right, left, battery, 0.01)
    assert swapped is not None
    assert (swapped.code, swapped.reason["lead"]) == ("channels_swapped", "right")


@pytest.mark.parametrize("seed", range(5))
def test_cut_tops(seed: int) -> None:
    _, _, battery = drive(seed)
    assert clipped_peaks_of("battery_current_a", battery) is None
    assert code(clipped_peaks_of("battery_current_a", np.clip(battery, -40, 40))) == "cut_top"
    assert clipped_peaks_of("battery_current_a", np.full(N, 65.0)) is None


@pytest.mark.parametrize("top_a", [17.96, 18.0, 18.04])
def test_a_smooth_peak_in_coarse_steps_is_no_cut_top(top_a: float) -> None:
    """Parabolas read in steps of 0.1 A: many readings at the top, but more than a third as many a step below."""
    smooth = top_a * (1 - (np.arange(N) % 300 / 150 - 1) ** 2)
    assert clipped_peaks_of("battery_current_a", np.round(smooth, 1)) is None
    cut = clipped_peaks_of("battery_current_a", np.round(np.minimum(smooth, 0.8 * top_a), 1))
    assert code(cut) == "cut_top"


def test_filled_in() -> None:
    _, _, battery = drive(1)
    for amps, named in ((np.full(N, 12.0), True), (np.zeros(N), True), (battery, False)):
        found = filled_in("battery_current_a", Pair(TIME_S, amps, voltage(battery), NO_GAPS))
        assert code(found) == ("current_filled_in" if named else None)
    assert filled_in("battery_current_a", Pair(TIME_S, np.full(N, 12.0), np.full(N, 24.0), NO_GAPS)) is None


def test_zero_shift() -> None:
    _, _, battery = drive(2)
    rest = np.random.default_rng(3).normal(0.1, 0.05, 500)
    time_s = np.arange(N + 1000) * 0.02
    still = Series(time_s, np.concatenate((rest, battery, rest)), np.zeros(N + 999, bool))
    assert measure_zero_shift(still, 0.3) is None
    moved = Series(time_s, np.concatenate((rest, battery, rest + 0.9)), np.zeros(N + 999, bool))
    shift = measure_zero_shift(moved, 0.3)
    assert shift is not None
    assert shift.by_a == pytest.approx(0.9, abs=0.02)


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_simulated_drives_are_left_in_peace(seed: int) -> None:
    measured = simulate(seed, scenario=draw_scenario(seed, laps=2), interval_us=10_000).measured
    time_s = measured["t_s"]
    none = np.zeros(len(time_s) - 1, bool)
    amps, volts = measured["battery_current_a"], measured["battery_voltage_v"]
    left, right = measured["left_current_a"], measured["right_current_a"]
    found = [
        reversed_current(Pair(time_s, amps, volts, none)),
        unresponsive_voltage(Pair(time_s, amps, volts, none)),
        unbalanced_currents(amps, left, right, 0.01),
        *(clipped_peaks_of("battery_current_a", value) for value in (amps, left, right)),
        filled_in("battery_current_a", Pair(time_s, amps, volts, none)),
        measure_zero_shift(Series(time_s, amps, none), 0.3),
    ]
    assert [finding for finding in found if finding] == []
