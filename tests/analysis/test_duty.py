"""Commands, duty and the current they give: handbook relations, a slow twin, and the simulated cart's truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.controller.command import Commands, read_commands
from amptally.analysis.controller.duty import Duty, estimate_duty, fuse_rms_a
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Floats, Run
from amptally.analysis.wording.results import basis
from tests.analysis.build_runs import CART, sides, write_run
from tests.analysis.simulated import MOTOR_LEAD, TOLD, demo, demo_report
from tests.dashboard.made_runs import write_run_of
from tests.strategies import examples

T_S = np.arange(0, 10, 0.01)
SHARE = st.one_of(st.just(0.0), st.floats(1e-6, 1))


def run_of(folder: Path, channels: dict[str, Any], machine: str = CART, t_s: Floats = T_S) -> Run:
    return Run.open(write_run(folder / "r.parquet", t_s, channels, machine=machine))


def commands_of(run: Run) -> Commands:
    found = read_commands(run)
    assert isinstance(found, Commands), found
    return found


def commands_like(time_s: Floats, value: Floats) -> Commands:
    none, no_gap = np.zeros(len(time_s), bool), np.zeros(len(time_s) - 1, bool)
    return Commands(time_s, value, value, none, no_gap, 0.0, 0.0, True)


def duty_of(run: Run, side: str, motor_a: Floats) -> Duty:
    found = estimate_duty(run, side, T_S, motor_a)
    assert isinstance(found, Duty), found
    return found


def test_a_rectangular_pulse_train_has_the_handbook_s_mean_and_rms() -> None:
    # references.md EN4: 20 A at duty 0.3, mean A·D = 6.000, RMS A·√D = 10.95445, (C)
    motor_a, duty = np.array([20.0]), np.array([0.3])
    assert fuse_rms_a(motor_a, duty, 0.0)[0] == pytest.approx(6.0, abs=1e-12)
    assert fuse_rms_a(motor_a, duty, 1.0)[0] == pytest.approx(10.95445, abs=1e-5)
    # The same from the samples of such a train: what capacitors leave of its ripple adds as squares to its mean
    # (orthogonal components, references.md section 4, liquisearch.com rms_of_common_waveforms).
    train = np.where(np.arange(1000) % 10 < 3, 20.0, 0.0)
    for share in (0.0, 0.3, 1.0):
        smoothed = train.mean() + share * (train - train.mean())
        assert fuse_rms_a(motor_a, duty, share)[0] == pytest.approx(float(np.sqrt((smoothed**2).mean())), rel=1e-12)


@given(SHARE, SHARE, SHARE, st.floats(-200, 200))
def test_the_supply_never_carries_more_than_the_motor_and_grows_with_duty(
    first: float, second: float, share: float, motor_a: float
) -> None:
    low, high = sorted((first, second))
    at = fuse_rms_a(np.array([motor_a] * 2), np.array([low, high]), share)
    assert at[0] <= at[1] * (1 + 1e-12)
    assert at[1] <= abs(motor_a) * (1 + 1e-12)
    assert at[1] >= abs(motor_a) * high * (1 - 1e-12)


def test_mixed_commands(tmp_path: Path) -> None:
    # references.md MX1: throttle 1750, steering 1600 µs give left 1850 and right 1650 µs, full weights
    found = commands_of(run_of(tmp_path, {"pulse_a_us": 1750.0, "pulse_b_us": 1600.0}))
    assert (found.left[0], found.right[0]) == pytest.approx((0.7, 0.3))
    assert found.assumed_dead


def test_a_transmitter_that_mixes_sends_the_sides_themselves(tmp_path: Path) -> None:
    machine = CART.replace('mixing = "controller"', 'mixing = "transmitter"')
    found = commands_of(run_of(tmp_path, {"pulse_a_us": 1750.0, "pulse_b_us": 1600.0}, machine))
    assert (found.left[0], found.right[0]) == pytest.approx((0.5, 0.2))


def test_without_a_pulse_nothing_is_commanded(tmp_path: Path) -> None:
    pulse = np.where(T_S < 5, 1900.0, 0.0)
    found = commands_of(run_of(tmp_path, {"pulse_a_us": 1900.0, "pulse_b_us": np.where(T_S < 5, 1500.0, 0.0)}))
    assert set(found.left[pulse == 0]) == {0.0}
    assert found.left[0] == pytest.approx(0.8)


def test_a_known_dead_band_is_cut_out_of_each_stick(tmp_path: Path) -> None:
    machine = CART.replace("[controller]\n", "[controller]\ndead_band_us = 25\n")
    found = commands_of(run_of(tmp_path, {"pulse_a_us": 1800.0, "pulse_b_us": 1520.0}, machine))
    assert (found.left[0], found.right[0]) == pytest.approx((0.6, 0.6))
    assert found.doubt < commands_of(run_of(tmp_path / "..", {"pulse_a_us": 1800.0, "pulse_b_us": 1520.0})).doubt


@given(st.integers(0, 2**32 - 1), st.sampled_from([0.0, 0.05, 0.5, 30.0]))
@examples(0.4)
def test_the_envelope_holds_every_command_of_the_last_while(seed: int, back_s: float) -> None:
    """A slow twin looks at each moment's own past; cells of 20 ms may look up to two cells further back."""
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.exponential(0.02, 200)) + rng.choice([0, 5.0])
    value = np.repeat(rng.uniform(-1, 1, 20), 10)
    moments = np.sort(rng.uniform(time_s[0], time_s[-1], 50))
    low, high = commands_like(time_s, value).envelope("left", moments, back_s)
    for moment, least, greatest in zip(moments, low, high, strict=True):
        for reach_s, inside in ((back_s, True), (back_s + 0.06, False)):
            first = max(int(np.searchsorted(time_s, moment - reach_s, "right")) - 1, 0)
            seen = value[first : max(int(np.searchsorted(time_s, moment, "right")), first + 1)]
            if inside:
                assert least <= seen.min()
                assert seen.max() <= greatest
            else:
                after = value[first : int(np.searchsorted(time_s, moment + 0.02, "right")) + 1]
                assert min(seen.min(), after.min()) <= least
                assert greatest <= max(seen.max(), after.max())


