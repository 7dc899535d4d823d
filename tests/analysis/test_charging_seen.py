"""A battery on a charger is recognised: by its current, or by a voltage that its current contradicts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.report.build import Report, build_report
from amptally.analysis.report.first_page import as_text, first_page
from amptally.analysis.runs.charging import on_charger
from amptally.analysis.runs.run import Run
from tests.analysis.build_runs import Floats, value_of, write_run
from tests.analysis.left_right_cart import CART_12V, LITHIUM_24V, drive

Channels = dict[str, Floats]


def charge(*, hours: float = 3.0, pulsed: bool = False) -> tuple[Floats, Channels]:
    """60 s of rest, then 5 A into two lead blocks up to 14.4 V, then as much as they take at that voltage."""
    rng = np.random.default_rng(1)
    time_s = np.arange(0.0, hours * 3600, 1.0)
    into, volts, full = np.zeros(len(time_s)), np.zeros(len(time_s)), 0.4
    for at in range(len(time_s)):
        open_v = 11.9 + 1.6 * full + 6.7 * max(full - 0.85, 0.0)
        into[at] = max(min(5.0 if at > 60 else 0.0, (14.4 - open_v) / 0.12), 0.0)
        volts[at] = open_v + 0.05 * into[at]
        full += into[at] / 3600 / 18
    if pulsed:
        into = into * (np.sin(2 * np.pi * time_s / 22) > -0.3)
    return time_s, {
        "battery_current_a": -into + rng.normal(0, 0.02, len(time_s)),
        "battery_voltage_v": volts + rng.normal(0, 0.003, len(time_s)),
    }


def report_of(path: Path, time_s: Floats, channels: Channels, machine: str | None = CART_12V) -> Report:
    return build_report(Run.open(write_run(path / "run.parquet", time_s, channels, machine=machine)))


def codes(report: Report) -> set[str]:
    return {finding.code for finding in report.findings}


@pytest.mark.parametrize("machine", [CART_12V, None])
@pytest.mark.parametrize("pulsed", [False, True])
def test_a_charge_is_told_as_one(tmp_path: Path, machine: str | None, pulsed: bool) -> None:
    time_s, channels = charge(pulsed=pulsed)
    report = report_of(tmp_path, time_s, channels, machine)
    into_ah = float(np.trapezoid(np.maximum(-channels["battery_current_a"], 0), time_s)) / 3600
    assert value_of(report.energy.recovered_ah) == pytest.approx(into_ah, rel=0.02)
    assert report.drive.regenerated_ah.reasons[0].code == "battery_charged"
    assert report.laps.reasons[0].code == "battery_charging"
    assert not codes(report) & {"charger_unseen", "current_sign", "current_filled_in", "voltage_unanswering"}
    page = " ".join(text.strip() for text, _ in as_text(first_page(report)))
    assert "into the battery; hardly anything drawn" in page


def test_a_charge_with_its_sign_turned_is_no_discharge(tmp_path: Path) -> None:
    time_s, channels = charge()
    channels["battery_current_a"] = -channels["battery_current_a"]
    for name, machine in (("described", CART_12V), ("bare", None)):
        (tmp_path / name).mkdir()
        report = report_of(tmp_path / name, time_s, channels, machine)
        (found,) = (finding for finding in report.findings if finding.code == "charger_unseen")
        assert found["reversed"]
        assert report.energy.net_ah.is_refused


def test_a_charger_past_the_sensors(tmp_path: Path) -> None:
    time_s, channels = charge()
    quiet = np.random.default_rng(3).normal(0, 0.03, len(time_s))
    sides = {
        "battery_voltage_v": channels["battery_voltage_v"],
        "left_current_a": quiet,
        "right_current_a": quiet[::-1],
    }
    report = report_of(tmp_path, time_s, sides)
    (found,) = (finding for finding in report.findings if finding.code == "charger_unseen")
    assert not found["reversed"]
    assert report.energy.net_ah.is_refused
    assert report.sag.rest_voltage_v.is_refused
    # It is past the sensors: what left and right read is what they carried.
    assert report.energy.by_channel["left"][0].value is not None


@pytest.mark.parametrize(("machine", "open_v"), [(CART_12V, 12.9), (LITHIUM_24V, 27.2)])
def test_a_drive_from_full_is_no_charge(tmp_path: Path, machine: str, open_v: float) -> None:
    made = drive(open_v=open_v)
    run = Run.open(write_run(tmp_path / "run.parquet", made.time_s, made.channels, machine=machine))
    assert on_charger(run) is None
    assert "charger_unseen" not in codes(build_report(run))


def test_recovery_after_a_load_is_no_charge(tmp_path: Path) -> None:
    time_s = np.arange(0.0, 3600.0, 1.0)
    since_s = np.maximum(time_s - 1200, 0.0)
    amps = np.where(time_s < 1200, 20.0, 1.0)
    volts = 12.3 - 0.015 * amps - np.where(time_s < 1200, 0.4, 0.4 * np.exp(-since_s / 600))
    channels = {"battery_current_a": amps, "battery_voltage_v": volts}
    assert "charger_unseen" not in codes(report_of(tmp_path, time_s, channels))
