"""Wire: sizes, resistance, ampacity, short-time heating and drop against published values."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.exposure.exposure import CurrentError, Exposure
from amptally.analysis.protection.wire import (
    Part,
    WireCurrent,
    WireResult,
    ampacity,
    ampacity_reason,
    assess_wire,
    fuse_over_wire,
    weakest_part,
)
from amptally.analysis.report.json_form import wire_json
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.propagation import power_of
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import basis, phrase, phrases, refusal
from amptally.logger.machine.fields import Wire
from amptally.tables import wire_gauge as gauge
from amptally.tables import wire_short_time as short
from amptally.tables.wire_resistance import resistance_ohm
from amptally.tables.wire_short_time import adiabatic_current_a, adiabatic_k, short_time_k

KFT_M = 304.8
CMIL_MM2 = math.pi / 4 * 0.0254**2


def known(value: float, half: float = 0.0, unit: str = "A") -> Estimate:
    return Estimate(value, value - half, value + half, unit)


def k_of(insulation_c: float) -> float:
    found = short_time_k(insulation_c)
    assert found is not None
    return found.k


def pulses(*blocks: tuple[float, float], interval_s: float = 0.01) -> Exposure:
    """(current [A], seconds) one after the other, as a board's interval RMS."""
    rms = np.concatenate([[0.0], *(np.full(round(seconds / interval_s), current) for current, seconds in blocks)])
    return Exposure.from_interval_rms(np.arange(len(rms)) * interval_s, rms, np.zeros(len(rms) - 1, bool))


def current_of(exposure: Exposure, error: CurrentError | None = None, **given: Any) -> WireCurrent:
    peak_a = Estimate(exposure.peak_a, exposure.peak_a, None, "A", "at_least")
    error = error or CurrentError(0.01, 0.0, 0.0)
    return WireCurrent(exposure, exposure, exposure, (), error, **({"peak_a": peak_a} | given))


def assess(wire: Wire, *blocks: tuple[float, float], error: CurrentError | None = None, **changes: Any) -> WireResult:
    """A wire under `blocks`, 30 A for ever where there are none; `changes` are those of `assess_wire`."""
    return assess_wire(wire, current_of(pulses(*(blocks or ((30.0, 20.0),))), error), **changes)


BURST = ((0.0, 2.0), (100.0, 0.1), (66.0, 0.9), (56.0, 4.0), (30.0, 900.0), (0.0, 400.0))
"""Bursts of 100 A for 0.1 s, 70 A RMS for 1 s, 59 A for 5 s, then 30 A for far longer than the wire takes to warm."""


# hyperphysics.phy-astr.gsu.edu/hbase/Tables/wirega, Ω per 1000 ft at 20 °C, printed to four digits
@pytest.mark.parametrize(
    ("awg", "ohm_per_kft"),
    [
        (18, 6.385),
        (16, 4.016),
        (14, 2.525),
        (12, 1.588),
        (10, 0.9989),
        (8, 0.6282),
        (6, 0.3951),
        (4, 0.2485),
        (2, 0.1563),
    ],
)
def test_resistance_of_a_thousand_feet_at_20_c(awg: int, ohm_per_kft: float) -> None:
    assert resistance_ohm(gauge.area_mm2(awg), KFT_M, 20.0) == pytest.approx(
        ohm_per_kft,
        abs=0.5 * 10 ** (math.floor(math.log10(ohm_per_kft)) - 3),  # half the fourth printed digit
    )


# NEC chapter 9 table 8, solid copper at 75 °C, second-hand (sfasoft.com Conductor_Properties): printed to three digits
@pytest.mark.parametrize(("awg", "ohm_per_kft"), [(18, 7.77), (16, 4.89), (14, 3.07), (10, 1.21), (8, 0.764)])
def test_resistance_of_a_thousand_feet_at_75_c(awg: int, ohm_per_kft: float) -> None:
    assert resistance_ohm(gauge.area_mm2(awg), KFT_M, 75.0) == pytest.approx(ohm_per_kft, rel=5e-3)


