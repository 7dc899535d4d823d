"""What slow samples leave open: bounded by means, by the board's RMS, by commands and by the motor, or by nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.between_samples import heat_of_intervals, most_squares_a2
from amptally.analysis.protection.command_limit import most_by_command_a
from amptally.analysis.protection.fuse import FuseResult, assess_fuse
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_margin import Unseen
from amptally.analysis.protection.supply import most_possible_a
from amptally.analysis.report.build import build_report
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import phrase
from tests.analysis.build_runs import CART, write_run
from tests.analysis.test_fuse import FAST_HZ, LARGE_40, constant
from tests.strategies import examples

FINE_S, EVERY = 0.002, 25
"""A board that converts at 500 Hz and sends means at 20 Hz."""
LEFT = FuseSpec("left", "blade_large", 40, 20.0, "supply_leg", "supply_leg")


def means(fine_a: np.ndarray) -> np.ndarray:
    return np.asarray(fine_a[: len(fine_a) // EVERY * EVERY].reshape(-1, EVERY).mean(axis=1))


def sent(fine_a: np.ndarray) -> Exposure:
    """The first of all stands at 0, before the first interval."""
    samples = np.concatenate((means(fine_a)[:1], means(fine_a)))
    return Exposure.prepare(np.arange(len(samples)) * FINE_S * EVERY, samples, np.zeros(len(samples) - 1, bool))


def finding(result: FuseResult, code: str) -> Reason:
    (found,) = (each for each in result.findings if each.code == code)
    return found


def test_a_pulse_leaves_its_charge_in_the_mean() -> None:
    # 10 A all the time and 150 A for 10 ms of 50: mean 38 A, mean square 0.2 · 150² + 0.8 · 10² = 4580 A².
    mean_a, none = np.array([10.0, 38.0, 10.0]), np.zeros(3, bool)
    found = most_squares_a2(mean_a, none, np.full(3, 150.0))
    assert found[1] == pytest.approx(4580 + 28**2 / 4)
    # Where it may rise to 300 A it may be half as long and twice as hot: 10² + 28 · 310.
    assert most_squares_a2(mean_a, none, np.full(3, 300.0))[1] == pytest.approx(100 + 28 * 310 + 28**2 / 4)
    # Beside a gap and where the sign changes nothing is known to flow all the time.
    assert most_squares_a2(mean_a, np.array([True, False, False]), np.full(3, 150.0))[1] >= 38 * 150
    assert most_squares_a2(np.array([20.0, 0.0, -20.0]), none, np.full(3, 150.0))[1] >= 20 * 150


@examples(1)
@given(st.integers(0, 2**32), st.floats(0.0, 1.0))
def test_no_drive_holds_more_than_its_means_leave_possible(seed: int, pulses: float) -> None:
    """A load in steps with pulses on top of it, up to the lead's limit: every window of 20 ms and more."""
    rng = np.random.default_rng(seed)
    count, most_a = 60 * EVERY, 180.0
    fine_a = np.repeat(rng.uniform(2, 40, 12), 5 * EVERY)
    for at in rng.integers(0, count, int(10 * pulses)).tolist():
        fine_a[at : at + int(rng.integers(1, 40))] = rng.uniform(40, most_a)
    heat = heat_of_intervals(sent(fine_a), most_a, 0.02)
    held = np.concatenate(([0.0], np.cumsum(fine_a**2 * FINE_S)))
    for length in (10, 25, 60, 200, 800):
        true_a2s = float((held[length:] - held[:-length]).max())
        assert true_a2s <= float(heat.most_a2s([length * FINE_S])[0]) * (1 + 1e-9)


def test_the_board_s_own_RMS_bounds_it_without_any_assumption() -> None:
    rms = np.full(1001, 20.0)
    slow = Exposure.from_interval_rms(np.arange(1001) * 0.05, rms, np.zeros(1000, bool))
    result = assess_fuse(LARGE_40, slow, None, FAST_HZ, unseen=Unseen(120.0))
    assert (result.margin.bound, result.verdict) == ("estimate", "below")
    bounds = next(each for each in result.margin.reasons if each.code == "between_samples_at_most")
    assert (bounds["how"], bounds["most_a"]) == ("rms", 120.0)


