"""Fuse tables against their transcriptions, and what can be recomputed from them (references section 1)."""

from __future__ import annotations

import numpy as np
import pytest

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.fuse import assess_fuse
from amptally.analysis.protection.fuse_curve import Limit
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_margin import continuous_rating_a
from amptally.tables.fuse_blades_iso8820_3 import BLADE_LARGE, BLADE_MEDIUM_35_40_A, MELTING_I2T_A2S
from amptally.tables.fuse_derating import UsableShare, steepest_slope_per_k, usable_share
from amptally.tables.fuse_families import FAMILIES, fuse_table
from amptally.tables.fuse_opening_times import FuseTable, altitude_fraction, opening_times_s, rated_after_s

TABLES = tuple(table for family in FAMILIES.values() for table in family.tables)


def rows(family: str, rating_a: float) -> dict[float, tuple[float | None, float | None, str]]:
    table = fuse_table(family, rating_a)
    assert table is not None
    return {row.percent: (row.shortest_s, row.longest_s, row.mark) for row in table.rows}


def share(table: FuseTable, air_c: float) -> float:
    found = usable_share(table, air_c)
    assert found is not None
    return found.fraction


def test_type_E_rows() -> None:
    # Second-hand: maker's data sheet, 40 A maxi-style blade fuse, p 3, citing ISO 8820-3:2002 and SAE J1888.
    assert rows("blade_large", 40) == {
        100: (360_000, None, "second-hand"),
        135: (60, 1800, "second-hand"),
        200: (2, 50, "second-hand"),
        350: (0.2, 7, "second-hand"),
        600: (0.04, 1, "second-hand"),
    }


def test_type_C_rows_of_the_35_and_40_A_parts() -> None:
    # Second-hand: maker's data sheet, 40 A regular blade fuse, p 3. 600 % has no shortest time.
    expected = {
        100: (360_000, None, "second-hand"),
        135: (0.75, 600, "second-hand"),
        200: (0.15, 5, "second-hand"),
        350: (0.08, 0.5, "second-hand"),
        600: (None, 0.15, "second-hand"),
    }
    assert rows("blade_medium", 40) == expected
    assert rows("blade_medium", 35) == expected


def test_type_C_rows_of_the_10_A_part_serve_ratings_up_to_30_A() -> None:
    # 160 and 200 % second-hand (a second transcription); 135, 350, 600 % from memory; 110 % from memory, not confirmed.
    expected = {
        110: (360_000, None, "from memory"),
        135: (0.75, 600, "from memory"),
        160: (0.25, 50, "second-hand"),
        200: (0.15, 5, "second-hand"),
        350: (0.08, 0.25, "from memory"),
        600: (None, 0.1, "from memory"),
    }
    for rating in (1, 10, 30):
        assert rows("blade_medium", rating) == expected


def test_type_F_and_strip_rows_are_from_memory() -> None:
    # From memory, unverified.
    assert rows("blade_mini", 20) == {
        100: (360_000, None, "from memory"),
        135: (0.75, 600, "from memory"),
        200: (0.15, 5, "from memory"),
        350: (0.08, 0.25, "from memory"),
        600: (0.03, 0.1, "from memory"),
    }
    # From memory, unverified.
    strip = {
        100: (14_400, None, "from memory"),
        135: (120, 1800, "from memory"),
        200: (1, 15, "from memory"),
        350: (0.3, 5, "from memory"),
        600: (0.1, 1, "from memory"),
    }
    assert rows("strip_sf30", 60) == strip
    assert rows("strip_sf51", 100) == strip