# the same table, stranded, second-hand: 2 % above solid, the declared stranding term
@pytest.mark.parametrize(
    ("awg", "ohm_per_kft"), [(18, 7.95), (16, 4.99), (14, 3.14), (10, 1.24), (8, 0.778), (4, 0.308), (2, 0.194)]
)
def test_stranded_wire_lies_inside_the_stranding_term(awg: int, ohm_per_kft: float) -> None:
    solid = resistance_ohm(gauge.area_mm2(awg), KFT_M, 75.0)
    assert 1.0 < ohm_per_kft / solid < 1 + 1.96 * 0.02


# references table of section 2, own arithmetic on ASTM B258 (formula from memory)
@pytest.mark.parametrize(("awg", "diameter", "area"), [(18, 1.0237, 0.8230), (10, 2.5882, 5.2612), (2, 6.5437, 33.631)])
def test_gauge_diameter_and_area(awg: int, diameter: float, area: float) -> None:
    assert gauge.diameter_mm(awg) == pytest.approx(diameter, abs=5e-5)
    assert gauge.area_mm2(awg) == pytest.approx(area, rel=1e-4)


def test_a_gauge_outside_the_formula_is_refused() -> None:
    with pytest.raises(ValueError, match="give the conductor's area"):
        gauge.area_mm2(-4)


# NEC 310.17, 75 °C insulation in free air, 30 °C base, from memory: an outside list for the 75 °C column
@pytest.mark.parametrize(("awg", "amps"), [(14, 30), (10, 50), (8, 70), (4, 125), (2, 170)])
def test_the_75_c_column_stays_at_or_below_the_nec_list(awg: int, amps: float) -> None:
    carried = ampacity(Wire(awg=awg, insulation_c=75)).value_a
    assert carried is not None
    assert 0.65 * amps < carried <= amps


# chassis wiring list, hyperphysics, same page as the resistances: independent lists differ by up to 25 %
@pytest.mark.parametrize(
    ("awg", "amps"), [(18, 16), (16, 22), (14, 32), (12, 41), (10, 55), (8, 73), (6, 101), (4, 135), (2, 181)]
)
def test_ampacity_agrees_with_the_chassis_list_within_a_quarter(awg: int, amps: float) -> None:
    assert ampacity(Wire(awg=awg, insulation_c=105)).value_a == pytest.approx(amps, rel=0.25)


@pytest.mark.parametrize(
    ("conductor", "ambient_c", "words"),
    [
        # 33 CFR 183.425 Table 5: row, column and what was done to them are said
        (
            Wire(awg=12, insulation_c=105),
            None,
            "row 12 AWG; column for 105 °C insulation; in air of 30",
        ),
        (Wire(mm2=4.0, insulation_c=105), 20.0, "log-log between rows 12 AWG and 10 AWG"),
        (Wire(awg=10, insulation_c=85), None, "column for 80 °C, the next below the insulation's 85 °C"),
        (Wire(awg=10, insulation_c=60), 50.0, "times 0.577 for air at 50 °C"),
        # of two sizes the smaller counts: 10 AWG is 5.26 mm²
        (Wire(awg=10, mm2=10.0, insulation_c=105), None, "row 10 AWG"),
        (Wire(awg=10), None, "insulation_c is not given"),
        (Wire(insulation_c=105), None, "neither awg nor mm2"),
        (Wire(awg=22, insulation_c=105), None, "outside the table (18 AWG to 4/0 AWG"),
        (Wire(mm2=120.0, insulation_c=105), None, "outside the table"),
        (Wire(awg=10, insulation_c=50), None, "below the table's 60 °C"),
        (Wire(awg=10, insulation_c=60), 60.0, "not below the 60 °C of the insulation's column"),
    ],
)
def test_where_an_ampacity_comes_from_is_said(conductor: Wire, ambient_c: float | None, words: str) -> None:
    assert words in phrase(ampacity_reason(ampacity(conductor, ambient_c)))