@pytest.mark.parametrize(
    ("machine", "without", "code"),
    [
        (CART, ("pulse_a_us",), "one_command_pulse"),
        (CART.replace('mixing = "controller"\n', ""), (), "mixing_undeclared"),
        (CART.replace("[controller]\n", '[controller]\ncommand_sets = "current"\n'), (), "command_sets_no_duty"),
        (CART.replace("[controller]\n", '[controller]\ncommand_sets = "unknown"\n'), (), "command_sets_no_duty"),
    ],
)
def test_no_duty_without_its_reason(tmp_path: Path, machine: str, without: tuple[str, ...], code: str) -> None:
    channels = {name: 1700.0 for name in ("pulse_a_us", "pulse_b_us") if name not in without} | {"mark": 0.0}
    found = estimate_duty(run_of(tmp_path, channels, machine), "left", T_S, np.full(len(T_S), 10.0))
    assert isinstance(found, Reason)
    assert found.code == code


def test_duty_from_wheel_speed(tmp_path: Path) -> None:
    # references.md MT3: 120 V motor, 7.00 A, 0.720 ohm: back-emf 114.96 V, (P). At that speed and current it takes
    # 114.96 + 7 × 0.72 = 120 V at its leads: full duty on 120 V, half of it on 240 V.
    machine = (
        CART.replace("[machine]\n", "[machine]\ngear_ratio = 2\n").replace('mixing = "controller"\n', "")
        + "[motor]\nrpm = 1200\nrated_voltage_v = 120\nresistance_ohm = 0.72\nno_load_a = 7\n"
    )
    counts = np.floor(T_S * 10 * 24)  # 1200 rpm at the motor, 10 turns a second at the wheel, 24 counts each
    for volts, expected in ((120.0, 1.0), (240.0, 0.5)):
        channels = {"left_wheel_count": counts, "battery_voltage_v": volts}
        run = run_of(tmp_path / f"{volts:g}", channels, machine) if (tmp_path / f"{volts:g}").mkdir() is None else None
        assert run is not None
        found = duty_of(run, "left", np.full(len(T_S), 7.0))
        middle = slice(100, -100)
        assert found.likely[middle] == pytest.approx(expected, abs=0.01)
        assert (found.minimum[middle] <= expected).all()
        assert (found.maximum[middle] >= expected).all()
        assert not found.signed


def true_duty(machine: str, folder: Path) -> tuple[Duty, Floats]:
    drive = demo()
    channels = {name: values for name, values in drive.measured.items() if name != "t_s"}
    run = Run.open(write_run_of(folder, "demo", drive.measured["t_s"], channels, machine=machine))
    found = estimate_duty(run, "left", run.time_s, drive.true["left_motor_a"])
    assert isinstance(found, Duty), found
    return found, drive.true["left_duty"]


@pytest.mark.parametrize(("machine", "most_width"), [(MOTOR_LEAD, 0.35), (TOLD, 0.20)])
def test_the_simulated_controller_s_duty_lies_within_the_bounds(
    tmp_path: Path, machine: str, most_width: float
) -> None:
    found, truth = true_duty(machine, tmp_path)
    assert ((found.minimum <= truth) & (truth <= found.maximum)).mean() > 0.99
    assert float(np.mean(found.maximum - found.minimum)) < most_width
    assert float(np.median(np.abs(found.likely - truth))) < 0.02
    assert found.how["both_possible"] is False
    assert 0.0 < found.how["median_apart"] < 0.1


@pytest.mark.parametrize("machine", [MOTOR_LEAD, TOLD])
def test_charge_and_fuse_margin_through_duty_hold_the_truth(tmp_path: Path, machine: str) -> None:
    (tmp_path / "a").mkdir()
    plain = demo_report(tmp_path / "a", MOTOR_LEAD.replace('"motor_lead"', '"supply_leg"'))
    (tmp_path / "b").mkdir()
    found = demo_report(tmp_path / "b", machine, motor_lead=True)
    drive = demo()
    for side in ("left", "right"):
        true_ah = drive.true[f"{side}_current_a"].sum() * 0.01 / 3600
        low, value, high = sides(found.energy.by_channel[side][0])
        assert low < true_ah < high
        assert value == pytest.approx(true_ah, rel=0.05)
        assert "estimated" in basis(found.energy.by_channel[side][0])
        measured, estimated = plain.fuses[side], found.fuses[side]
        assert estimated.current_from == "estimated"
        for name in ("margin", "margin_latest", "continuous_fraction", "seconds_above_rating"):
            low, value, high = sides(getattr(estimated, name))
            true = getattr(measured, name).value
            assert low <= true <= high, name
            assert value == pytest.approx(true, rel=0.1, abs=0.1), name
        # Wide is no way out: the low end stays within a quarter of that of a measured current.
        assert sides(estimated.margin)[0] > 0.75 * sides(measured.margin)[0]
        assert sides(estimated.margin)[2] < 1.6 * sides(measured.margin)[1]
