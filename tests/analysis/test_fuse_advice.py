"""Advice on other ratings: worked cases, each limit alone, and every named rating judged anew as if it were fitted."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.exposure.exposure import CurrentError, Exposure
from amptally.analysis.protection.coordination import Behind, coordinate
from amptally.analysis.protection.fuse import FuseResult, assess_fuse
from amptally.analysis.protection.fuse_advice import (
    FuseAdvice,
    LeadLimits,
    advice_finding,
    advise,
    judged,
    judgement,
    none_given,
    same_on_both,
)
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_margin import measured_margins
from amptally.analysis.protection.path import lead_limits
from amptally.analysis.protection.stall import Stall, declared_stall, stall_margin, stall_opens_s
from amptally.analysis.protection.wire import Part, ampacity
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.other_ratings import other_ratings
from amptally.analysis.wording.results import sentences
from amptally.logger.machine.description import parse
from amptally.logger.machine.fields import Wire
from amptally.tables.fuse_blades_iso8820_3 import BLADE_LARGE
from amptally.tables.fuse_opening_times import FuseTable
from amptally.tables.fuse_ratings import RATINGS
from tests.strategies import examples

ERROR = CurrentError(0.001, 0.0, 0.0)
AWG_4, AWG_8 = (Wire(awg=gauge, length_m=0.6, insulation_c=105) for gauge in (4, 8))
"""160 and 80 A: 33 CFR 183.425 Table 5."""
AWG_10 = Wire(awg=10, length_m=0.6, insulation_c=105)
"""60 A: 33 CFR 183.425 Table 5."""
LARGE_40 = FuseSpec("left", "blade_large", 40, ambient_c=25, position="supply_leg", sensed="supply_leg")


def pulses(*blocks: tuple[float, float], interval_s: float = 0.01) -> Exposure:
    rms = np.concatenate([[0.0], *(np.full(round(seconds / interval_s), current) for current, seconds in blocks)])
    return Exposure.from_interval_rms(np.arange(len(rms)) * interval_s, rms, np.zeros(len(rms) - 1, bool))


def advice_of(
    exposure: Exposure, limits: LeadLimits, spec: FuseSpec = LARGE_40, corner_hz: float = 100.0
) -> tuple[FuseResult, FuseAdvice]:
    result = assess_fuse(spec, exposure, ERROR, corner_hz)

    def margin_of(table: FuseTable, derated_a: float) -> tuple[Estimate, Estimate]:
        found = measured_margins(exposure, table, derated_a, ERROR)
        return found.margin, found.fraction

    return result, advise(spec, result, limits, margin_of)


def around(wire: Wire | None, *caps: tuple[Part, float], **given: Any) -> LeadLimits:
    behind = () if wire is None else (Behind("left", wire, 25.0),)
    return LeadLimits("left", behind, caps, **given)


BURST = pulses((10, 30), (100, 0.5), (10, 29.5))


def fails(advice: FuseAdvice, rating_a: float) -> set[str]:
    (found,) = (each for each in advice.each if each.rating_a == rating_a)
    assert found.suits == (not found.fails)
    return {reason.code for reason in found.fails}


def test_every_rating_of_the_body_is_listed_with_its_margin_and_what_speaks_against_it() -> None:
    result, advice = advice_of(BURST, around(AWG_8))
    assert [each.rating_a for each in advice.each] == [20, 30, 35, 40, 50, 60, 70, 80]
    assert result.margin.value is not None
    assert result.margin.low is not None
    for each in advice.each:
        # Margins of one column grow with the rating: both ends, exactly.
        assert each.margin.value == pytest.approx(result.margin.value * each.rating_a / 40)
        assert each.margin.low == pytest.approx(result.margin.low * each.rating_a / 40)
    # 100 A for half a second: type E opens no sooner than 0.2 s at 350 % (second-hand). Rows alone leave 2.2136 times
    # the rating for 0.5 s from cold (references TM5), 87.1 A of 39.3 A: 1.25 · 100 A asks for 57.4 A at 25 °C.
    assert {rating for rating in (20, 30, 35, 40, 50) if "fails_exposure" in fails(advice, rating)} == {
        20,
        30,
        35,
        40,
        50,
    }
    # 8 AWG carries 80 A (33 CFR 183.425 Table 5): 60 A is let through by the rule for small overloads.
    assert fails(advice, 60) == set()
    assert (advice.next_up_a, advice.next_down_a, advice.fits_a[0]) == (60, None, 60)
    finding = advice_finding("left", result, advice)
    assert finding is not None
    assert (finding.severity, finding.code) == ("caution", "fuse_rating_advice")
    assert "next up 60 A would" in told(finding).what
    assert "40 A fitted" in told(finding).evidence
    assert "local codes" in told(finding).next.lower()


@pytest.mark.parametrize(("part", "cap_a"), [("connector", 59.0), ("holder", 45.0), ("cutoff", 50.0)])
def test_no_rating_passes_a_part_of_the_lead(part: Part, cap_a: float) -> None:
    _, advice = advice_of(BURST, around(AWG_8, (part, cap_a)))
    assert advice.fits_a == ()
    assert fails(advice, 60) == {"fails_part"}
    assert f"fails {part} ({cap_a:g} A)" in sentences([judgement(advice.each[5])])


def test_what_motor_and_controller_are_rated_for_limits_no_fuse() -> None:
    text = "[motor]\nrated_a = 10\n[controller]\ncontinuous_a = 12\n[fuse.left]\nrating_a = 40\n"
    assert lead_limits(parse(text, "cart.toml"), "left").caps == ()


def test_a_wire_without_ampacity_allows_nothing_larger() -> None:
    for wire in (None, Wire(awg=10), Wire(insulation_c=105)):
        result, advice = advice_of(BURST, around(wire))
        assert advice.fits_a == ()
        assert "fails_wire_unknown" in fails(advice, 60)
        finding = advice_finding("left", result, advice)
        assert finding is not None
        assert "no other rating of its body would" in told(finding).what


def test_the_wire_has_to_survive_until_the_fuse_opens() -> None:
    # 18 AWG: 0.823 mm², 20 A (33 CFR 183.425). Type E opens at 600 % within 1 s (second-hand): 120 A of 20 A, and
    # I = k S/√t (IEC 60364-5-54, second-hand) with k 88 carries 72 A for 1 s: by ampacity alone it would pass.
    thin = Wire(awg=18, length_m=0.6, insulation_c=105)
    assert ampacity(thin).value_a == 20.0
    _, advice = advice_of(pulses((5, 100)), around(thin), replace(LARGE_40, rating_a=20.0, ambient_c=20.0))
    assert fails(advice, 20) == {"fails_coordination"}
    assert advice.fits_a == ()


def test_a_rating_that_lets_copper_pass_160_degrees_does_not_suit() -> None:
    # 10 AWG at 105 °C, 60 A: 50 A is below the ampacity, and 1.35 · 50 A below 1.45 times it (IEC 60364-4-43, from
    # memory), but at 200 s of the published line 86 A flow where 63.3 A are allowed: 1.84 · 75 K above 30 °C.
    _, advice = advice_of(pulses((10, 700)), around(AWG_10))
    assert fails(advice, 50) == {"fails_coordination"}
    assert fails(advice, 60) == {"fails_coordination"}
    assert {"fails_wire", "fails_coordination"} == fails(advice, 70)
    notes = {each.rating_a: [note.code for note in each.notes] for each in advice.each}
    assert (notes[30], notes[40]) == ([], ["by_overload_rule_only"])


def test_a_light_load_allows_a_smaller_fuse() -> None:
    # 10 A for good: 75 % of a derated rating of at least 13.3 A; 20 A is the least that type E is made in.
    result, advice = advice_of(pulses((10, 700)), around(AWG_10))
    assert advice.fits_a == (20, 30, 35, 40)
    assert (advice.next_up_a, advice.next_down_a) == (None, 35)
    finding = advice_finding("left", result, advice)
    assert finding is not None
    assert finding.severity == "note"
    assert "meets continuous practice, exposure and the lead's limits as measured in this run" in told(finding).what


def test_continuous_practice_counts_alone() -> None:
    # A maker's fuseology guide: continuous load at most 75 % of the rating at 25 °C. 30.4 A: 40.5 A or more.
    _, advice = advice_of(pulses((30.4, 700)), around(AWG_8), replace(LARGE_40, ambient_c=20.0))
    assert fails(advice, 40) == {"fails_continuous"}
    assert advice.fits_a == (50, 60)
    assert "fails continuous practice (30.5 A is 76 % of 40 A)" in sentences(judged(advice))


def test_a_declared_stall_asks_for_its_time() -> None:
    # 80 A for 2 s: type E carries 200 % for 2 s (second-hand), 1.25 · 80 A ask for 50 A, and a little more after 10 A.
    light, spec = pulses((10, 700)), replace(LARGE_40, ambient_c=20.0)
    _, advice = advice_of(light, around(AWG_4, stall=Stall(80.0, 2.0)), spec)
    assert [each.rating_a for each in advice.each if "fails_stall" in {reason.code for reason in each.fails}] == [
        20, 30, 35, 40, 50,
    ]  # fmt: skip
    assert stall_margin(BLADE_LARGE, 50.0, Stall(80.0, 2.0), 0.0) == pytest.approx(1.25)
    assert advice.next_up_a == 60
    # Without a time it asks for nothing: how long a stall lasts is not guessed.
    _, open_ended = advice_of(light, around(AWG_4, stall=Stall(80.0, None)), spec)
    assert 20 in open_ended.fits_a


def test_a_body_that_does_not_interrupt_a_short_circuit_suits_in_no_rating() -> None:
    short = Reason("breaking_capacity", "danger", place="left", capacity_a=1000.0)
    _, advice = advice_of(pulses((10, 700)), around(AWG_10, breaking=short))
    assert advice.fits_a == ()
    assert all("fails_breaking" in fails(advice, each.rating_a) for each in advice.each)


def test_both_sides_take_the_same_rating() -> None:
    _, light = advice_of(pulses((10, 700)), around(AWG_8))
    _, heavy = advice_of(pulses((30.4, 700)), around(AWG_8), replace(LARGE_40, ambient_c=20.0))
    assert (light.fits_a, heavy.fits_a) == ((20, 30, 35, 40, 50, 60), (50, 60))
    left, right = same_on_both(light, heavy)
    assert left.fits_a == right.fits_a == (50, 60)
    assert fails(left, 40) == {"fails_other_side"}
    assert fails(right, 40) == {"fails_continuous"}
    assert "the right side, where it fails continuous practice" in sentences(judged(left))
    # A side that cannot be judged stops nothing.
    assert same_on_both(light, none_given(Reason("fuse_current_missing")))[0].fits_a == light.fits_a


# Large blade, second-hand: 350 % 0.2 to 7 s, 600 % 0.04 to 1 s. 170 A of 40 A is 425 %: log-log, own arithmetic
@pytest.mark.parametrize(
    ("stall_a", "opens_s"),
    [
        (170.0, (0.2 * 0.2**0.3602, 7 * (1 / 7) ** 0.3602)),
        (140.0, (0.2, 7.0)),
        (240.0, (0.04, 1.0)),
        # Above 600 % nothing bounds the earliest from below, and it opens no later than at 600 %.
        (400.0, (0.0, 1.0)),
        # Between 100 and 135 % it may open after a minute, and need not open at all.
        (45.0, (60.0, None)),
        (54.0, (60.0, 1800.0)),
        (40.0, None),
        (30.0, None),
    ],
)
def test_when_a_fuse_opens_at_a_stall(stall_a: float, opens_s: tuple[float, float | None] | None) -> None:
    found = stall_opens_s(BLADE_LARGE, 40.0, 40.0, stall_a)
    if opens_s is None or opens_s[1] is None:
        assert found == opens_s
    else:
        assert found == pytest.approx(opens_s, rel=2e-3)


def test_warm_air_brings_the_earliest_opening_forward_alone() -> None:
    warm, cool = stall_opens_s(BLADE_LARGE, 40.0, 34.0, 100.0), stall_opens_s(BLADE_LARGE, 40.0, 40.0, 100.0)
    assert warm is not None
    assert cool is not None
    assert warm[0] < cool[0]
    assert warm[1] == cool[1]


def test_the_declared_stall_of_each_lead() -> None:
    text = "[motor]\nstall_a = 170\nstall_s = 3\n{}"
    assert declared_stall(parse(text.format(""), "x"), "left") == Stall(170.0, 3.0)
    assert declared_stall(parse(text.format(""), "x"), "main") == Stall(340.0, 3.0)
    # A controller that limits the current limits the stall.
    assert declared_stall(parse(text.format("[controller]\npeak_a = 100\n"), "x"), "left") == Stall(100.0, 3.0)
    assert declared_stall(parse("[motor]\nrated_a = 20\n", "x"), "left") is None
    assert declared_stall(None, "left") is None


def test_another_column_of_the_same_body_is_judged_by_its_own_times() -> None:
    # blade_medium changes its column between 30 and 35 A: at 350 % it opens after 0.08 s in both, but only one has a
    # row at 160 % (0.25 s). 42 A for 0.3 s is 140 % of 30 A.
    spec = replace(LARGE_40, family="blade_medium", rating_a=30.0)
    burst = pulses((5, 60), (42, 0.3), (5, 60))
    _, advice = advice_of(burst, around(AWG_4), spec)
    for rating in (35.0, 40.0):
        again = assess_fuse(replace(spec, rating_a=rating), burst, ERROR, 100.0)
        assert again.margin.low is not None
        assert (rating in advice.fits_a) == (again.margin.low >= 1.25)
    assert advice.fits_a


def test_what_is_not_bounded_gets_no_advice() -> None:
    t_s = np.arange(0, 60, 0.01)
    lines = Exposure.prepare(t_s, np.where(t_s < 30, 10.0, 40.0), np.zeros(len(t_s) - 1, bool))
    result, advice = advice_of(lines, around(AWG_10), corner_hz=1.0)
    assert result.margin.bound == "at_most"
    assert not advice.given
    assert (advice.next_up_a, advice.next_down_a, advice.fits_a, advice.each) == (None, None, (), ())
    past, none = advice_of(pulses((300, 20)), around(AWG_10))
    assert past.verdict == "past"
    assert "doubt the data" in sentences(none.why)
    assert not advice_of(BURST, around(AWG_10), replace(LARGE_40, rating_a=None))[1].given


def test_a_body_without_listed_ratings_gets_the_span_alone() -> None:
    # 26 A for good asks for 26/0.75 = 34.7 A at 20 °C, 35.6 A where 25 °C take 2.5 % off; 10 AWG allows 60 A.
    spec = replace(LARGE_40, family="strip_sf30", rating_a=50.0)
    _, advice = advice_of(pulses((26, 700)), around(AWG_10), spec)
    assert not advice.given
    assert re.search(r"asks for 35\.\d A or more, the lead \(wire\) for 60 A or less\.$", sentences(advice.why))
    _, tight = advice_of(pulses((26, 700)), around(AWG_10, ("holder", 30.0)), spec)
    assert "no rating meets both" in sentences(tight.why)


@examples(0.25)
@given(
    st.lists(st.tuples(st.floats(1, 90), st.floats(0.2, 20)), min_size=1, max_size=4),
    st.sampled_from(["blade_large", "blade_medium", "blade_mini"]),
    st.data(),
)
def test_every_rating_named_meets_all_of_it_when_fitted(
    blocks: list[tuple[float, float]], family: str, data: st.DataObject
) -> None:
    rating = data.draw(st.sampled_from(RATINGS[family].all_a))
    cap = data.draw(st.sampled_from([25.0, 1000.0]))
    spec = replace(LARGE_40, family=family, rating_a=rating, ambient_c=data.draw(st.sampled_from([20.0, 65.0])))
    exposure = pulses(*blocks)
    carries_a = ampacity(AWG_10, spec.ambient_c).value_a
    assert carries_a is not None
    result, advice = advice_of(exposure, around(AWG_10, ("connector", cap)), spec)
    if not advice.given:
        assert advice.fits_a == ()
        return
    for each in RATINGS[family].all_a:
        fitted = assess_fuse(replace(spec, rating_a=each), exposure, ERROR, 100.0)
        assert fitted.margin.low is not None
        assert fitted.continuous_fraction.high is not None
        # Margins within a column scale exactly; the search is good to 1e-4.
        if min(abs(fitted.margin.low - 1.25), abs(fitted.continuous_fraction.high - 0.75)) < 1e-3:
            continue
        together = coordinate("left", family, each, around(AWG_10).behind).holds is not False
        by_run = fitted.margin.low >= 1.25 and fitted.continuous_fraction.high <= 0.75
        meets = by_run and each <= min(cap, carries_a) and together
        assert (each in advice.fits_a) == meets, each
    assert advice.next_up_a is None or advice.next_up_a == min(f for f in advice.fits_a if f > rating)
    assert advice.next_down_a is None or advice.next_down_a == max(f for f in advice.fits_a if f < rating)
    finding = advice_finding("left", result, advice)
    assert finding is not None
    words = told(finding)
    for text in (other_ratings(advice), words.what, words.evidence, words.next):
        assert not re.search(r"\b(safe|safely|OK|okay|fine)\b", text)
        assert not re.search(r"\b(nan|inf|None)\b", text)
