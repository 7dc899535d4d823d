"""Pulses of the bridge: what a filter or a slow board hides of them, and which leads that concerns."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.quality.ripple import CORNERS, SLOWEST_HZ, pulses_seen
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import basis
from amptally.logger.errors import MachineFileError
from amptally.logger.machine.description import parse
from tests.analysis.build_runs import CART, value_of, write_run

T_S = np.arange(0, 60, 0.002)
# references EN4: pulses of A at duty D have the mean A·D and the RMS A·√D, 1/√D above it. 60 A at 0.3: 18 A, 32.86 A.
PULSE_A, DUTY = 60.0, 0.3
MEAN_A, RMS_A = PULSE_A * DUTY, PULSE_A * math.sqrt(DUTY)


def simulated(duty: float, switching_hz: float, corner_hz: float) -> float:
    """RMS of a filtered pulse train over that of the train, step by step, settled."""
    steps = 4000
    keep = math.exp(-2 * math.pi * corner_hz / switching_hz / steps)
    pulses = (np.arange(steps) < round(duty * steps)).astype(float)
    # The settled start of a period: a geometric series of what one period leaves.
    faded = keep ** np.arange(steps, 0, -1)
    state = float((1 - keep) * (pulses * faded).sum() / keep / (1 - keep**steps))
    out = np.empty(steps)
    for place in range(steps):
        state = keep * state + (1 - keep) * pulses[place]
        out[place] = state
    return math.sqrt(float(np.mean(out**2)) / duty)


@pytest.mark.parametrize(("duty", "corner_hz"), [(0.5, 1e4), (0.1, 1e4), (0.3, 1e3), (0.3, 100.0), (0.9, 3e3)])
def test_share_behind_a_filter_is_that_of_a_plain_simulation(duty: float, corner_hz: float) -> None:
    assert pulses_seen(duty, 1000.0, corner_hz) == pytest.approx(simulated(duty, 1000.0, corner_hz), rel=2e-3)


def test_a_slow_filter_leaves_the_mean_and_a_fast_one_the_rms() -> None:
    # EN4: mean over RMS is √D = 0.5477 at D = 0.3.
    assert pulses_seen(0.3, 16_000, 50) == pytest.approx(math.sqrt(0.3), rel=1e-3)
    assert pulses_seen(0.3, 16_000, 1.6e7) == pytest.approx(1.0, abs=1e-3)
    # What is asked for: ten times the bridge's frequency, 1.6 % short at half duty.
    assert 1 - pulses_seen(0.5, 1000, CORNERS * 1000) == pytest.approx(0.016, abs=5e-4)


def machine(capacitors: str | None, more: str = "", sensor: str = "", switching: str = "switching_hz = 16000") -> str:
    said = f'capacitors = "{capacitors}"\n' if capacitors else ""
    text = CART.replace('position = "supply_leg"\n', f'position = "supply_leg"\n{said}')
    return text.replace("[controller]\n", f"[controller]\n{switching}\n") + more + sensor


def report_of(folder: Path, machine_text: str, **channels: Any) -> Report:
    """A minute in which the left lead carries pulses that its samples, means of 2 ms, show as 18 A."""
    measured = {"battery_current_a": MEAN_A, "left_current_a": MEAN_A, "battery_voltage_v": 24.6, **channels}
    return build_report(Run.open(write_run(folder / "run.parquet", T_S, measured, machine=machine_text)))


def ripples(report: Report) -> list[str]:
    return [told(finding).evidence for finding in report.findings if finding.code == "ripple_unseen"]


@pytest.mark.parametrize("capacitors", ["battery_side", "unknown"])
def test_between_capacitors_and_bridge_means_are_lower_bounds(tmp_path: Path, capacitors: str) -> None:
    report = report_of(tmp_path, machine(capacitors))
    left, fuse = report.currents["left"], report.fuses["left"]
    assert left.rms_a["1"].bound == "at_least"
    assert "1/√duty" in basis(left.rms_a["1"])
    assert left.mean_a.bound == "estimate"
    assert (fuse.margin.bound, fuse.margin.low, fuse.verdict) == ("at_most", None, "unknown")
    # The margin of the true RMS lies below the one that is at most: by √duty and more, as longer times allow less.
    (tmp_path / "true").mkdir()
    true = report_of(tmp_path / "true", machine(capacitors), left_current_rms_a=RMS_A).fuses["left"]
    assert value_of(true.margin) <= value_of(fuse.margin) * math.sqrt(DUTY) * 1.001
    assert fuse.continuous_fraction.bound == "at_least"
    wire = report.paths["left"].wire
    assert (wire.margin.bound, wire.adiabatic_margin.bound) == ("at_most", "at_most")
    [evidence] = ripples(report)
    assert "16 kHz" in evidence
    assert "samples every 2 ms" in evidence
    # The battery's lead lies before the capacitors.
    assert report.currents["battery"].rms_a["1"].bound == "estimate"


# Interval RMS of the true pulses: the margin is that of 32.86 A, and an estimate again.
def test_the_board_s_own_rms_settles_it(tmp_path: Path) -> None:
    report = report_of(tmp_path, machine("battery_side"), left_current_rms_a=RMS_A)
    fuse = report.fuses["left"]
    assert report.currents["left"].rms_a["1"].value == pytest.approx(RMS_A, rel=1e-4)
    assert fuse.margin.bound == "estimate"
    assert fuse.verdict in ("near", "inside")
    assert ripples(report) == []


@pytest.mark.parametrize(("corner_hz", "settled"), [(150, False), (100_000, False), (160_000, True)])
def test_the_board_s_rms_counts_only_behind_a_fast_filter(tmp_path: Path, corner_hz: float, settled: bool) -> None:
    text = machine("battery_side", sensor=f"[sensors.left_current]\nbandwidth_hz = {corner_hz}\n")
    report = report_of(tmp_path, text, left_current_rms_a=RMS_A)
    assert (report.fuses["left"].margin.bound == "estimate") is settled
    assert (ripples(report) == []) is settled
    if not settled:
        assert f"{corner_hz:g} Hz" in ripples(report)[0] or f"{corner_hz}" in ripples(report)[0]


def test_without_the_bridge_s_frequency_the_slowest_is_taken(tmp_path: Path) -> None:
    fast = f"[sensors.left_current]\nbandwidth_hz = {CORNERS * SLOWEST_HZ}\n"
    slow = f"[sensors.left_current]\nbandwidth_hz = {CORNERS * SLOWEST_HZ - 1}\n"
    for number, (sensor, count) in enumerate([(fast, 0), (slow, 1)]):
        (tmp_path / str(number)).mkdir()
        report = report_of(tmp_path / str(number), machine("battery_side", "", sensor, ""), left_current_rms_a=RMS_A)
        assert len(ripples(report)) == count
        assert all("not given, 1 kHz or more" in evidence for evidence in ripples(report))


# A controller carries capacitors across its supply terminals, before which a sensor sees a smoothed current (common
# practice, no source): neither silence nor "load_side" opens a margin.
@pytest.mark.parametrize("capacitors", [None, "load_side"])
def test_before_the_capacitors_margins_stay_estimates(tmp_path: Path, capacitors: str | None) -> None:
    report = report_of(tmp_path, machine(capacitors))
    assert report.fuses["left"].margin.bound == "estimate"
    assert report.fuses["left"].verdict == "below"
    assert report.currents["left"].rms_a["1"].bound == "estimate"
    assert ripples(report) == []


def test_a_motor_s_winding_keeps_its_current_going(tmp_path: Path) -> None:
    text = machine("battery_side").replace('sensed = "supply_leg"', 'sensed = "motor_lead"')
    text = text.replace('position = "supply_leg"', 'position = "motor_lead"')
    report = report_of(tmp_path, text)
    assert report.currents["left"].rms_a["1"].bound == "estimate"
    assert ripples(report) == []


def test_the_main_fuse_is_doubted_where_it_has_no_capacitors_behind_it(tmp_path: Path) -> None:
    main = '[fuse.main]\nfamily = "blade_large"\nrating_a = 80\ncapacitors = "battery_side"\n'
    report = report_of(tmp_path, machine(None, main))
    assert report.fuses["main"].margin.bound == "at_most"
    assert report.fuses["left"].margin.bound == "estimate"
    assert len(ripples(report)) == 1


@pytest.mark.parametrize("value", ["0", "-1", "49", "1000001", "inf", "nan", '"16k"', "true", "[16000]", "{}"])
def test_a_wrong_switching_frequency_is_answered_with_its_line(value: str) -> None:
    with pytest.raises(
        MachineFileError, match=r"cart.toml line 2: controller.switching_hz is .* Write a number of hertz"
    ):
        parse(f"[controller]\nswitching_hz = {value}\n", "cart.toml")
    controller = parse("[controller]\nswitching_hz = 50\n", "cart.toml").controller
    assert controller is not None
    assert controller.switching_hz == 50