# WI2 with WI3: k of BS 7671 / IEC 60364-5-54 (second-hand), formula from memory, values as recomputed
@pytest.mark.parametrize(
    ("start", "end", "formula", "printed"),
    [(70, 160, 115.0, 115), (90, 160, 99.9, 100), (90, 250, 143.1, 143), (60, 200, 140.9, 141), (85, 220, 134.2, 134)],
)
def test_WI2_and_WI3_k(start: float, end: float, formula: float, printed: float) -> None:
    assert adiabatic_k(start, end) == pytest.approx(formula, abs=0.05)
    row = [k for (_, at_start, at_end), k in short.K_BY_INSULATION.items() if (at_start, at_end) == (start, end)]
    assert row == [printed]


# WI4: mycableengineering.com, the adiabatic equation: 13.6 kA for 2.6 s at k 143 needs 153.35 mm² (page prints 154)
def test_WI4_adiabatic_area() -> None:
    assert adiabatic_current_a(143.0, 153.35, 2.6) == pytest.approx(13_600, rel=0.01 / 153.35)


# WI5: Onderdonk's fusing current, 16 AWG (2581 cmil) for 5 s from 25 °C, 168.9 A. Another fit of the same physics: the
# k formula taken to copper's melting point agrees within 0.5 %.
def test_WI5_k_taken_to_melting_agrees_with_onderdonk() -> None:
    k = adiabatic_k(25.0, 1083.0)
    assert adiabatic_current_a(k, 2581 * CMIL_MM2, 5.0) == pytest.approx(168.9, rel=5e-3)
    # 14 AWG (4107 cmil) at 400 A: 2.26 s
    assert (k * 4107 * CMIL_MM2 / 400) ** 2 == pytest.approx(2.26, rel=1e-2)


# WI6: ICEA from 70 to 160 °C as k, second-hand: 114.1, 0.8 % below 115
def test_WI6_pvc_k_agrees_with_icea() -> None:
    assert k_of(70.0) == pytest.approx(114.1, rel=0.01)


# WI7: Preece (physicsforums.com 364495, pcdandf.com), d 0.0524 in melts at 122.9 A: the ampacity must lie far below
def test_WI7_ampacity_is_far_below_preece() -> None:
    limit = ampacity(Wire(mm2=math.pi / 4 * (0.0524 * 25.4) ** 2, insulation_c=105)).value_a
    assert limit is not None
    assert limit < 122.9 / 4


# WI8: marine catalogue 2022 p 52 and 2021 p 53: 10 A over 21 ft of 12 V take 10 AWG for 3 %, 16 AWG for 10 %. At 30 °C
# the copper that SAE asks of that gauge drops less than allowed, that of the next thinner gauge more.
@pytest.mark.parametrize(("allowed_v", "awg"), [(0.36, 10), (1.2, 16)])
def test_WI8_the_catalogue_s_size_is_the_thinnest_that_keeps_the_drop(allowed_v: float, awg: int) -> None:
    thick, thin = (
        10 * resistance_ohm(gauge.sae_area_ratio(size) * gauge.area_mm2(size), 21 * 0.3048, 30.0)
        for size in (awg, awg + 2)
    )
    assert thick < allowed_v < thin


@pytest.mark.parametrize(("insulation", "k"), [(60, 115), (70, 115), (75, 100), (90, 100)])
def test_short_time_k_takes_the_lower_value(insulation: float, k: float) -> None:
    assert k_of(insulation) == k


# k formula (from memory), from the temperature that the wire's column allows to PVC's limit of 160 °C: own arithmetic
# 226 √ln(1 + 55/339.5) and 226 √ln(1 + 35/359.5)
@pytest.mark.parametrize(("insulation", "k"), [(105, 87.6), (110, 87.6), (125, 68.9), (150, 68.9)])
def test_short_time_k_above_the_table_is_lower_still_and_says_from_memory(insulation: float, k: float) -> None:
    assert k_of(insulation) == pytest.approx(k, abs=0.05)
    assert "from memory" in basis(assess(Wire(awg=10, insulation_c=insulation)).adiabatic_margin)


