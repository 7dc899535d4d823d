"""Motor and controller by their own thermal memory, apart from any fuse."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.exposure.current import assess_current
from amptally.analysis.protection.drive_parts import overloads, sheet_constant_s
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.leads import LEADS
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from tests.analysis.build_runs import CART, Floats, doubted, write_run

T_S = np.arange(0, 300, 0.05)
MACHINE = CART.replace("[controller]\n", "[motor]\nrated_a = 27\npeak_a = 80\npeak_s = 60\n[controller]\n").replace(
    'sensed = "supply_leg"', 'sensed = "motor_lead"'
)


def found(
    folder: Path, amps: float | Floats, machine: str = MACHINE, doubts: Doubts | None = None
) -> tuple[Reason, ...]:
    path = write_run(folder / f"r{len(list(folder.iterdir()))}.parquet", T_S, {"left_current_a": amps}, machine=machine)
    run = Run.open(path)
    currents = {lead: assess_current(run, lead, [], [], Doubts()) for lead in LEADS}
    return overloads(run, currents, doubts or Doubts())


# IEC 60255-149 (formerly 60255-8), as printed in public manuals of thermal relays: t = τ ln(I²/(I² − 1)); references
# TM1: τ 1800 s carries twice its current for 517.83 s
def test_TM1_the_time_constant_of_a_sheet() -> None:
    assert sheet_constant_s(1.0, 2.0, 517.83) == pytest.approx(1800, rel=1e-4)
    with pytest.raises(ValueError, match="not above"):
        sheet_constant_s(30.0, 30.0, 10.0)


def test_what_the_sheet_allows_just_passes_and_a_little_more_is_found(tmp_path: Path) -> None:
    # 80 A for 60 s, as on the sheet; 60 A take −τ ln(1 − (27/60)²), own arithmetic.
    tau_s = -60 / math.log(1 - (27 / 80) ** 2)
    longest_s = -tau_s * math.log(1 - (27 / 60) ** 2)
    assert found(tmp_path, np.where(T_S < 59.8, 80.0, 0.0)) == ()
    assert found(tmp_path, np.where(longest_s - 0.5 > T_S, 60.0, 0.0)) == ()
    (reason,) = found(tmp_path, np.where(longest_s + 3 > T_S, 60.0, 0.0))
    assert (reason.code, reason.severity, reason["part"], reason["side"]) == (
        "part_overloaded",
        "caution",
        "motor",
        "left",
    )
    assert told(reason).what == "The left motor carried more than its sheet allows."


def test_a_supply_current_is_the_least_that_the_motor_carried(tmp_path: Path) -> None:
    supply = MACHINE.replace('sensed = "motor_lead"', 'sensed = "supply_leg"')
    (reason,) = found(tmp_path, 50.0, supply)
    assert "at least" in told(reason).evidence
    assert found(tmp_path, 50.0, MACHINE.replace('sensed = "motor_lead"', 'sensed = "unknown"')) == ()


def test_nothing_is_judged_without_a_time_on_the_sheet_or_on_doubted_currents(tmp_path: Path) -> None:
    assert found(tmp_path, 50.0, CART) == ()
    assert found(tmp_path, 50.0, MACHINE.replace("peak_s = 60\n", "")) == ()
    assert found(tmp_path, 50.0, doubts=doubted("channel_stuck")) == ()
    channel = MACHINE.replace("[motor]\nrated_a = 27\npeak_a = 80\npeak_s = 60\n", "").replace(
        "[controller]\n", "[controller]\ncontinuous_a = 40\npeak_a = 100\npeak_s = 30\n"
    )
    assert {reason["part"] for reason in found(tmp_path, 60.0, channel)} == {"controller"}


def test_without_a_time_on_the_sheet_ten_minutes_count_as_for_good(tmp_path: Path) -> None:
    machine = CART.replace("[controller]\n", "[motor]\nrated_a = 27\n[controller]\ncontinuous_a = 40\n")
    time_s = np.arange(0, 700, 0.1)
    for amps, parts in ((26.0, []), (30.0, ["motor"]), (45.0, ["motor", "controller"])):
        path = write_run(tmp_path / f"l{amps:g}.parquet", time_s, {"left_current_a": amps}, machine=machine)
        run = Run.open(path)
        currents = {lead: assess_current(run, lead, [], [], Doubts()) for lead in LEADS}
        reasons = overloads(run, currents, Doubts())
        assert [reason["part"] for reason in reasons] == parts
        assert {reason.code for reason in reasons} <= {"part_above_continuous"}
        # A supply carries the least that its motor does.
        assert all("at least" in told(reason).evidence for reason in reasons)


def test_a_current_above_the_controller_s_maximum_is_told(tmp_path: Path) -> None:
    machine = CART.replace("[controller]\n", "[controller]\npeak_a = 100\n")
    assert found(tmp_path, np.where(T_S < 1, 104.0, 0.0), machine) == ()
    (reason,) = found(tmp_path, np.where(T_S < 1, 106.0, 0.0), machine)
    assert (reason.code, reason["limit_a"]) == ("controller_limit_passed", 100)