def test_ratings_and_breaking_capacities() -> None:
    # Sizes: published list (lingofpower 2007/10): regular 1-40 A, mini 2-30 A, maxi 20-80 A. ISO 8820-5 scope:
    # 30-500 A. Breaking capacity 1000 A (ISO 8820-3 scope) and 2000 A (ISO 8820-5 scope), published.
    assert tuple(FAMILIES) == ("blade_mini", "blade_medium", "blade_large", "strip_sf30", "strip_sf51")
    limits = {"blade_mini": (2, 30), "blade_large": (20, 80), "strip_sf30": (30, 500), "strip_sf51": (30, 500)}
    for family, (least, greatest) in limits.items():
        assert fuse_table(family, least) is not None
        assert fuse_table(family, greatest) is not None
        assert fuse_table(family, least - 0.5) is None
        assert fuse_table(family, greatest + 0.5) is None
    assert fuse_table("blade_medium", 32) is None
    assert fuse_table("blade_medium", 41) is None
    assert fuse_table("glass", 10) is None
    for family, body in FAMILIES.items():
        assert body.breaking_capacity_a == (2000 if family.startswith("strip") else 1000)


@pytest.mark.parametrize(
    ("family", "amps", "expected_s"),
    [
        # FU1: 8500/240² = 0.148 s at 600 %, inside 0.04 .. 1; arithmetic on second-hand data.
        ("blade_large", 240, 0.148),
        # FU2: 3300/240² = 0.057 s at 600 %, ≤ 0.15; 3300/140² = 0.168 s at 350 %, inside 0.08 .. 0.5; likewise.
        ("blade_medium", 240, 0.057),
        ("blade_medium", 140, 0.168),
    ],
)
def test_FU1_and_FU2_a_pulse_that_melts_a_typical_40_A_part_may_open_it(
    family: str, amps: float, expected_s: float
) -> None:
    """The typical melting I²t of a sheet lies between its earliest and its latest opening: such a pulse is inside."""
    melting_s = MELTING_I2T_A2S[family, 40] / amps**2
    assert melting_s == pytest.approx(expected_s, abs=1e-3)
    time_s = np.arange(0, 4, 2e-4)
    current_a = np.where((time_s >= 1) & (time_s < 1 + melting_s), amps, 0.0)
    exposure = Exposure.prepare(time_s, current_a, np.zeros(len(time_s) - 1, bool))
    spec = FuseSpec("left", family, 40, ambient_c=20, position="supply_leg", sensed="supply_leg")
    found = assess_fuse(spec, exposure)
    assert found.margin.value is not None
    assert found.margin_latest.value is not None
    assert found.margin.value <= 1.0 + 1e-3 < found.margin_latest.value
    assert found.verdict == "inside"


def test_FU3_slope_of_the_derating_table() -> None:
    # FU3: 0.33, 0.38, 0.42, 0.43 %/K from 20 °C to 65, 85, 110, 125 °C; arithmetic on second-hand data.
    for ambient_c, slope in ((65, 0.33), (85, 0.38), (110, 0.42), (125, 0.43)):
        assert 100 * (1 - share(BLADE_LARGE, ambient_c)) / (ambient_c - 20) == pytest.approx(slope, abs=0.01)


# FU4: 1 − (A − 2000)/20000, a component distributor's forum, topic 46685: 28.5 A of 30 A at 3000 m
def test_FU4_rating_at_altitude() -> None:
    assert 30 * altitude_fraction(3000) == pytest.approx(28.5, rel=1e-12)
    assert altitude_fraction(0) == altitude_fraction(2000) == 1.0
    with pytest.raises(ValueError, match="metres"):
        altitude_fraction(float("nan"))


# FU5: data sheet of a thin-film chip fuse p 10: 1.5 A at 70 % of rating, 95 % for the air: 2.256 A (printed 2.255)
def test_FU5_least_rating_for_a_continuous_load() -> None:
    assert continuous_rating_a(1.5, 0.95, share=0.7) == pytest.approx(2.256, abs=1e-3)
    # 75 % (a maker's fuseology guide) is what a margin here is judged by; 30 A need a 40 A part in cool air.
    assert continuous_rating_a(30.0, 1.0) == pytest.approx(40.0)