def test_means_and_a_limit_decide_what_single_readings_leave_open() -> None:
    light = constant(20, 100, 0.05)
    single = assess_fuse(LARGE_40, light, None, FAST_HZ, unseen=Unseen(120.0))
    assert single.verdict == "unknown"
    assert "averages = true under [sensors.left_current]" in told(finding(single, "fuse_between_samples")).next
    mean = assess_fuse(LARGE_40, light, None, FAST_HZ, unseen=Unseen(120.0, averages=True))
    assert mean.verdict == "below"
    assert single.margin.value == mean.margin.value
    assert "fuse_between_samples" not in {each.code for each in mean.findings}
    # Minimum and maximum of every interval say how high it went.
    seen = assess_fuse(LARGE_40, light, None, FAST_HZ, unseen=Unseen(None, averages=True, peak_a=25.0))
    assert seen.verdict == "below"


def test_where_nothing_bounds_a_pulse_the_field_that_would_is_named() -> None:
    current = np.where(np.arange(2001) % 40 < 20, 18.0, 8.0)
    slow = Exposure.prepare(np.arange(2001) * 0.05, current, np.zeros(2000, bool))
    open_ = assess_fuse(LARGE_40, slow, None, FAST_HZ, unseen=Unseen(averages=True))
    assert (open_.margin.bound, open_.verdict) == ("at_most", "unknown")
    reason = finding(open_, "fuse_between_samples")
    enough_a = reason["enough_a"]
    assert isinstance(enough_a, float)
    assert enough_a > 100
    assert "motor.stall_a, motor.resistance_ohm or controller.peak_a" in told(reason).next
    assert f"up to {int(enough_a)} A" in phrase(next(e for e in open_.margin.reasons if "open" in e.code))
    # That much decides, a little more does not.
    verdicts = [
        assess_fuse(LARGE_40, slow, None, FAST_HZ, unseen=Unseen(share * enough_a, averages=True)).verdict
        for share in (1.0, 1.06)
    ]
    assert verdicts == ["below", "unknown"]
    # Single readings of a load that no limit could save: only a faster board would decide.
    loaded = assess_fuse(LARGE_40, constant(29, 600, 0.05), None, FAST_HZ)
    assert loaded.verdict in ("near", "unknown")


def run_of(folder: Path, machine: str, **channels: float | np.ndarray) -> Run:
    time_s = np.arange(0, 60, 0.05)
    path = folder / f"r{len(list(folder.iterdir()))}.parquet"
    return Run.open(write_run(path, time_s, {"battery_voltage_v": 25.2, **channels}, machine=machine))


MOTOR = CART.replace("[controller]\n", "[motor]\n{}[controller]\n")


@pytest.mark.parametrize(
    ("fields", "position", "most_a"),
    [
        # V/R at the highest voltage measured; reversed at speed the motor's own voltage adds, at most as much again.
        ("resistance_ohm = 0.14\n", "supply_leg", 2 * 25.2 / 0.14),
        ("resistance_ohm = 0.14\n", "motor_lead", 2 * 25.2 / 0.14),
        ("stall_a = 170\nrated_voltage_v = 24\nresistance_ohm = 9\n", "supply_leg", 2 * 170 * 25.2 / 24),
        ("stall_a = 170\n", "supply_leg", 340),
        ("", "supply_leg", None),
    ],
)
def test_the_most_that_a_lead_carries(tmp_path: Path, fields: str, position: str, most_a: float | None) -> None:
    run = run_of(tmp_path, MOTOR.format(fields), left_current_a=5.0)
    found = most_possible_a(run, FuseSpec("left", "blade_large", 40, position=position))
    assert found == (None if most_a is None else pytest.approx(most_a))
    limited = run_of(tmp_path, MOTOR.format(fields) + "peak_a = 120\n", left_current_a=5.0)
    assert most_possible_a(limited, FuseSpec("main", "blade_large", 80)) == pytest.approx(2 * 120)