def test_no_short_time_limit_is_published_for_insulation_hotter_than_pvc_ever_gets() -> None:
    assert short_time_k(160.0) is None
    wire = assess(Wire(awg=10, length_m=2.0, insulation_c=200))
    assert "no short-time limit is published for 200 °C" in (refusal(wire.adiabatic_margin) or "")
    assert wire.margin.value is not None
    assert wire.verdict == "unknown"


def test_adiabatic_rule_ends_at_five_seconds() -> None:
    with pytest.raises(ValueError, match="up to 5 s"):
        adiabatic_current_a(115, 5.26, 5.01)


def test_a_wire_carried_through_to_its_numbers() -> None:
    wire = assess(Wire(awg=10, length_m=2.0, insulation_c=75), *BURST)
    # 33 CFR 183.425 Table 5: 10 AWG at 75 °C carries 40 A, over 30 A for seven time constants of 127.8 s
    assert wire.ampacity_a == 40.0
    assert wire.margin.value == pytest.approx(1.3333, rel=1e-3)
    # k 100, 5.2612 mm²: 5 s allows 235.3 A over √((0.1 · 100² + 0.9 · 66² + 4 · 56²)/5) = 59.10 A: the tightest
    assert wire.adiabatic_margin.value == pytest.approx(235.29 / 59.10, rel=1e-4)
    # 30 A of 40 warms the copper by 45 K × (30/40)² = 25.31 K to 55.31 °C: 6.554 mΩ × 1.1388
    ohm = 2.0 / 58 / 5.26120 * (1 + 0.00393 * 35.3125)
    assert wire.drop_v.value == pytest.approx(100 * ohm, rel=1e-3)
    seconds, squares = 1307.0, 0.1 * 100**2 + 0.9 * 66**2 + 4 * 56**2 + 900 * 30**2
    assert wire.loss_w.value == pytest.approx(squares / seconds * ohm, rel=1e-3)
    assert (wire.drop_v.bound, wire.drop_v.high) == ("at_least", None)
    assert wire.verdict == "under"
    assert "56 % of the rise that the insulation allows (30 to 75 °C, as 40.0 A for ever give)" in phrases(wire.rule)
    assert "5 s" in phrases(wire.rule)


# TM6, references section 13: 10 AWG at 105 °C, 60 A for ever: 559.6, 253.2, 132.1, 84.8, 69.3 A for 1 to 120 s
@pytest.mark.parametrize(("amps", "seconds"), [(559.6, 1), (253.2, 5), (132.1, 20), (84.8, 60), (69.3, 120)])
def test_TM6_a_current_that_just_reaches_the_limit_has_a_margin_of_one(amps: float, seconds: float) -> None:
    wire = assess(Wire(awg=10, insulation_c=105), (0.0, 5.0), (amps, seconds), (0.0, 30.0))
    assert wire.margin.value == pytest.approx(1.0, rel=0.01)


def test_thinner_copper_and_a_cold_start_are_inside_the_interval() -> None:
    wire = Wire(awg=10, insulation_c=105)
    by_gauge = assess(wire, (0.0, 5.0), (100.0, 20.0)).margin
    by_area = assess(replace(wire, awg=None, mm2=5.2612), (0.0, 5.0), (100.0, 20.0)).margin
    # SAE's least copper of the gauge is 0.8998 of ASTM's (9343 of 10383 cmil), and stranding takes 1.96 · 2 % of both:
    # time constants of 0.7474 and 0.9231 times 86.5 s, and √((1 − e^(−20/86.5))/(1 − e^(−20/64.7))) = 0.883, 0.965.
    for margin, share in ((by_gauge, 0.883), (by_area, 0.965)):
        assert margin.value == pytest.approx(132.1 / 100, rel=0.01)
        assert margin.low is not None
        # 1.96 · 1 % of the sensor's gain comes on top, in line.
        assert margin.low / margin.value == pytest.approx(share - 0.02, abs=0.015)


