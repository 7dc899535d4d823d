"""Defects put into simulated drives are named, the drives without them are not. docs/methods.md, Bad data.

A small version of tests/studies/defects.py; thresholds are our own, so that shares are measured, not published.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.quality.clock_skew import estimate_lag
from amptally.analysis.quality.current_balance import Known, unbalanced_currents
from amptally.analysis.quality.screening import judge
from amptally.analysis.quality.single_channel import measure_zero_shift, partial, stuck
from amptally.analysis.quality.voltage_response import (
    Pair,
    apparent_resistance_ohm,
    implausible_scale,
    reversed_current,
)
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats, Series
from amptally.analysis.wording.findings import told
from tests.analysis.build_runs import measured, write_run
from tests.studies import defects

GOOD_SEEDS, BAD_SEED = (40, 43), 41
WEAK = {
    "battery tops cut at 95% of the greatest",
    "voltage's clock 0.1 % apart",
    "battery zero moved by 0.5 A",
    "left current stuck for 8 s",
    "battery voltage stuck for 8 s",
}
"""Not always seen, by the table of docs/methods.md."""
SAMPLES = sorted((Path(__file__).parents[2] / "sample_runs").glob("*.parquet"))
N = 6000
TIME_S = np.arange(N) * 0.02
NO_GAPS = np.zeros(N - 1, bool)


def noise(size: float, seed: int = 1) -> Floats:
    return np.random.default_rng(seed).normal(0, size, N)


def drive(seed: int = 1) -> tuple[Floats, Floats, Floats]:
    """Left, right, battery current [A] of a made-up drive that moves every second."""
    rng = np.random.default_rng(seed)
    left, right = (np.repeat(rng.uniform(0, 30, N // 50), 50) + rng.normal(0, 0.2, N) for _ in range(2))
    return left, right, left + right + 0.1 + rng.normal(0, 0.2, N)


@pytest.mark.parametrize("seed", GOOD_SEEDS)
def test_simulated_drives_raise_nothing(seed: int) -> None:
    assert defects.study(seed, defects.GOOD) == [(kind.name, []) for kind in defects.GOOD]


def test_defects_in_one_are_named() -> None:
    for kind, (name, codes) in zip(defects.BAD, defects.study(BAD_SEED, defects.BAD), strict=True):
        assert kind.name == name
        assert kind.name in WEAK or kind.code in codes, (name, codes)


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_sample_runs_raise_nothing(path: Path) -> None:
    assert list(judge(Run.open(path))) == []


@pytest.mark.parametrize("name", ["pack_24v_65a_discharge.csv", "lead_acid_12v_1p5a_discharge.csv"])
def test_measured_sets_raise_nothing_until_filled_in(name: str, tmp_path: Path) -> None:
    time_s, amps, volts = measured(name)
    channels = {"battery_current_a": amps, "battery_voltage_v": volts}
    assert list(judge(Run.open(write_run(tmp_path / "measured.parquet", time_s, channels)))) == []
    channels["battery_current_a"] = np.full(len(amps), round(float(amps.mean()), 2))
    # One load, and one number for it: its few jumps do not tell a typed current from a contact or another load.
    (found,) = judge(Run.open(write_run(tmp_path / "filled.parquet", time_s, channels)))
    assert found.code == "voltage_jumps_alone"


@pytest.mark.parametrize("late_s", [-3.0, -0.4, 0.4, 2.0, 15.0])
def test_the_lag_is_found(late_s: float) -> None:
    _, _, amps = drive()
    late = np.interp(TIME_S - late_s, TIME_S, -0.02 * amps) + noise(0.01)
    assert estimate_lag(TIME_S, amps, 0.02 * amps + noise(0.01), NO_GAPS) is None
    lag = estimate_lag(TIME_S, amps, -late, NO_GAPS)
    assert lag is not None
    assert lag.start_s == pytest.approx(late_s, abs=0.05)
    assert lag.end_s == pytest.approx(late_s, abs=0.05)


@pytest.mark.parametrize("share", [0.01, -0.02])
def test_clocks_that_run_apart(share: float) -> None:
    """Answer at t comes from t (1 − share): behind by share · t, 1.2 s and −2.4 s at the end of two minutes."""
    _, _, amps = drive(2)
    answer = np.interp(TIME_S * (1 - share), TIME_S, 0.02 * amps)
    lag = estimate_lag(TIME_S, amps, answer + noise(0.005), NO_GAPS)
    assert lag is not None
    assert lag.start_s == pytest.approx(0.0, abs=0.15)
    assert lag.end_s == pytest.approx(share * TIME_S[-1], rel=0.15)


def test_no_lag_is_read_from_gaps_or_from_little() -> None:
    _, _, amps = drive()
    gap_after = NO_GAPS.copy()
    gap_after[[1000, 3000]] = True
    time_s = TIME_S + 40.0 * np.concatenate(([0], np.cumsum(gap_after)))
    assert estimate_lag(time_s, amps, 0.02 * amps + noise(0.01), gap_after) is None
    assert estimate_lag(TIME_S[:300], amps[:300], np.roll(amps, 50)[:300], NO_GAPS[:299]) is None


FACTORS = [(0.1, "0.1"), (10.0, "10"), (0.5, "0.5"), (2.0, "2"), (0.001, "0.001"), (3.0, "3")]


@pytest.mark.parametrize(("factor", "said"), FACTORS)
@pytest.mark.parametrize("side", ["left", "right"])
def test_the_channel_and_its_factor(factor: float, said: str, side: str) -> None:
    left, right, battery = drive(3)
    channels = {"left": left, "right": right}
    channels[side] = factor * channels[side]
    found = unbalanced_currents(battery, channels["left"], channels["right"], 0.005)
    assert found is not None
    assert found.channels == (f"{side}_current_a",)
    assert f"the {side} channel reads {said} times what it should" in told(found.reason).what


@pytest.mark.parametrize(("ratio", "channels"), [(1.1, 2), (0.12, 1), (None, 3)])
def test_the_sheet_tells_whose_the_factor_is(ratio: float | None, channels: int) -> None:
    """battery = 10 · (left + right): either its own answer to the load is its sheet's, or a tenth of it."""
    left, right, battery = drive(4)
    found = unbalanced_currents(10 * battery, left, right, 0.005, Known(True, ratio))
    assert found is not None
    assert (found.code, len(found.channels)) == ("channels_disagree", channels)


