"""`machine check` and the report give one answer about the same fuse and wire."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from amptally.analysis.exposure.exposure import CurrentError, Exposure
from amptally.analysis.protection.fuse import assess_fuse
from amptally.analysis.protection.fuse_eligibility import FuseSpec, fuse_specs
from amptally.analysis.protection.wire import ampacity, fuse_over_wire
from amptally.analysis.wording.findings import told
from amptally.logger.machine.check import check
from amptally.logger.machine.description import parse
from amptally.logger.machine.fields import Wire

# Every row of 33 CFR 183.425 Table 5 that `awg` can name, gauges beside and beyond it, and metric sizes.
GAUGES = (20, 18, 16, 14, 12, 10, 8, 6, 4, 3, 2, 1, 0)
AREAS_MM2 = (0.5, 0.75, 1.5, 2.5, 4.0, 6.0, 10.0, 25.0, 50.0, 107.0, 120.0)
INSULATION_C = (None, 50, 60, 75, 80, 85, 90, 105, 125, 150, 200, 250)
AIR_C = (None, 20, 40, 50, 70)
RATINGS_A = (1, 7.5, 15, 20, 30, 35, 40, 60, 80, 150, 500)


def checked(wire: dict[str, object], rating_a: float, air_c: float | None) -> str | None:
    """Severity of `fuse_above_wire` in `machine check`; None where it does not find it."""
    lines = ["[fuse.left]", 'family = "strip_sf51"', f"rating_a = {rating_a:g}"]
    lines += [] if air_c is None else [f"ambient_c = {air_c:g}"]
    lines += ["[wire.left]", *(f"{name} = {value}" for name, value in wire.items() if value is not None)]
    found = [each for each in check(parse("\n".join(lines), "cart.toml")) if each.code == "fuse_above_wire"]
    return found[0].severity if found else None


def reported(wire: dict[str, object], rating_a: float, air_c: float | None) -> str | None:
    """The same of the report."""
    found = fuse_over_wire("left", rating_a, ampacity(Wire(**wire), air_c))  # type: ignore[arg-type]
    return None if found is None else found.severity


@pytest.mark.parametrize("insulation_c", INSULATION_C)
@pytest.mark.parametrize(
    "size",
    [
        *({"awg": awg} for awg in GAUGES),
        *({"mm2": area} for area in AREAS_MM2),
        *({"awg": awg, "mm2": area} for awg, area in ((10, 10.0), (10, 2.5), (8, 8.37), (12, 3.3))),
    ],
    ids=lambda size: "_".join(f"{value:g}{name}" for name, value in size.items()),
)
def test_a_fuse_is_above_its_wire_in_both_or_in_neither(size: dict[str, object], insulation_c: float | None) -> None:
    wire = {**size, "insulation_c": insulation_c}
    for rating_a, air_c in itertools.product(RATINGS_A, AIR_C):
        assert checked(wire, rating_a, air_c) == reported(wire, rating_a, air_c), (rating_a, air_c)


@pytest.mark.parametrize("family", ["blade_mini", "blade_medium", "blade_large", "strip_sf30", "strip_sf51"])
def test_a_rating_that_no_list_names_is_doubted_in_both(family: str) -> None:
    second = np.arange(0, 100, 0.01)
    exposure = Exposure.from_interval_rms(second, np.full(len(second), 5.0), np.zeros(len(second) - 1, bool))
    for rating_a in (0.5, 1, 2, 7.5, 20, 25, 30, 32, 35, 40, 45, 60, 80, 100, 500, 501):
        text = f'[fuse.left]\nfamily = "{family}"\nrating_a = {rating_a:g}\n'
        outside = "fuse_outside_family" in {each.code for each in check(parse(text, "cart.toml"))}
        result = assess_fuse(FuseSpec("left", family, rating_a, 20.0), exposure, CurrentError(0.001, 0.0, 0.0), 100.0)
        unlisted = any("no list at hand names" in told(finding).evidence for finding in result.findings)
        assert outside == (unlisted or result.derated_a is None), rating_a


@pytest.mark.parametrize("position", [None, "supply_leg", "motor_lead", "unknown"])
@pytest.mark.parametrize("sensed", [None, "supply_leg", "motor_lead", "unknown"])
def test_a_sensor_in_the_other_lead_is_found_by_both_or_by_neither(position: str | None, sensed: str | None) -> None:
    lines = ["[fuse.left]", 'family = "blade_large"', "rating_a = 40"]
    lines += [] if position is None else [f'position = "{position}"']
    lines += [] if sensed is None else ["[controller]", f'sensed = "{sensed}"']
    machine = parse("\n".join(lines), "cart.toml")
    second = np.arange(0, 100, 0.01)
    exposure = Exposure.from_interval_rms(second, np.full(len(second), 5.0), np.zeros(len(second) - 1, bool))
    result = assess_fuse(fuse_specs(machine)["left"], exposure)
    checks, reports = {each.code for each in check(machine)}, {each.code for each in result.findings}
    assert ("fuse_not_seen" in checks) == ("fuse_place_differs" in reports)
    # Where the file leaves the sensor's place open, that is its own finding in both.
    unseen = "fuse_position_missing" in checks or "controller_sensed_missing" in checks
    assert unseen or not reports & {"fuse_place_unknown", "fuse_place_assumed"}
