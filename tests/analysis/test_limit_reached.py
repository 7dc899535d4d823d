"""A battery that reached its end of discharge within the run: danger, and nothing left at this load."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.forecast.limit_reached import limit_reached
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from tests.analysis.build_runs import CART, Floats, write_run

# A 12 V lead-acid block ends its discharge at 10.5 V at slow rates (IEC 61056-1, 1.75 V a cell; from memory): 21 V.
CUTOFF = CART.replace("capacity_ah = 35", "cutoff_v = 10.5\ncapacity_ah = 35").replace(
    "minimum_v = 18\ncutoff_v = 19\n", ""
)
T_S = np.arange(0, 400, 0.1)
AMPS = np.where(T_S < 10, 0.0, 20.0)


def report_of(folder: Path, volts: Floats, amps: Floats = AMPS, machine: str = CUTOFF, start: float = 0.9) -> Report:
    path = write_run(
        folder / "r.parquet", T_S, {"battery_current_a": amps, "battery_voltage_v": volts}, machine=machine
    )
    return build_report(Run.open(path), fraction=start, with_ledger=False)


def falling(to_v: float, for_s: float) -> Floats:
    """24 V, then `to_v` for the last so many seconds."""
    return np.where(T_S < 10, 25.0, np.where(T_S[-1] - for_s > T_S, 24.0, to_v))


def codes(report: Report) -> list[str]:
    return [finding.code for finding in report.findings if finding.severity == "danger"]


def test_a_battery_under_its_limit_is_a_danger_and_has_nothing_left(tmp_path: Path) -> None:
    report = report_of(tmp_path, falling(20.8, 90.0))
    assert "battery_below_limit" in codes(report)
    left = report.charge.remaining
    for value in (left.charge_ah, left.energy_wh, left.runtime_s):
        assert (value.low, value.value, value.high) == (0.0, 0.0, 0.0)
        assert [reason.code for reason in value.reasons] == ["limit_already_reached"]
    assert left.ends_by == "block_a"
    (finding,) = report.charge.findings
    assert "20.80 V" in told(finding).evidence
    assert "21 V" in told(finding).evidence
    # What a full charge gives is not judged by it.
    assert report.charge.full.charge_ah.value is not None
    assert report.charge.full.charge_ah.value > 0


@pytest.mark.parametrize("for_s", [5.0, 30.0])
def test_a_dip_ends_no_discharge(tmp_path: Path, for_s: float) -> None:
    report = report_of(tmp_path, falling(20.8, for_s))
    assert report.charge.findings == ()
    assert report.charge.remaining.runtime_s.value


def test_a_cut_off_that_switches_acts_sooner(tmp_path: Path) -> None:
    machine = CUTOFF + "[bms]\ncutoff_v = 21.5\n"
    report = report_of(tmp_path, falling(21.3, 15.0), machine=machine)
    (finding,) = report.charge.findings
    assert (finding["limit"], finding["limit_v"]) == ("bms_cutoff", 21.5)
    assert report.charge.remaining.ends_by == "bms"


def test_one_block_alone_may_be_under_its_limit(tmp_path: Path) -> None:
    volts = falling(22.5, 200.0)
    lower = np.where(volts < 23.0, 10.2, volts / 2)
    channels = {"battery_current_a": AMPS, "battery_voltage_v": volts, "midpoint_voltage_v": lower}
    run = Run.open(write_run(tmp_path / "r.parquet", T_S, channels, machine=CUTOFF))
    reached = limit_reached(run)
    assert reached is not None
    assert (reached.ends_by, reached.limit_v) == ("block_a", 10.5)
    channels["midpoint_voltage_v"] = volts - lower
    reached = limit_reached(Run.open(write_run(tmp_path / "s.parquet", T_S, channels, machine=CUTOFF)))
    assert reached is not None
    assert reached.ends_by == "block_b"


def test_charging_after_it_leaves_the_count_alone(tmp_path: Path) -> None:
    volts = np.where(T_S < 10, 25.0, np.where(T_S < 150, 20.8, 26.5))
    amps = np.where(T_S < 10, 0.0, np.where(T_S < 150, 20.0, -20.0))
    report = report_of(tmp_path, volts, amps)
    assert "battery_below_limit" in codes(report)
    assert [reason.code for reason in report.charge.remaining.runtime_s.reasons] != ["limit_already_reached"]


def test_without_a_limit_there_is_none_to_reach(tmp_path: Path) -> None:
    report = report_of(tmp_path, falling(18.0, 90.0), machine=CUTOFF.replace("cutoff_v = 10.5\n", ""))
    assert report.charge.findings == ()


def test_a_full_charge_grows_by_the_part_that_the_run_did_not_see(tmp_path: Path) -> None:
    t_s = np.arange(0, 3600, 1.0)
    amps = np.where(t_s < 10, 0.0, 8.0 + np.sin(2 * np.pi * t_s / 1795))
    volts = 25.4 - 1.5 * t_s / t_s[-1] - 0.02 * amps
    path = write_run(
        tmp_path / "r.parquet", t_s, {"battery_current_a": amps, "battery_voltage_v": volts}, machine=CUTOFF
    )
    charge = build_report(Run.open(path), fraction=1.0, with_ledger=False).charge
    left, whole = charge.before_doubts, charge.full
    drawn_ah = 8.0 * 3590 / 3600
    assert left.charge_ah.value is not None
    seen = drawn_ah / (drawn_ah + left.charge_ah.value)
    assert 0.2 < seen < 0.5
    # A load of constant power: its own current in the run, more in what is to come. `load_growth` is a root.
    assert left.load_growth > 1.02
    assert whole.load_growth**2 == pytest.approx(seen + (1 - seen) * left.load_growth**2, rel=1e-3)