def test_another_load_on_the_battery_is_no_disagreement() -> None:
    left, right, battery = drive(5)
    pump = np.where(TIME_S % 40 < 15, 12.0, 0.0)
    assert unbalanced_currents(battery + pump, left, right, 0.005) is None
    assert unbalanced_currents(battery - 3 * pump, left, right, 0.005) is not None


def test_currents_of_motor_leads_leave_the_battery_alone() -> None:
    left, right, battery = drive(6)
    found = unbalanced_currents(0.5 * battery, left, right, 0.005, Known(responds=True, placed=False))
    assert found is not None
    assert found.channels == ("left_current_a", "right_current_a")
    assert "motor leads" in told(found.reason).what


def test_a_voltage_that_answers_late_is_no_turned_sign() -> None:
    """Relaxation alone, sampled more slowly than it: the voltage answers the sample before."""
    rng = np.random.default_rng(1)
    time_s = np.arange(360) * 10.0
    amps = rng.uniform(0, 30, 360)
    volts = 25 - 0.002 * amps - 0.03 * np.concatenate(([0], amps[:-1]))
    none = np.zeros(359, bool)
    assert reversed_current(Pair(time_s, amps, volts, none)) is None
    found = reversed_current(Pair(time_s, -amps, 25 - 0.03 * amps, none))
    assert found is not None
    assert found.code == "current_sign"


