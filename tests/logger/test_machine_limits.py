"""The limits that `machine check` compares with, against the tables they are copied from."""

from __future__ import annotations

import inspect

import pytest

from analysis.tables import ampacity_abyc, iso8820_3_blade, iso8820_5_strip
from logger import machine_check, machine_check_fuse
from logger.machine_fields import SECTIONS, Wire
from logger.machine_limits import FUSE_FAMILIES, ampacity, awg_area_mm2, resistance_ohm
from logger.machine_problem import RULES


# References section 2, column "mm2 (C)".
@pytest.mark.parametrize(
    ("awg", "area"),
    [(18, 0.8230), (16, 1.3087), (14, 2.0809), (12, 3.3088), (10, 5.2612), (8, 8.3656), (6, 13.302), (4, 21.151)],
)
def test_area_of_awg(awg: int, area: float) -> None:
    assert awg_area_mm2(awg) == pytest.approx(area, rel=1e-4)


# References section 2, column "ABYC 105 C wire, A outside" (second-hand); 12 and 6 AWG are empty there.
@pytest.mark.parametrize(
    ("wire", "current_a"),
    [
        (Wire(awg=18), 20),
        (Wire(awg=16), 25),
        (Wire(awg=14), 35),
        (Wire(awg=12), 35),
        (Wire(awg=10), 60),
        (Wire(awg=8), 80),
        (Wire(awg=6), 80),
        (Wire(awg=4), 160),
        (Wire(awg=2), 210),
        (Wire(mm2=0.75), None),
        (Wire(mm2=1.5), 25),
        (Wire(mm2=10), 80),
        (Wire(mm2=25), 160),
        (Wire(mm2=35), 210),
        (Wire(awg=10, mm2=2.5), 35),
        (Wire(), None),
    ],
)
def test_ampacity(wire: Wire, current_a: float | None) -> None:
    found = ampacity(wire)
    assert (None if found is None else found.current_a) == current_a


# References section 2, ohm/kft at 20 °C, published column; 1 ohm/kft = 3.28084 ohm/km. Half the last printed
# digit of 0.1563 is 3.2e-4 of it.
@pytest.mark.parametrize(("awg", "ohm_per_kft"), [(18, 6.385), (14, 2.525), (10, 0.9989), (6, 0.3951), (2, 0.1563)])
def test_copper_resistance(awg: int, ohm_per_kft: float) -> None:
    assert resistance_ohm(Wire(awg=awg, length_m=10)) == pytest.approx(10 * ohm_per_kft * 3.28084e-3, rel=4e-4)
    assert resistance_ohm(Wire(awg=awg)) == 0
    assert resistance_ohm(None) == 0


def test_every_family_of_the_field_table_has_its_limits() -> None:
    assert set(SECTIONS["fuse"].specs["family"].words) == set(FUSE_FAMILIES)
    for family in FUSE_FAMILIES.values():
        for rating_a in (*family.listed_a, *family.remembered_a):
            assert family.low_a <= rating_a <= family.high_a


def test_every_rule_is_somebodys() -> None:
    source = inspect.getsource(machine_check) + inspect.getsource(machine_check_fuse)
    assert [code for code in RULES if f'"{code}"' not in source] == []


def test_runs_are_judged_by_the_same_limits() -> None:
    for awg, current_a in ampacity_abyc.AMPACITY_A.items():
        found = ampacity(Wire(awg=awg))
        assert found is not None
        assert (found.row_awg, found.current_a) == (awg, current_a)
    for table in (*iso8820_3_blade.TABLES, *iso8820_5_strip.TABLES):
        assert FUSE_FAMILIES[table.family].breaking_a == table.breaking_capacity_a
        assert FUSE_FAMILIES[table.family].low_a <= table.least_rating_a
        assert FUSE_FAMILIES[table.family].high_a >= table.greatest_rating_a
