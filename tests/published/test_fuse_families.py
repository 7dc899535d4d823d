"""Fuse families, ratings and breaking capacity against their sources, and the rule on fuse and wire."""

from __future__ import annotations

import pytest

from amptally.logger.machine.fields import SECTIONS
from amptally.tables.fuse_above_wire import fuse_against_wire
from amptally.tables.fuse_breaking_capacity import sheet_short_circuit, short_circuit
from amptally.tables.fuse_families import FAMILIES
from amptally.tables.wire_ampacity import ampacity


def test_every_family_of_the_field_table_has_its_tables() -> None:
    assert set(SECTIONS["fuse"].specs["family"].words) == set(FAMILIES)
    for family in FAMILIES.values():
        assert {table.family for table in family.tables} == {family.name}
        for rating_a in family.ratings.all_a:
            assert family.table(rating_a) is not None


# Sizes by body: a public page on automotive fuses (regular 1-40 A, mini 2-30 A, maxi 20-80 A); scope of
# ISO 8820-5:2015 (strips 30-500 A)
@pytest.mark.parametrize(
    ("family", "least_a", "greatest_a"),
    [("blade_medium", 1, 40), ("blade_mini", 2, 30), ("blade_large", 20, 80), ("strip_sf30", 30, 500)],
)
def test_the_range_of_each_body(family: str, least_a: float, greatest_a: float) -> None:
    assert (FAMILIES[family].least_a, FAMILIES[family].greatest_a) == (least_a, greatest_a)


@pytest.mark.parametrize(
    ("family", "rating_a", "standing"),
    [
        # public colour pages: 50 A of the maxi-style, 20 A of the regular body
        ("blade_large", 50, "listed"),
        ("blade_medium", 20, "listed"),
        # from memory: 25 A clear
        ("blade_medium", 25, "remembered"),
        # scope of ISO 8820-5:2015: a range, no single rating
        ("strip_sf51", 100, "range_only"),
        # in no list: between two sizes, and outside the body's range
        ("blade_large", 45, "not_made"),
        ("blade_mini", 40, "not_made"),
        ("strip_sf30", 501, "not_made"),
    ],
)
def test_how_sure_it_is_that_a_rating_is_made(family: str, rating_a: float, standing: str) -> None:
    assert FAMILIES[family].standing(rating_a) == standing


# Scopes of ISO 8820-3:2015 and ISO 8820-5:2015: 1000 A and 2000 A. Currents by Ohm's law; a full AGM block
# stands at 13.2 V, 1.1 times nominal (a vehicle maker's owner manual).
@pytest.mark.parametrize(
    ("family", "ohm", "verdict"),
    [
        ("blade_large", 0.0235, "above"),
        # 980 A at nominal, but 1078 A when full
        ("blade_large", 0.0245, "above"),
        # 0.8 of the capacity (own line): 26.4 V / 33 mΩ = 800 A, 26.4 V / 16.5 mΩ = 1600 A
        ("blade_large", 0.0325, "near"),
        ("blade_large", 0.0335, "below"),
        ("strip_sf51", 0.0125, "above"),
        ("strip_sf51", 0.0135, "near"),
        ("strip_sf51", 0.0167, "below"),
    ],
)
def test_a_short_circuit_against_the_breaking_capacity(family: str, ohm: float, verdict: str) -> None:
    found = sheet_short_circuit(FAMILIES[family], 24.0, ohm)
    assert found.verdict == verdict
    assert (found.likely_a, found.high_a) == (pytest.approx(24 / ohm), pytest.approx(26.4 / ohm))


def test_a_measured_short_circuit_counts_by_the_ends_that_drive_most() -> None:
    # 25.8 V through 15 mΩ, 1720 A; scope of ISO 8820-3:2015: 1000 A, of ISO 8820-5:2015: 2000 A.
    blade, strip = FAMILIES["blade_large"], FAMILIES["strip_sf30"]
    assert short_circuit(blade, 25.8, 0.015, high_v=25.9, low_ohm=0.014).verdict == "above"
    assert short_circuit(strip, 25.8, 0.015, high_v=25.9, low_ohm=0.014).verdict == "near"
    assert short_circuit(strip, 25.8, 0.015, high_v=25.9, low_ohm=0.012).verdict == "above"
    # Known from one side alone it is a danger where that is enough, else open.
    assert short_circuit(blade, 25.8, 0.015, high_v=25.9).verdict == "above"
    assert short_circuit(strip, 25.8, 0.015, low_ohm=0.014).verdict == "open"
    # An interval that reaches zero bounds nothing.
    assert short_circuit(strip, 25.8, 0.015, high_v=25.9, low_ohm=-0.001).verdict == "open"


# ABYC E-11, second-hand: at most the ampacity, the next size up to 150 % of it. 33 CFR 183.425 Table 5: 10 AWG at 75 °C
# 40 A, without its insulation 40 to 70 A; 18 AWG 10 A at 60 °C, so a thinner one carries less.
@pytest.mark.parametrize(
    ("wire", "rating_a", "verdict", "severity", "ratio"),
    [
        ({"awg": 10, "insulation_c": 75}, 40, "not_above", None, None),
        ({"awg": 10, "insulation_c": 75}, 60, "above", "caution", 1.5),
        ({"awg": 10, "insulation_c": 75}, 60.1, "above", "danger", 1.5025),
        ({"awg": 10}, 40, "not_above", None, None),
        ({"awg": 10}, 50, "open", "caution", None),
        ({"awg": 10}, 80, "above", "danger", 80 / 70),
        ({"awg": 20, "insulation_c": 60}, 5, "open", "caution", None),
        ({"awg": 20, "insulation_c": 60}, 15, "above", "danger", 1.5),
        ({}, 5, "open", "note", None),
        ({"mm2": 120, "insulation_c": 60}, 300, "not_above", None, None),
        ({"mm2": 120, "insulation_c": 60}, 400, "open", "note", None),
        ({"awg": 10, "insulation_c": 60, "air_c": 65}, 1, "open", "caution", None),
    ],
)
def test_a_fuse_against_its_wire(
    wire: dict[str, float], rating_a: float, verdict: str, severity: str | None, ratio: float | None
) -> None:
    limit = ampacity(**wire)  # type: ignore[arg-type]
    found = fuse_against_wire(rating_a, limit)
    assert (found.verdict, found.severity) == (verdict, severity)
    assert found.ratio == (None if ratio is None else pytest.approx(ratio))
    assert found.at_least == (verdict == "above" and limit.value_a is None)