def test_derating_table_of_type_E() -> None:
    # Second-hand, same data sheet p 3: 40 A from −40 to 20 °C; 34 at 65; 30 at 85; 25 at 110; 22 at 125.
    for ambient_c, usable_a in ((-40, 40), (0, 40), (20, 40), (65, 34), (85, 30), (110, 25), (125, 22)):
        assert 40 * share(BLADE_LARGE, ambient_c) == pytest.approx(usable_a, rel=1e-12)
    # Straight between the steps: 45 °C is 25/45 of the way from 40 to 34 A; 25 °C is 5/45.
    assert 40 * share(BLADE_LARGE, 45) == pytest.approx(40 - 6 * 25 / 45, rel=1e-12)
    assert 40 * share(BLADE_LARGE, 25) == pytest.approx(40 - 6 * 5 / 45, rel=1e-12)
    assert usable_share(BLADE_LARGE, 125.1) is None


def test_other_bodies_take_the_steepest_stretch_of_the_table_of_type_E() -> None:
    assert [table.family for table in TABLES if table.derating] == ["blade_large"]
    # Second-hand, same data sheet p 3: from 65 to 85 °C 34 to 30 A of 40 A, 0.5 %/K; the other stretches 0.33 and 0.5.
    assert steepest_slope_per_k() == pytest.approx(0.005)
    for table in TABLES:
        if not table.derating:
            assert share(table, 65) == pytest.approx(1 - 45 * 0.005)
            assert usable_share(table, 20) == UsableShare(1.0)
            # At room temperature a rating stands; hotter, what is left is the most that it can be.
            assert usable_share(table, 25) == UsableShare(1 - 5 * 0.005, borrowed=True)
            assert usable_share(table, 40) == UsableShare(1 - 20 * 0.005, borrowed=True, at_most=True)
            assert usable_share(table, 125.1) is None
            assert share(table, 65) <= share(BLADE_LARGE, 65)


def test_limits_pass_through_every_published_row() -> None:
    for table in TABLES:
        earliest, latest = Limit.of(table, 10.0, "earliest"), Limit.of(table, 10.0, "latest")
        for row in table.limits():
            if row.shortest_s is not None:
                assert earliest.allowed_a(row.shortest_s) == pytest.approx(row.percent / 10, rel=1e-12)
            if row.longest_s is not None:
                assert latest.allowed_a(row.longest_s) == pytest.approx(row.percent / 10, rel=1e-12)
        # The contract: nothing between 100 and 135 %; nothing below the shortest time; latest held at 135 %.
        assert earliest.allowed_a(rated_after_s(table) * 1.000001) == 10.0
        assert earliest.allowed_a(earliest.shortest_s * 0.999) is None
        assert latest.allowed_a(latest.shortest_s * 0.999) is None
        assert latest.allowed_a(1e6) == pytest.approx(13.5)


def test_limits_are_straight_in_logarithms() -> None:
    # Halfway, in log time, between 2 s at 200 % and 60 s at 135 %: √120 s at √(2.0 · 1.35) of the rating.
    earliest = Limit.of(BLADE_LARGE, 40.0, "earliest")
    assert earliest.allowed_a(120**0.5) == pytest.approx(40 * (2.0 * 1.35) ** 0.5, rel=1e-12)
    # And between 50 s at 200 % and 1800 s at 135 %: 300 s.
    latest = Limit.of(BLADE_LARGE, 40.0, "latest")
    assert latest.allowed_a(300.0) == pytest.approx(40 * (2.0 * 1.35) ** 0.5, rel=1e-12)


def test_rows_without_a_shortest_time_do_not_shape_the_earliest_limit() -> None:
    assert Limit.of(BLADE_MEDIUM_35_40_A, 40.0, "earliest").shortest_s == 0.08
    assert Limit.of(BLADE_MEDIUM_35_40_A, 40.0, "latest").shortest_s == 0.15


def test_opening_times_for_the_window_list() -> None:
    assert opening_times_s(BLADE_LARGE) == (0.04, 0.2, 1, 2, 7, 50, 60, 1800, 360_000)
    assert rated_after_s(BLADE_LARGE) == 60