def test_a_command_of_small_duty_gives_no_stall_current(tmp_path: Path) -> None:
    time_s = np.arange(0, 60, 0.05)
    # Mixed in the controller; channel A drives both sides: rest, 40 % ahead, rest, 40 % back at once after it.
    stick = np.where((time_s > 10) & (time_s < 20), 1700, 1500) - np.where((time_s > 40) & (time_s < 50), 200, 0)
    stick = np.where((time_s > 38) & (time_s <= 40), 1700, stick)
    machine = CART.replace("[controller]\n", "[controller]\ndead_band_us = 40\nramp_s = 0.4\n")
    run = run_of(tmp_path, machine, left_current_a=5.0, pulse_a_us=stick, pulse_b_us=1500.0)
    limit_a = most_by_command_a(run, LEFT, 170.0, time_s)
    assert limit_a is not None
    at = {moment: float(limit_a[round(moment / 0.05)]) for moment in (5, 15, 30, 42, 45.5)}
    # d (d + e), d = 0.4 + 0.02 for what a known dead band leaves open, e that of the other direction; own arithmetic.
    assert at[15] == pytest.approx(170 * 0.42**2)
    assert at[5] == at[30] == pytest.approx(170 * 0.02 * 0.04)
    # Reversed out of full travel ahead, V + Kω; a few seconds later it has stopped.
    assert at[42] == pytest.approx(170 * 0.42 * 0.84)
    assert at[45.5] == pytest.approx(170 * 0.42**2)
    both_a = most_by_command_a(run, FuseSpec("main", "blade_large", 80), 170.0, time_s)
    assert both_a is not None
    assert both_a == pytest.approx(2 * limit_a)
    lead_a = most_by_command_a(run, FuseSpec("left", "blade_large", 40, position="motor_lead"), 170.0, time_s)
    assert lead_a is not None
    assert float(lead_a[300]) == pytest.approx(170 * 0.42)
    # A command of a current, or none that is known, bounds nothing.
    unknown = machine.replace("[controller]\n", '[controller]\ncommand_sets = "current"\n')
    for text, pulses in ((unknown, stick), (machine.replace('mixing = "controller"\n', ""), stick)):
        other = run_of(tmp_path, text, left_current_a=5.0, pulse_a_us=pulses, pulse_b_us=1500.0)
        assert most_by_command_a(other, LEFT, 170.0, time_s) is None


@pytest.mark.parametrize(
    ("more", "board", "verdict"),
    [
        ("", {"id": "bench"}, "below"),
        ("", None, "unknown"),
        ("[sensors.left_current]\naverages = true\n", None, "below"),
        ("[sensors.left_current]\naverages = false\n", {"id": "bench"}, "unknown"),
    ],
)
def test_a_board_s_samples_are_means_unless_the_file_denies_it(
    tmp_path: Path, more: str, board: dict[str, str] | None, verdict: str
) -> None:
    """Only of an imported log nobody knows it."""
    machine = MOTOR.format("resistance_ohm = 0.2\n") + more
    time_s = np.arange(0, 60, 0.05)
    channels = {"battery_voltage_v": 25.2, "left_current_a": 15.0}
    path = write_run(tmp_path / "r.parquet", time_s, channels, machine=machine, board=board)
    assert build_report(Run.open(path), with_ledger=False).fuses["left"].verdict == verdict


def test_a_load_on_both_sides_of_a_gap_is_taken_to_have_gone_on() -> None:
    """100 A for 0.9 s on 40 A may open it; a gap of 0.5 s in its middle shows 0.4 s of it."""
    time_s = np.arange(0, 20, 0.01)
    current = np.where((time_s >= 10) & (time_s < 10.9), 100.0, 5.0)
    keep = (time_s < 10.2) | (time_s > 10.7)
    for amps, verdict in ((current, "inside"), (np.where(current > 50, 80.0, 5.0), "near"), (current / 10, "below")):
        gap = np.diff(time_s[keep]) > 0.1
        seen = Exposure.prepare(time_s[keep], amps[keep], gap)
        found = assess_fuse(LARGE_40, seen, None, FAST_HZ, unseen=Unseen(101.0 if verdict != "below" else 12.0))
        assert found.verdict == verdict
        assert (found.margin.value or 0) > 1
    inside = assess_fuse(LARGE_40, Exposure.prepare(time_s[keep], current[keep], gap), None, FAST_HZ)
    assert "if the load on both sides of the gaps went on in them" in told(finding(inside, "fuse_inside")).evidence