def test_the_scale_against_the_sheet() -> None:
    _, _, amps = drive(8)
    volts = 25.6 - 0.02 * amps + noise(0.003)
    for factor, code in ((1.0, None), (0.3, None), (3.0, None), (10.0, "current_scale"), (0.001, "current_scale")):
        seen = apparent_resistance_ohm(Pair(TIME_S, factor * amps, volts, NO_GAPS))
        assert seen == pytest.approx(0.02 / factor, rel=0.05)
        found = implausible_scale(seen, 0.02) if seen is not None else None
        assert (found.code if found else None) == code
    assert apparent_resistance_ohm(Pair(TIME_S, amps, 25 + noise(0.1), NO_GAPS)) is None


def test_stuck_needs_a_witness() -> None:
    left, right, battery = drive(9)
    value = left.copy()
    value[2000:2600] = value[2000]
    found = stuck(TIME_S, value, lambda: battery - right, NO_GAPS, 1.0)
    assert found is not None
    assert (found.start_s, found.end_s, found.level) == (40.0, pytest.approx(51.98), value[2000])
    assert stuck(TIME_S, left, lambda: battery - right, NO_GAPS, 1.0) is None
    # Standing still together is standing still.
    both = (battery - right).copy()
    both[1990:2610] = value[2000]
    assert stuck(TIME_S, value, lambda: both, NO_GAPS, 1.0) is None


@pytest.mark.parametrize(("covered_s", "named"), [(100.0, False), (99.5, False), (98.0, True), (50.0, True)])
def test_partial(covered_s: float, named: bool) -> None:
    assert (partial("left_current_a", covered_s, 100.0) is not None) == named


@pytest.mark.parametrize("by_a", [0.9, -1.5, 2.5])
def test_a_zero_that_moved_far_is_seen_by_its_quiet(by_a: float) -> None:
    _, _, battery = drive(10)
    rest = np.random.default_rng(3).normal(0.1, 0.05, 500)
    time_s = np.arange(N + 1000) * 0.02
    value = np.concatenate((rest, battery, rest + by_a))
    found = measure_zero_shift(Series(time_s, value, np.zeros(N + 999, bool)), 0.3)
    assert found is not None
    assert found.by_a == pytest.approx(by_a, abs=0.02)
    # A load that stays on is no small part of the greatest current.
    value = np.concatenate((rest, battery, rest + 12.0))
    assert measure_zero_shift(Series(time_s, value, np.zeros(N + 999, bool)), 0.3) is None


def test_a_load_that_stayed_on_shows_in_lead_and_channel(tmp_path: Path) -> None:
    left, right, battery = drive(11)
    rest = np.random.default_rng(3).normal(0.0, 0.03, 500)
    time_s = np.arange(N + 1000) * 0.02
    on = np.where(np.arange(N + 1000) > N + 400, 1.0, 0.0)
    parts = {name: np.concatenate((rest, value, rest)) for name, value in
             (("left_current_a", left), ("right_current_a", right), ("battery_current_a", battery))}  # fmt: skip
    parts["battery_current_a"] += on
    shifted = judge(Run.open(write_run(tmp_path / "shifted.parquet", time_s, parts)))
    assert [found.code for found in shifted] == ["zero_shift"]
    parts["left_current_a"] += on
    assert list(judge(Run.open(write_run(tmp_path / "load.parquet", time_s, parts)))) == []


@pytest.mark.parametrize(("responds", "doubted"), [(True, 2), (False, 3)])
def test_whose_sign_is_wrong_where_the_battery_counts_against_both(responds: bool, doubted: int) -> None:
    """A voltage that falls with the battery's current shows that it is not the battery's; without one it may be."""
    left, right, battery = drive(12)
    found = unbalanced_currents(-battery, left, right, 0.005, Known(responds=responds))
    assert found is not None
    assert (found.code, found.variant, len(found.channels)) == ("channels_disagree", "sign", doubted)
    assert ("battery_current_a" in found.channels) is not responds