def test_a_sensor_s_error_and_slow_samples_reach_the_margin() -> None:
    wire = Wire(awg=10, insulation_c=105)
    exact, gain = (assess(wire, error=CurrentError(u, 0.0, 0.0)).margin for u in (0.0, 0.02))
    assert exact.low is not None
    assert gain.low is not None
    # Started loaded at 30 A: 60/30, and 1.96 · 2 % less.
    assert (exact.value, exact.low) == (pytest.approx(2.0), pytest.approx(2.0))
    assert gain.low == pytest.approx(2 / (1 + 1.96 * 0.02), rel=1e-3)
    every_minute = Exposure.prepare(np.arange(0, 6000, 60.0), np.full(100, 30.0), np.zeros(99, bool))
    slow = assess_wire(wire, current_of(every_minute)).margin
    assert (slow.bound, "wire_sampling_slow" in {each.code for each in slow.reasons}) == ("at_most", True)
    undeclared = assess(wire, error=CurrentError()).margin
    assert "sensor_error_undeclared" in {each.code for each in undeclared.reasons}


def test_intervals_hold_sensor_length_stranding_and_sae_copper() -> None:
    wire = assess(Wire(awg=10, length_m=2.0, insulation_c=75))
    loss = wire.loss_w
    assert loss.value is not None
    assert loss.low is not None
    assert loss.high is not None
    # Down: at least 2 × 2 % of the current and 1.96 × 5 % of the length; up also SAE copper, 9343 of 10383 cmil.
    assert 1 - loss.low / loss.value > math.hypot(0.0392, 1.96 * 0.05)
    assert (loss.high - loss.value) - (loss.value - loss.low) == pytest.approx(
        loss.value * (10383 / 9343 - 1), rel=0.02
    )
    by_area = assess(Wire(mm2=5.2612, length_m=2.0, insulation_c=75)).adiabatic_margin
    by_gauge = wire.adiabatic_margin
    assert by_area.low is not None
    assert by_gauge.low is not None
    assert by_gauge.low < by_area.low


def test_verdicts() -> None:
    wire = Wire(awg=10, length_m=2.0, insulation_c=105)
    exact = CurrentError(0.0, 0.0, 0.0)
    assert assess(wire, (61.0, 20.0), error=exact).verdict == "over"
    assert assess(wire, (59.0, 20.0), error=exact).verdict == "under"
    assert assess(wire, (59.0, 20.0), error=CurrentError(0.02, 0.0, 0.0)).verdict == "unknown"
    missed = CurrentError(0.0, 0.0, 0.0, unseen=Reason("shorter_peak_missed"))
    assert assess(wire, (30.0, 20.0), error=missed).verdict == "unknown"
    assert assess(wire, (70.0, 20.0), error=missed).verdict == "over"
    # 88 · 5.26/√1 = 463 A for 1 s (k by the formula from memory): the short end alone says it.
    assert assess(wire, (0.0, 5.0), (470.0, 1.0), (0.0, 5.0), error=exact).verdict == "over"
    assert assess(Wire(awg=10, length_m=2.0)).verdict == "unknown"


def test_never_says_safe_or_ok() -> None:
    wire = assess(Wire(awg=10, length_m=2.0, insulation_c=105))
    text = str(wire_json(wire)).lower()
    assert "safe" not in text
    assert "ok" not in text.split()


def test_a_missed_peak_leaves_both_margins_open_below() -> None:
    missed = CurrentError(0.01, 0.0, 0.0, unseen=Reason("shorter_peak_missed"))
    result = assess(Wire(awg=10, length_m=2.0, insulation_c=105), error=missed)
    assert (result.adiabatic_margin.bound, result.adiabatic_margin.low) == ("at_most", None)
    assert (result.margin.bound, result.margin.low) == ("at_most", None)
    assert result.verdict == "unknown"


