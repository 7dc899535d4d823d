"""Advice on other ratings: worked cases, each limit alone, and every named rating judged anew as if it were fitted."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.exposure.exposure import CurrentError, Exposure
from amptally.analysis.protection.fuse import FuseResult, assess_fuse
from amptally.analysis.protection.fuse_advice import FuseAdvice, LeadLimits, advice_finding, advise
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_margin import measured_margins
from amptally.analysis.protection.wire import Part, ampacity
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.other_ratings import other_ratings
from amptally.analysis.wording.results import sentences
from amptally.logger.machine.fields import Wire
from amptally.tables.fuse_opening_times import FuseTable
from amptally.tables.fuse_ratings import RATINGS
from tests.strategies import examples

ERROR = CurrentError(0.001, 0.0, 0.0)
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


BURST = pulses((0, 1), (10, 30), (70, 0.5), (10, 28.5))
"""docs/methods.md, Fuse margin, at 70 A: the rows of a 40 A fuse promise 0.859 × 100/70 = 1.226."""


def test_the_worked_example_asks_for_more_and_the_wire_carries_it() -> None:
    # 1.226 × 50/40 = 1.533 and × 60/40 pass 1.25; 10 AWG carries 60 A (33 CFR 183.425), so 70 does not.
    result, advice = advice_of(BURST, LeadLimits(AWG_10, ()))
    assert result.margin.low == pytest.approx(1.22, abs=0.01)
    assert (advice.next_up_a, advice.next_down_a, advice.fits_a) == (50, None, (50, 60))
    assert "40 A fitted: fails exposure (margin from 1.2" in sentences(advice.why)
    finding = advice_finding("left", result, advice)
    assert finding is not None
    assert (finding.severity, finding.code) == ("caution", "fuse_rating_advice")
    assert "next up 50 A would" in told(finding).what
    assert "local codes" in told(finding).next.lower()


@pytest.mark.parametrize(
    ("cap", "fits"),
    [(("connector", 50.0), (50,)), (("holder", 45.0), ()), (("motor", 49.0), ()), (("controller", 60.0), (50, 60))],
)
def test_no_rating_passes_a_limit_of_the_lead(cap: tuple[Part, float], fits: tuple[float, ...]) -> None:
    _, advice = advice_of(BURST, LeadLimits(AWG_10, (cap,)))
    assert advice.fits_a == fits
    if not fits:
        assert (advice.next_up_a, advice.next_down_a) == (None, None)
        assert f"50 A: fails {cap[0]}" in sentences(advice.why)


def test_a_wire_without_ampacity_allows_nothing_larger() -> None:
    for wire in (None, Wire(awg=10), Wire(insulation_c=105)):
        result, advice = advice_of(BURST, LeadLimits(wire, ()))
        assert advice.fits_a == ()
        assert "50 A: fails wire (its ampacity is not known)" in sentences(advice.why)
        finding = advice_finding("left", result, advice)
        assert finding is not None
        assert "no other rating of its body would" in told(finding).what


def test_the_wire_has_to_survive_until_the_fuse_opens() -> None:
    # 18 AWG: 0.823 mm², 20 A (33 CFR 183.425). Type E opens at 600 % within 1 s (second-hand): 120 A of 20 A,
    # and I = k S/√t (IEC 60364-5-54, second-hand) with k 88 carries 72 A for 1 s: by ampacity alone it would pass.
    thin = Wire(awg=18, length_m=0.6, insulation_c=105)
    assert ampacity(thin).value_a == 20.0
    spec = replace(LARGE_40, rating_a=20.0, ambient_c=20.0)
    _, advice = advice_of(pulses((5, 100)), LeadLimits(thin, ()), spec)
    assert advice.fits_a == ()
    assert re.search(r"wire \(120 A for 1 s while it opens, carries 72\.\d A\)", sentences(advice.why))


def test_a_light_load_allows_a_smaller_fuse() -> None:
    # 10 A for good: 75 % of a derated rating of at least 13.3 A; 20 A is the least that type E is made in.
    result, advice = advice_of(pulses((10, 700)), LeadLimits(AWG_10, ()))
    assert advice.fits_a == (20, 30, 35, 40, 50, 60)
    assert (advice.next_up_a, advice.next_down_a) == (50, 35)
    finding = advice_finding("left", result, advice)
    assert finding is not None
    assert finding.severity == "note"
    assert "meets continuous practice, exposure and the lead's limits as measured in this run" in told(finding).what


def test_continuous_practice_counts_alone() -> None:
    # A maker's fuseology guide: continuous load at most 75 % of the rating at 25 °C. 32 A: 42.7 A or more.
    _, advice = advice_of(pulses((32, 700)), LeadLimits(AWG_10, ()), replace(LARGE_40, ambient_c=20.0))
    assert advice.fits_a == (50, 60)
    assert "40 A fitted: fails continuous practice (32.1 A is 80 % of 40 A)" in sentences(advice.why)


def test_another_column_of_the_same_body_is_judged_by_its_own_times() -> None:
    # blade_medium changes its column between 30 and 35 A: at 350 % it opens after 0.08 s in both, but only one has a
    # row at 160 % (0.25 s). 42 A for 0.3 s is 140 % of 30 A.
    spec = replace(LARGE_40, family="blade_medium", rating_a=30.0)
    burst = pulses((5, 60), (42, 0.3), (5, 60))
    _, advice = advice_of(burst, LeadLimits(AWG_10, ()), spec)
    for rating in (35.0, 40.0):
        again = assess_fuse(replace(spec, rating_a=rating), burst, ERROR, 100.0)
        assert again.margin.low is not None
        assert (rating in advice.fits_a) == (again.margin.low >= 1.25)
    assert advice.fits_a


def test_what_is_not_bounded_gets_no_advice() -> None:
    t_s = np.arange(0, 60, 0.01)
    lines = Exposure.prepare(t_s, np.where(t_s < 30, 10.0, 40.0), np.zeros(len(t_s) - 1, bool))
    result, advice = advice_of(lines, LeadLimits(AWG_10, ()), corner_hz=1.0)
    assert result.margin.bound == "at_most"
    assert not advice.given
    assert (advice.next_up_a, advice.next_down_a, advice.fits_a) == (None, None, ())
    past, none = advice_of(pulses((300, 20)), LeadLimits(AWG_10, ()))
    assert past.verdict == "past"
    assert "doubt the data" in sentences(none.why)
    assert not advice_of(BURST, LeadLimits(AWG_10, ()), replace(LARGE_40, rating_a=None))[1].given


def test_a_body_without_listed_ratings_gets_the_span_alone() -> None:
    # 26 A for good asks for 26/0.75 = 34.7 A at 20 °C, 35.6 A where 25 °C take 2.5 % off; 10 AWG allows 60 A.
    spec = replace(LARGE_40, family="strip_sf30", rating_a=50.0)
    _, advice = advice_of(pulses((26, 700)), LeadLimits(AWG_10, ()), spec)
    assert not advice.given
    assert re.search(r"asks for 35\.\d A or more, the lead \(wire\) for 60 A or less\.$", sentences(advice.why))
    _, tight = advice_of(pulses((26, 700)), LeadLimits(AWG_10, (("holder", 30.0),)), spec)
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
    result, advice = advice_of(exposure, LeadLimits(AWG_10, (("connector", cap),)), spec)
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
        meets = fitted.margin.low >= 1.25 and fitted.continuous_fraction.high <= 0.75 and each <= min(cap, carries_a)
        assert (each in advice.fits_a) == meets, each
    assert advice.next_up_a is None or advice.next_up_a == min(f for f in advice.fits_a if f > rating)
    assert advice.next_down_a is None or advice.next_down_a == max(f for f in advice.fits_a if f < rating)
    finding = advice_finding("left", result, advice)
    assert finding is not None
    words = told(finding)
    for text in (other_ratings(advice), words.what, words.evidence, words.next):
        assert not re.search(r"\b(safe|safely|OK|okay|fine)\b", text)
        assert not re.search(r"\b(nan|inf|None)\b", text)
