"""Breaking capacity: the sheet's short circuit, a measured one, both, and what bounds neither."""

from __future__ import annotations

from pathlib import Path

import pytest

from amptally.analysis.protection.breaking import Source, assess_breaking
from amptally.analysis.report.build import build_report
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.logger.machine.check import check
from amptally.logger.machine.description import Machine, parse

BLADES = """
[battery]
blocks = 2
arrangement = "series"
block_voltage_v = 12
resistance_ohm = {ohm}
[fuse.main]
family = "{family}"
rating_a = 80
[fuse.left]
family = "blade_large"
rating_a = 40
[wire.main]
awg = 8
length_m = 1.5
"""
NONE = refuse("ohm", Reason("current_not_measured"))
SAMPLES = Path(__file__).parents[2] / "sample_runs"


def machine(ohm: float = 0.03, family: str = "blade_large") -> Machine:
    return parse(BLADES.format(ohm=ohm, family=family), "cart.toml")


def spread(value: float, half: float, unit: str = "ohm") -> Estimate:
    return Estimate(value, value - half, value + half, unit)


VOLTS = spread(25.8, 0.06, "V")


def severities(found: dict[str, Reason]) -> dict[str, str]:
    return {place: f"{reason.code} {reason.severity}" for place, reason in found.items()}


# Scope of ISO 8820-3:2015: blades interrupt 1000 A
def test_a_measured_resistance_below_the_sheet_s_is_a_danger() -> None:
    # By the sheet 26.4 V / 60 mΩ = 440 A; measured 25.86 V / 14.4 mΩ = 1796 A, and with 3.1 mΩ of 8 AWG 1478 A.
    assert assess_breaking(machine(), None) == {}
    source = Source(VOLTS, spread(0.015, 0.0006), 0.1)
    found = assess_breaking(machine(), source)
    assert severities(found) == {"main": "breaking_capacity danger", "left": "breaking_capacity danger"}
    words = told(found["main"])
    assert (
        "about 1720 A from 25.80 V through 15.0 mΩ of battery (read 0.1 s after a step), up to 1796 A" in words.evidence
    )
    assert "by the sheet: about 400 A" in words.evidence
    assert "interrupts 1000 A (scope of ISO 8820-3:2015)" in words.evidence
    assert "3.1 mΩ of main wire" in told(found["left"]).evidence


# Scope of ISO 8820-5:2015: strips interrupt 2000 A
def test_a_greater_breaking_capacity_ends_it() -> None:
    source = Source(VOLTS, spread(0.020, 0.0006), 0.1)
    found = assess_breaking(machine(family="strip_sf30"), source)
    assert set(found) == {"left"}
    near = assess_breaking(machine(family="strip_sf30"), Source(VOLTS, spread(0.015, 0.0006), 0.1))
    assert near["main"].code == "breaking_capacity_near"


def test_the_gravest_of_sheet_and_measurement_counts() -> None:
    # A worn battery measured at 100 mΩ is replaced by a new one of the sheet's 10 mΩ: 2640 A when full.
    found = assess_breaking(machine(ohm=0.005), Source(VOLTS, spread(0.1, 0.01), 0.1))
    assert severities(found)["main"] == "breaking_capacity danger"
    # A sheet that does not fit the measured voltage is another battery's.
    assert assess_breaking(machine(ohm=0.005), Source(VOLTS, spread(0.1, 0.01), 0.1), description_fits=False) == {}


def test_a_resistance_of_a_longer_time_bounds_the_current_from_below_alone() -> None:
    slow = Source.of((NONE, VOLTS), {0.1: NONE, 1.0: spread(0.02, 0.001), 10.0: spread(0.025, 0.001)})
    assert slow == Source(VOLTS, spread(0.02, 0.001), 1.0)
    assert severities(assess_breaking(machine(), slow))["main"] == "breaking_capacity danger"
    assert assess_breaking(machine(), Source(VOLTS, spread(0.029, 0.001), 1.0)) == {}
    assert Source.of((NONE,), {0.1: spread(0.02, 0.001)}) is None
    assert Source.of((VOLTS,), {0.1: NONE}) is None
    assert assess_breaking(None, slow) == {}


# 25.8 V and 15 mΩ by this run: 1.7 kA against 1 kA of a blade (scope of ISO 8820-3:2015)
def test_the_demo_cart_s_blades_are_a_danger_in_check_and_report_alike() -> None:
    run = Run.open(SAMPLES / "nine-laps-marked.parquet")
    assert run.machine is not None
    report = build_report(run, with_ledger=False)
    reported = {finding["place"] for finding in report.findings if finding.code == "breaking_capacity"}  # type: ignore[index]
    checked = {each.where.split(".")[1] for each in check(run.machine) if each.code == "breaking_capacity"}
    assert reported == {"main", "left", "right"}
    assert "main" in checked
    grave = [each for each in report.findings if each.code == "breaking_capacity"]
    assert {each.severity for each in grave} == {"danger"}
    main = next(each for each in grave if each["place"] == "main")
    assert main["by"][0]["likely_a"] == pytest.approx(1704, rel=0.02)  # type: ignore[index]