def test_each_missing_field_refuses_only_what_needs_it() -> None:
    no_length = assess(Wire(awg=10, insulation_c=105))
    assert no_length.drop_v.reasons == no_length.loss_w.reasons == (Reason("resistance_needs_wire"),)
    assert "length_m" in (refusal(no_length.drop_v) or "")
    assert no_length.margin.value == pytest.approx(2.0)
    no_insulation = assess(Wire(awg=10, length_m=2.0))
    assert no_insulation.ampacity_a is None
    assert [each["missing"] for each in no_insulation.margin.reasons] == ["insulation"]
    assert no_insulation.drop_v.value is not None
    no_current = assess_wire(Wire(awg=10, length_m=2.0, insulation_c=105), (Reason("current_not_measured"),))
    assert no_current.margin.reasons == no_current.loss_w.reasons == (Reason("current_not_measured"),)
    assert (no_current.ampacity_a, no_current.verdict) == (60.0, "unknown")


@given(
    value=st.floats(0.1, 200.0),
    below=st.floats(0.0, 0.9),
    above=st.floats(0.0, 3.0),
    exponent=st.sampled_from([-1, 1, 2]),
    term=st.floats(0.0, 0.2),
)
def test_power_of_holds_the_source_interval(
    value: float, below: float, above: float, exponent: int, term: float
) -> None:
    source = Estimate(value, value * (1 - below), value * (1 + above), "A")
    result = power_of(2.0, source, exponent, "x", {"model": term})
    assert result.low is not None
    assert result.high is not None
    ends = sorted(2.0 * end**exponent for end in (source.low, source.high) if end is not None)
    assert result.low <= ends[0] * (1 + 1e-12)
    assert result.high >= ends[1] * (1 - 1e-12)


def test_power_of_an_interval_that_reaches_zero_is_open_above() -> None:
    result = power_of(10.0, Estimate(1.0, 0.0, 2.0, "A"), -1, "", {})
    assert (result.bound, result.low, result.high) == ("at_least", 5.0, None)
    assert power_of(10.0, known(0.0), -1, "", {}).reasons == (Reason("no_current"),)


def test_weakest_part_is_named_and_unrated_parts_are_told() -> None:
    parts: list[tuple[Part, float | None]] = [("wire", 46.5), ("fuse", 40.0), ("connector", None), ("cutoff", 100.0)]
    weakest = weakest_part(parts)
    assert weakest is not None
    assert (weakest.part, weakest.rating_a, weakest.unrated) == ("fuse", 40.0, ("connector",))
    assert weakest_part([("connector", None)]) is None


# ABYC E-11, second-hand: fuse at most the ampacity, the next size up only to 150 %. 33 CFR 183.425 Table 5: 10 AWG at
# 75 °C 40 A, and at most 70 A in any column
def test_a_fuse_above_its_wire_is_a_finding() -> None:
    limit = ampacity(Wire(awg=10, insulation_c=75))
    assert fuse_over_wire("left", 40.0, limit) is None
    assert fuse_over_wire("left", 60.0, ampacity(Wire(awg=10))) is None
    small, large = fuse_over_wire("left", 60.0, limit), fuse_over_wire("left", 62.0, limit)
    assert small is not None
    assert (small.severity, small.code) == ("caution", "fuse_above_wire")
    assert large is not None
    assert large.severity == "danger"
    assert "1.55 times what its wire" in told(large).what
    assert "40.0 A" in told(large).evidence
    bare = fuse_over_wire("left", 80.0, ampacity(Wire(awg=10)), "main")
    assert bare is not None
    assert bare.severity == "danger"
    assert told(bare).what == "The main fuse is rated at least 1.14 times what the left wire carries."
    assert "ampacity at most 70.0 A (insulation_c is not given" in told(bare).evidence
