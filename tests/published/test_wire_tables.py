"""Wire tables against their sources: sizes, resistance, ampacity by insulation and air (references sections 2, 13)."""

from __future__ import annotations

import itertools
import math

import pytest

from amptally.tables.wire_ampacity import (
    AMPACITY_A,
    COLUMNS_C,
    INTERPOLATION_U,
    air_factor,
    ampacity,
    square_root_factor,
)
from amptally.tables.wire_gauge import area_mm2, counted_size, gauge_name
from amptally.tables.wire_resistance import resistance_ohm

TABLE_5 = """
18    10  10  15  20  20  25  25
16    15  15  20  25  25  30  35
14    20  20  25  30  35  40  45
12    25  25  35  40  45  50  55
10    40  40  50  55  60  70  70
8     55  65  70  70  80  90 100
6     80  95 100 100 120 125 135
4    105 125 130 135 160 170 180
3    120 145 150 155 180 195 210
2    140 170 175 180 210 225 240
1    165 195 210 210 245 265 280
0    195 230 245 245 285 305 325
00   225 265 285 285 330 355 370
000  260 310 330 330 385 410 430
0000 300 360 385 385 445 475 510
"""
"""33 CFR 183.425 Table 5 as published: size, then amperes for 60, 75, 80, 90, 105, 125, 200 °C insulation."""


def gauge_of(printed: str) -> int:
    return 1 - len(printed) if set(printed) == {"0"} else int(printed)


def test_every_cell_of_the_regulation() -> None:
    lines = [line.split() for line in TABLE_5.strip().splitlines()]
    # 33 CFR 183.425 Table 5 (published text of the regulation)
    assert {gauge_of(size): tuple(map(float, amps)) for size, *amps in lines} == AMPACITY_A
    for size, *amps in lines:
        for column_c, printed in zip((60, 75, 80, 90, 105, 125, 200), amps, strict=True):
            found = ampacity(mm2=area_mm2(gauge_of(size)), insulation_c=column_c)
            # the same cells, looked up by the copper's area, in the table's own 30 °C
            assert (found.value_a, found.rows_awg, found.column_c) == (float(printed), (gauge_of(size),), column_c)


# ABYC E-11, 105 °C, outside and inside engine spaces, second-hand (a marine retailer's calculator): another
# transcription of the same column, and 0.85 of it, printed whole
@pytest.mark.parametrize(
    ("awg", "outside", "inside"),
    [(18, 20, 17), (16, 25, 21), (14, 35, 30), (10, 60, 51), (8, 80, 68), (4, 160, 136), (2, 210, 178)],
)
def test_the_105_degree_column_is_that_of_abyc(awg: int, outside: float, inside: float) -> None:
    assert ampacity(awg, insulation_c=105).value_a == outside
    assert ampacity(awg, insulation_c=105, air_c=50).value_a == pytest.approx(inside, abs=0.5 + 1e-9)


def test_thicker_copper_and_hotter_insulation_never_carry_less() -> None:
    areas = [0.83 * 1.03**step for step in range(165)]
    for cool, hot in itertools.pairwise((*COLUMNS_C, 250)):
        before = 0.0
        for area in areas:
            found, warmer = ampacity(mm2=area, insulation_c=cool), ampacity(mm2=area, insulation_c=hot)
            assert found.value_a is not None
            assert warmer.value_a is not None
            assert before <= found.value_a <= warmer.value_a
            before = found.value_a


@pytest.mark.parametrize(
    ("insulation_c", "column_c"), [(60, 60), (74.9, 60), (85, 80), (104, 90), (110, 105), (150, 125), (250, 200)]
)
def test_insulation_between_columns_takes_the_cooler_one(insulation_c: float, column_c: float) -> None:
    assert ampacity(10, insulation_c=insulation_c).column_c == column_c


def test_an_area_between_rows_lies_on_the_line_in_logarithms() -> None:
    found = ampacity(mm2=4.0, insulation_c=105)
    # own arithmetic: 45 A × (4/3.3088)^(ln(60/45)/ln(5.2612/3.3088)), areas of 12 and 10 AWG by ASTM B258
    assert found.value_a == pytest.approx(
        45 * (4 / 3.3088) ** (math.log(60 / 45) / math.log(5.2612 / 3.3088)), rel=1e-4
    )
    assert (found.rows_awg, found.interpolated, found.relative_u) == ((12, 10), True, INTERPOLATION_U)


def test_the_interpolation_term_is_the_scatter_of_rows_found_from_their_neighbours() -> None:
    # own arithmetic on the published table: each row left out, found from the two beside it
    misses = []
    gauges = sorted(AMPACITY_A, reverse=True)
    for thin, left_out, thick in zip(gauges, gauges[1:], gauges[2:], strict=False):
        share = math.log(area_mm2(left_out) / area_mm2(thin)) / math.log(area_mm2(thick) / area_mm2(thin))
        for low_a, amps, high_a in zip(AMPACITY_A[thin], AMPACITY_A[left_out], AMPACITY_A[thick], strict=True):
            misses.append(low_a * (high_a / low_a) ** share / amps - 1)
    assert math.sqrt(sum(miss**2 for miss in misses) / len(misses)) == pytest.approx(INTERPOLATION_U, abs=0.001)
    assert sum(abs(miss) <= 1.96 * INTERPOLATION_U for miss in misses) / len(misses) >= 0.95


