"""The stretch at rest before the first load: where it ends, what counts, what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.battery.rest import block_imbalance, find_rest, rest_voltage, run_rest
from amptally.analysis.runs.run import Run, SensorError, Series
from amptally.analysis.runs.standing import rest_threshold_a
from amptally.analysis.signals.gaps import find_gaps
from amptally.analysis.wording.results import phrase, refusal
from tests.analysis.build_runs import CART, measured, sides, value_of, write_run

Floats = npt.NDArray[np.float64]


def series(t_s: Floats, amps: object) -> Series:
    return Series(t_s, np.broadcast_to(np.asarray(amps, float), t_s.shape), find_gaps(t_s))


def test_threshold_of_the_contract() -> None:
    # ../shared/design.md, Rest: max(0.2 A, 1 % of the rated-rate current), widened by offset_u, noise and resolution
    assert rest_threshold_a(None, SensorError()) == 0.2
    assert rest_threshold_a(1.75, SensorError()) == 0.2
    assert rest_threshold_a(65.0, SensorError()) == pytest.approx(0.65)
    assert rest_threshold_a(None, SensorError(0.05, 0.01, None, 0.06, 0.006)) == pytest.approx(0.316)


@pytest.mark.parametrize("load_a", [0.45, 1.0, 3.0, 60.0, -5.0])
@pytest.mark.parametrize("interval_s", [0.01, 1.0, 60.0])
def test_rest_ends_before_the_first_loaded_sample(load_a: float, interval_s: float) -> None:
    t_s = np.arange(400) * interval_s
    rest = find_rest(series(t_s, np.where(np.arange(400) < 300, 0.05, load_a)), 0.2)
    assert rest.refused is None
    assert (rest.start_s, rest.end_s) == (0.0, t_s[299])
    assert rest.mean_current_a == pytest.approx(0.05)


@given(st.integers(1, 300), st.floats(0.5, 100), st.integers(0, 2**32 - 1))
def test_no_sample_of_the_rest_is_a_load(rested: int, load_a: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    amps = np.where(np.arange(400) < rested, 0.0, load_a) + rng.normal(0, 0.03, 400)
    rest = find_rest(series(np.arange(400) * 0.1, amps), 0.2)
    if rest.refused is None:
        assert round(rest.end_s / 0.1) < rested
    else:
        assert rested <= 21


def test_one_spike_of_noise_does_not_end_the_rest() -> None:
    amps = np.zeros(500)
    amps[200] = 1.0
    assert find_rest(series(np.arange(500) * 0.01, amps), 0.2).end_s == pytest.approx(4.99)


def test_less_than_two_seconds_is_no_rest() -> None:
    amps = np.where(np.arange(1000) < 195, 0.0, 20.0)
    refused = find_rest(series(np.arange(1000) * 0.01, amps), 0.2).refused
    assert refused is not None
    assert "no rest of 2 s before the first load" in phrase(refused)
    assert find_rest(series(np.arange(3) * 0.5, 0.0), 0.2).refused is not None


def test_an_idle_draw_above_the_threshold_is_told_with_its_numbers() -> None:
    refused = find_rest(series(np.arange(1000) * 0.01, 0.3), 0.2).refused
    assert refused is not None
    assert phrase(refused) == "the current before the first load is 0.30 A, above the 0.20 A that counts as rest"


def test_a_run_that_starts_under_load_has_no_rest() -> None:
    for interval_s in (0.01, 60.0):
        assert find_rest(series(np.arange(100) * interval_s, 5.0), 0.2).refused is not None


def test_a_gap_is_no_time_at_rest() -> None:
    t_s = np.concatenate((np.arange(0, 0.5, 0.05), np.arange(30, 30.5, 0.05), np.arange(30.5, 40, 0.05)))
    amps = np.where(t_s < 30.5, 0.0, 20.0)
    assert find_rest(series(t_s, amps), 0.2).refused is not None


@pytest.mark.parametrize(
    ("name", "volts", "within"),
    # ../shared/data/README.md: rest 24.83 V; the second set's column stands at 13.30 V and falls by 0.07 V in 90 min
    [("pack_24v_65a_discharge.csv", 24.83, 0.0005), ("lead_acid_12v_1p5a_discharge.csv", 13.3, 0.05)],
)
def test_rest_voltage_of_the_measured_sets(tmp_path: Path, name: str, volts: float, within: float) -> None:
    t_s, amps, voltage = measured(name)
    run = Run.open(write_run(tmp_path / "r.parquet", t_s, {"battery_current_a": amps, "battery_voltage_v": voltage}))
    rest = run_rest(run)
    assert value_of(rest_voltage(run, rest)) == pytest.approx(volts, abs=within)
    assert (np.abs(amps[t_s <= rest.end_s]) < 0.2).all()


def test_rest_voltage_is_a_median_with_the_sensor_s_error(tmp_path: Path) -> None:
    t_s = np.arange(0, 60, 0.1)
    volts = np.where(t_s < 20, 25.4, 24.0)
    volts[50] = 3.0  # one wild reading does not move a median
    machine = CART + "[sensors.battery_voltage]\noffset_u = 0.01\ngain_u = 0.001\nnoise = 0.0\n"
    channels = {"battery_current_a": np.where(t_s < 20, 0.0, 20.0), "battery_voltage_v": volts}
    run = Run.open(write_run(tmp_path / "r.parquet", t_s, channels, machine=machine))
    low, value, high = sides(rest_voltage(run, run_rest(run)))
    assert value == pytest.approx(25.4, abs=1e-6)
    # hypot(0.001 × 25.4, 0.01) V from the sensor; the wild reading shows as scatter
    assert high - value >= 1.96 * np.hypot(0.0254, 0.01)
    assert value - low < 0.3


def test_block_imbalance_is_lower_minus_upper(tmp_path: Path) -> None:
    # docs/nomenclature.md: 25.40 V whole, 12.80 V lower block: +0.20 V
    t_s = np.arange(0, 30, 0.1)
    channels = {
        "battery_current_a": np.where(t_s < 20, 0.0, 20.0),
        "battery_voltage_v": 25.4,
        "midpoint_voltage_v": 12.8,
    }
    machine = CART + "[sensors.midpoint_voltage]\noffset_u = 0.01\ngain_u = 0.0\nnoise = 0.0\n"
    run = Run.open(write_run(tmp_path / "r.parquet", t_s, channels, machine=machine))
    low, value, high = sides(block_imbalance(run, run_rest(run)))
    assert value == pytest.approx(0.20, abs=1e-6)
    # d(2 m − w)/dm = 2: 0.01 V of the midpoint weighs double
    assert (high - value, value - low) == pytest.approx((1.96 * 0.02,) * 2, rel=1e-6)


def test_a_later_part_of_a_run_keeps_the_rest_of_its_beginning(tmp_path: Path) -> None:
    t_s = np.arange(0, 100, 0.1)
    loaded = (t_s >= 20) & ((t_s < 40) | (t_s >= 60))  # a pause at 40 to 60 s, with a voltage that is still relaxing
    volts = np.where(loaded, 24.0, np.where(t_s < 20, 25.4, 24.9))
    channels = {"battery_current_a": np.where(loaded, 20.0, 0.0), "battery_voltage_v": volts}
    run = Run.open(write_run(tmp_path / "r.parquet", t_s, channels), from_s=45.0, to_s=90.0)
    assert value_of(rest_voltage(run, run_rest(run))) == pytest.approx(25.4)


def test_a_part_before_the_first_load_is_all_rest(tmp_path: Path) -> None:
    t_s = np.arange(0, 100, 0.1)
    channels = {"battery_current_a": np.where(t_s < 50, 0.0, 20.0), "battery_voltage_v": 25.4}
    run = Run.open(write_run(tmp_path / "r.parquet", t_s, channels), to_s=30.0)
    assert run_rest(run).end_s == pytest.approx(30.0)


def test_without_a_current_rest_cannot_be_told(tmp_path: Path) -> None:
    run = Run.open(write_run(tmp_path / "v.parquet", np.arange(0, 10, 0.1), {"battery_voltage_v": 25.4}))
    assert refusal(rest_voltage(run, run_rest(run))) == (
        "no battery current was measured, so rest cannot be distinguished from load"
    )
    run = Run.open(write_run(tmp_path / "i.parquet", np.arange(0, 10, 0.1), {"battery_current_a": 0.0}))
    assert refusal(rest_voltage(run, run_rest(run))) == "no battery voltage was measured"