@pytest.mark.parametrize(
    ("wire", "missing", "least_a", "most_a"),
    [
        # 33 CFR 183.425 Table 5: the row of 10 AWG, 40 A at 60 °C to 70 A at 200 °C
        ({"awg": 10}, "insulation", 40, 70),
        ({"insulation_c": 105}, "size", 0, None),
        # the thinnest row, 18 AWG, is an upper bound for thinner wires; the thickest, 0000, a lower one for thicker
        ({"awg": 20, "insulation_c": 105}, "thinner_than_table", 0, 20),
        ({"mm2": 0.75}, "insulation", 0, 25),
        ({"mm2": 120, "insulation_c": 60}, "thicker_than_table", 300, None),
        ({"awg": 10, "insulation_c": 55}, "insulation_below_table", 0, 40),
        ({"awg": 10, "insulation_c": 60, "air_c": 60}, "air_too_hot", 0, None),
        ({"awg": 10, "insulation_c": 50, "air_c": 70}, "insulation_below_table", 0, None),
    ],
)
def test_no_value_without_its_ground_only_bounds(
    wire: dict[str, float], missing: str, least_a: float, most_a: float | None
) -> None:
    found = ampacity(**wire)  # type: ignore[arg-type]
    assert found.value_a is None
    assert (found.missing, found.least_a, found.most_a) == (missing, least_a, most_a)


# WI1: NEC ampacity data on a cable distributor's page, second-hand; printed to two digits
@pytest.mark.parametrize(
    ("insulation", "ambient", "factor"), [(60, 30, 1.22), (75, 50, 0.85), (75, 70, 0.38), (90, 50, 0.89)]
)
def test_WI1_factor_by_the_square_root(insulation: float, ambient: float, factor: float) -> None:
    assert square_root_factor(insulation, ambient, base_c=40.0) == pytest.approx(factor, abs=0.005)


# Engine spaces, 50 °C (33 CFR 183.425): 0.85 for 105 °C published; the others from memory
@pytest.mark.parametrize(
    ("column_c", "factor"), [(60, 0.58), (75, 0.75), (80, 0.78), (90, 0.82), (105, 0.85), (125, 0.89), (200, 1.0)]
)
def test_air_of_50_degrees_never_carries_more_than_an_engine_space(column_c: float, factor: float) -> None:
    found = air_factor(column_c, 50.0)
    assert found <= factor
    if column_c < 200:
        # to about the printed digits; for 200 °C the square root leaves 0.94, on the safe side
        assert found == pytest.approx(factor, abs=0.006)


def test_warmer_air_never_carries_more_and_cooler_air_does_not_raise_the_table() -> None:
    for column_c in COLUMNS_C:
        factors = [air_factor(column_c, air_c / 10) for air_c in range(300, 2100)]
        assert factors == sorted(factors, reverse=True)
        assert (factors[0], factors[-1]) == (1.0, 0.0)
    assert ampacity(10, insulation_c=105, air_c=-10).value_a == 60
    assert not ampacity(10, insulation_c=105).air_given
    assert ampacity(10, insulation_c=105, air_c=40).air_given


def test_the_smaller_of_two_sizes_counts() -> None:
    # references section 2: 10 AWG is 5.2612 mm² (ASTM B258, formula from memory)
    by_gauge, by_area = counted_size(10, 10.0), counted_size(10, 4.0)
    assert by_gauge is not None
    assert by_area is not None
    assert (by_gauge.area_mm2, by_gauge.awg) == (pytest.approx(5.2612, rel=1e-4), 10)
    assert (by_area.area_mm2, by_area.awg) == (4.0, None)
    assert counted_size(None, None) is None
    assert ampacity(10, 10.0, 105).value_a == 60


def test_gauges_are_named_as_printed_on_a_jacket() -> None:
    # 33 CFR 183.425 Table 5 prints 0 to 0000; a jacket 1/0 to 4/0 (common practice, no source)
    assert [gauge_name(awg) for awg in (10, 1, 0, -1, -3)] == ["10 AWG", "1 AWG", "1/0 AWG", "2/0 AWG", "4/0 AWG"]


# References section 2, ohm/kft at 20 °C, published column; 1 ohm/kft = 3.28084 ohm/km. Half the last printed
# digit of 0.1563 is 3.2e-4 of it.
@pytest.mark.parametrize(("awg", "ohm_per_kft"), [(18, 6.385), (14, 2.525), (10, 0.9989), (6, 0.3951), (2, 0.1563)])
def test_copper_at_20_degrees(awg: int, ohm_per_kft: float) -> None:
    assert resistance_ohm(area_mm2(awg), 10) == pytest.approx(10 * ohm_per_kft * 3.28084e-3, rel=4e-4)
