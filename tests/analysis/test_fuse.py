"""Margins and verdicts worked by hand, what gaps and slow samples leave open, and every refusal."""

from __future__ import annotations

import json
import math
import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.exposure.exposure import CurrentError, Exposure
from amptally.analysis.protection.fuse import FuseResult, assess_fuse
from amptally.analysis.protection.fuse_advice import none_given
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_leads import FuseLead
from amptally.analysis.protection.fuse_margin import Unseen, verdict_of
from amptally.analysis.report.json_form import finding_json, fuse_json
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import basis, refusal, sentences
from tests.strategies import examples

LARGE_40 = FuseSpec("left", "blade_large", 40, ambient_c=20, position="supply_leg", sensed="supply_leg")
"""Derated 40 A: the data sheet gives the full 40 A up to 20 °C."""
FAST_HZ = 100.0


def constant(current_a: float, seconds: float, interval_s: float = 0.01) -> Exposure:
    count = round(seconds / interval_s) + 1
    t = np.arange(count) * interval_s
    return Exposure.prepare(t, np.full(count, current_a), np.zeros(count - 1, bool))


def pulses(*blocks: tuple[float, float], interval_s: float = 0.01) -> Exposure:
    """Rectangles (current, seconds), exact because each interval carries its own RMS."""
    rms = np.concatenate([[0.0], *(np.full(round(seconds / interval_s), current) for current, seconds in blocks)])
    return Exposure.from_interval_rms(np.arange(len(rms)) * interval_s, rms, np.zeros(len(rms) - 1, bool))


def assess(exposure: Exposure | None, fuse: FuseSpec = LARGE_40, error: CurrentError | None = None) -> FuseResult:
    return assess_fuse(fuse, exposure, error, FAST_HZ)


def codes(result: FuseResult) -> set[str]:
    return {finding.code for finding in result.findings}


def promised(result: FuseResult) -> float:
    """What the published rows guarantee of the measured current."""
    (reason,) = (reason for reason in result.margin.reasons if reason.code == "rows_promise")
    margin = reason["margin"]
    assert isinstance(margin, float)
    return margin


# TM4, ../shared/references.md section 13: the rows of the large blade, second-hand (a 40 A part's data sheet).
@pytest.mark.parametrize(("amps", "seconds"), [(240.0, 0.04), (140.0, 0.2), (80.0, 2.0), (54.0, 60.0)])
def test_a_row_held_for_its_time_is_exactly_1(amps: float, seconds: float) -> None:
    result = assess(pulses((0, 1), (amps, seconds), (0, 1)))
    assert promised(result) == pytest.approx(1.0, abs=1e-9)
    # The network passes the rows within 2 %, never above them.
    assert result.margin.value == pytest.approx(1.0, abs=0.02)
    assert result.margin.low == pytest.approx(1.0, abs=1e-9)
    assert result.tightest_at_s == pytest.approx(1 + seconds, abs=1e-9)


# TM5, same source: what the rows guarantee for a steady current from cold, as a multiple of the rating.
@pytest.mark.parametrize(("seconds", "multiple"), [(0.5, 2.2136), (1.0, 2.0), (10.0, 1.35), (109.35, 1.0)])
def test_what_the_rows_promise_of_a_pulse(seconds: float, multiple: float) -> None:
    result = assess(pulses((0, 1), (40 * multiple, seconds), (0, 5)))
    assert promised(result) == pytest.approx(1.0, abs=2e-3)
    assert (result.margin.value or 0) > 1.1


def test_a_drive_before_a_pulse_counts() -> None:
    # 88 A for 0.5 s: by largest RMS windows 1.27 and `below`, whatever came before. By the fuse's own curve 1.23 from
    # cold; after ten minutes at 29.5 A about 1.02 are left.
    cold, warm = assess(pulses((0, 1), (88, 0.5), (0, 60))), assess(pulses((0, 1), (29.5, 600), (88, 0.5), (0, 60)))
    assert cold.margin.value == pytest.approx(1.23, abs=0.01)
    assert warm.margin.value == pytest.approx(1.02, abs=0.015)
    assert warm.verdict == "near"
    assert warm.tightest_at_s == pytest.approx(601.5, abs=1e-6)
    assert warm.tightest_window_s is not None
    assert warm.tightest_window_s > 0.5


def test_54_A_for_70_s_may_open_it() -> None:
    # Past 60 s the rows leave √(60/70) of 135 %: 60 s of it are all that they promise.
    result = assess(pulses((0, 1), (54, 70)))
    assert promised(result) == pytest.approx(math.sqrt(60 / 70), rel=1e-4)
    assert (result.margin.value or 2) < 1
    assert result.verdict == "inside"
    assert "fuse_inside" in codes(result)


def test_200_A_for_10_s_should_have_opened_it() -> None:
    # Latest openings: 140 A at 7 s, 80 A at 50 s (second-hand); log-log between 126.5 A at 10 s: 126.5/200 = 0.633.
    result = assess(pulses((0, 1), (200, 10)))
    assert result.margin_latest.value == pytest.approx(0.6325, rel=0.03)
    assert result.verdict == "past"
    assert any(finding.code == "fuse_past" and finding.severity == "danger" for finding in result.findings)


def test_nine_tenths_of_the_heating_lie_in_the_tightest_window() -> None:
    # FU6's pulse, 120 A for 0.2 s at 140 A allowed: the pulse alone, and cooling after it counts for nothing.
    result = assess(pulses((0, 1), (120, 0.2), (0, 1)))
    assert result.margin.value == pytest.approx(140 / 120, rel=2e-3)
    assert result.tightest_window_s is not None
    assert 0.15 < result.tightest_window_s <= 0.2
    assert result.tightest_at_s == pytest.approx(1.2, abs=1e-3)
    assert result.worst_rms_a == pytest.approx(120.0, rel=1e-9)
    assert result.verdict == "near"


def test_worked_example_of_the_methods_page() -> None:
    # 1 s at rest, 30 s at 10 A, 100 A for 0.5 s, 28.5 s at 10 A, type E 40 A in air of 25 °C.
    derated = 40 * (1 - 0.15 * 5 / 45)
    result = assess(pulses((0, 1), (10, 30), (100, 0.5), (10, 28.5)), FuseSpec("left", "blade_large", 40, 25))
    assert result.derated_a == pytest.approx(39.333, abs=1e-3)
    assert result.margin.value == pytest.approx(1.05, abs=5e-3)
    # From cold the rows promise 2.2136 × 39.33 A for 0.5 s (TM5): 0.871. The 10 A before take 0.01.
    assert promised(result) == pytest.approx(0.859, abs=2e-3)
    assert promised(result) < 2.2136 * derated / 100
    assert result.tightest_at_s == pytest.approx(31.5, abs=1e-3)
    assert result.margin_latest.value == pytest.approx(2.75, abs=0.01)
    assert result.continuous_fraction.value == pytest.approx(math.sqrt((5000 + 5850) / 60) / derated, rel=1e-9)
    assert result.seconds_above_rating.value == pytest.approx(0.5, rel=1e-9)
    assert result.verdict == "near"


def test_continuous_load_alone_makes_it_near() -> None:
    # 31 A all along: the rows promise 40/31 = 1.290, above 1.25; continuous fraction 31/40 = 0.775, above 0.75.
    result = assess(constant(31, 700, 0.02))
    assert promised(result) == pytest.approx(40 / 31, rel=1e-6)
    assert result.continuous_fraction.value == pytest.approx(0.775, rel=1e-9)
    assert result.verdict == "near"
    assert "fuse_near" in codes(result)


def test_20_A_is_below_although_the_run_starts_loaded() -> None:
    result = assess(constant(20, 700, 0.02))
    # The low end takes 20 A as having flowed for ever: 100 % of the rating for ever is the last row.
    assert result.margin.low == pytest.approx(2.0, rel=1e-5)
    assert (result.margin.value or 0) > 2.2
    assert result.continuous_fraction.value == pytest.approx(0.5, rel=1e-9)
    assert result.verdict == "below"
    assert "fuse_started_loaded" in codes(result)
    assert not {"fuse_near", "fuse_inside", "fuse_past"} & codes(result)
    assert "fuse_started_loaded" not in codes(assess(pulses((0, 1), (20, 100))))


def test_what_flowed_before_the_run_is_in_the_low_end_alone() -> None:
    after = (88.0, 0.5)
    from_rest, loaded = assess(pulses((0, 1), (30, 5), after)), assess(pulses((30, 5), after))
    assert loaded.margin.value == pytest.approx(from_rest.margin.value, rel=1e-3)
    assert (loaded.margin.low or 0) < 0.97 * (from_rest.margin.low or 0)


def test_continuous_fraction_of_a_short_run_is_that_of_the_whole() -> None:
    result = assess(pulses((30, 10), (0, 30)))
    assert result.continuous_fraction.value == pytest.approx(30 * math.sqrt(10 / 40) / 40, rel=1e-9)
    assert Reason("whole_run_rms", run_s=40.0) in result.continuous_fraction.reasons
    assert "whole run" in basis(result.continuous_fraction)


def test_derating_and_its_default_temperature() -> None:
    warm = assess(constant(20, 100), FuseSpec("main", "blade_large", 40, ambient_c=65))
    assert warm.derated_a == pytest.approx(34.0, rel=1e-12)
    assert warm.margin.low == pytest.approx(34 / 20, rel=1e-5)
    assumed = assess(constant(20, 100), FuseSpec("main", "blade_large", 40))
    assert assumed.derated_a == pytest.approx(40 - 6 * 5 / 45, rel=1e-12)
    assert any(f.code == "fuse_ambient_assumed" and "25 °C" in told(f).what for f in assumed.findings)


def test_seconds_above_counts_against_the_marked_rating() -> None:
    # 0 → 80 → 0 A in 2 s: above 40 A for 1 s, though the derated rating is 34 A.
    t = np.arange(201) / 100
    triangle = Exposure.prepare(t, 80 * (1 - np.abs(t - 1)), np.zeros(200, bool))
    fuse = FuseSpec("main", "blade_large", 40, ambient_c=65)
    assert assess(triangle, fuse).seconds_above_rating.value == pytest.approx(1.0, rel=1e-9)
    # A gain of 1 % (1 σ) moves the line by 1.96 · 0.4 A, and the time by 2 · 0.784/80 s each way.
    bounds = assess(triangle, fuse, CurrentError(gain_u=0.01)).seconds_above_rating
    assert (bounds.low, bounds.high) == pytest.approx((1 - 0.0196, 1 + 0.0196), rel=1e-9)
    # With crossings inside an interval their place within it, 0.01/√12 s each, adds to both sides.
    between = assess(triangle, FuseSpec("main", "blade_large", 39.7, 20)).seconds_above_rating
    half = 1.96 * math.sqrt(2) * 0.01 / math.sqrt(12)
    assert between.value == pytest.approx(2 * (80 - 39.7) / 80, rel=1e-9)
    assert between.high == pytest.approx(2 * (80 - 39.7) / 80 + half, rel=1e-9)


def test_margin_interval_from_declared_gain() -> None:
    # RMS ± 1.96 · 1 %: the value's high end is 1/0.9804 of it, the rows' 40/20 at its low end 1/1.0196.
    result = assess(constant(20, 100), error=CurrentError(gain_u=0.01, offset_u_a=0.0, noise_a=0.0))
    assert result.margin.low == pytest.approx(2 / 1.0196, rel=1e-5)
    assert result.margin.high == pytest.approx((result.margin.value or 0) / 0.9804, rel=1e-5)
    assert "sensor_error_undeclared" in {reason.code for reason in assess(constant(20, 100)).margin.reasons}


def test_an_offset_larger_than_the_current_leaves_the_margin_open_above() -> None:
    # 0.1 A ± 1.96 · 0.2 A: at least 40/0.492, no upper end.
    result = assess(constant(0.1, 100), error=CurrentError(0.0, 0.2, 0.0))
    assert result.margin.low == pytest.approx(40 / 0.492, rel=1e-5)
    assert (result.margin.high, result.margin.bound) == (None, "at_least")
    assert result.verdict == "below"


def test_more_current_never_widens_a_margin() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(2000) / 50
    current = np.abs(rng.normal(size=2000).cumsum())
    values = []
    for scale in (0.5, 1.0, 1.5):
        exposure = Exposure.prepare(t, scale * current, np.zeros(1999, bool))
        values.append(assess(exposure).margin.value or 0.0)
    # The margin scales inversely with the current.
    for (first, small), (second, large) in pairwise(zip(values, (0.5, 1.0, 1.5), strict=True)):
        assert first * small == pytest.approx(second * large, rel=2e-4)


def test_slow_sampling_makes_the_margin_an_upper_bound() -> None:
    # Shortest published time of type E is 0.04 s: an estimate up to 0.02 s between samples.
    fine = assess(constant(20, 100, 0.02))
    assert (fine.margin.bound, fine.margin_latest.bound, fine.verdict) == ("estimate", "estimate", "below")
    slow = assess(constant(20, 100, 0.021))
    assert (slow.margin.bound, slow.margin.low, slow.verdict) == ("at_most", None, "unknown")
    assert slow.margin_latest.bound == "at_most"
    assert "fuse_sampling_slow" in codes(slow)


def test_an_upper_bound_below_1_still_decides() -> None:
    assert assess(constant(60, 100, 0.1)).verdict == "inside"
    assert assess(constant(200, 20, 0.1)).verdict == "past"


def test_slow_filter_makes_the_margin_an_upper_bound_unless_the_board_sends_RMS() -> None:
    # 1 / (2π · 0.04 s) = 3.98 Hz.
    assert assess_fuse(LARGE_40, constant(20, 100), None, 4.0).margin.bound == "estimate"
    slow = assess_fuse(LARGE_40, constant(20, 100), None, 3.9)
    assert (slow.margin.bound, slow.verdict) == ("at_most", "unknown")
    assert "fuse_filter_slow" in codes(slow)
    assert assess_fuse(LARGE_40, pulses((20, 100)), None, 3.9).margin.bound == "estimate"
    undeclared = assess_fuse(LARGE_40, constant(20, 100), None, None)
    assert undeclared.margin.bound == "estimate"
    assert "fuse_filter_undeclared" in codes(undeclared)


def with_gap(current_a: np.ndarray, after: int, gap_s: float) -> Exposure:
    """Samples every 10 ms, and a gap after one of them."""
    t = np.arange(len(current_a)) / 100
    t[after + 1 :] += gap_s
    gap = np.zeros(len(t) - 1, bool)
    gap[after] = True
    return Exposure.prepare(t, current_a, gap)


def test_a_gap_that_could_hide_more_makes_the_margin_an_upper_bound() -> None:
    # 100 s at 5 A with 2 s at 45 A, then a gap of 400 s: at 45 A throughout the fuse would have been far warmer.
    current = np.full(10_001, 5.0)
    current[1000:1200] = 45.0
    result = assess(with_gap(current, 4999, 400.0))
    assert (result.margin.bound, result.margin.low, result.verdict) == ("at_most", None, "unknown")
    assert (result.margin.value or 0) > 1.25
    assert result.margin_latest.bound == "at_most"
    assert "fuse_gap" in codes(result)
    assert result.seconds_above_rating.high == pytest.approx(2.01 + 400.0, abs=0.03)


def test_a_declared_limit_bounds_what_a_gap_hides() -> None:
    current = np.full(10_001, 5.0)
    current[1000:1200] = 30.0
    exposure = with_gap(current, 4999, 400.0)
    # The lead carries 31 A at most: 40/31 of it for ever.
    bounded = assess_fuse(LARGE_40, exposure, None, FAST_HZ, unseen=Unseen(31.0))
    assert bounded.margin.bound == "estimate"
    assert bounded.margin.low == pytest.approx(40 / 31, rel=0.02)
    # At 90 A the gap could have opened it, as far as is known: an upper bound, and what was measured is not near.
    stall = assess_fuse(LARGE_40, exposure, None, FAST_HZ, unseen=Unseen(90.0))
    assert stall.margin.bound == "at_most"
    (hidden,) = (reason for reason in stall.margin.reasons if reason.code == "gaps_would_leave")
    assert hidden["low"] == pytest.approx(40 / 90, rel=0.02)
    assert stall.margin.value == bounded.margin.value
    assert stall.verdict == "unknown"
    assert "fuse_gap" in codes(stall)


@examples(0.3)
@given(st.integers(0, 2**32), st.integers(1, 300), st.floats(0.02, 60.0))
def test_what_a_gap_hid_is_never_above_the_low_end(seed: int, length: int, most_a: float) -> None:
    """The same drive with and without samples for a while: no estimate claims more than the whole drive leaves."""
    rng = np.random.default_rng(seed)
    current = np.repeat(np.abs(rng.normal(0, 40, 60)).clip(0, most_a), 20)
    t = np.arange(len(current)) / 100
    whole = assess(Exposure.prepare(t, current, np.zeros(len(t) - 1, bool))).margin
    begin = int(rng.integers(1, len(t) - length - 1))
    keep = (np.arange(len(t)) <= begin) | (np.arange(len(t)) > begin + length)
    gap = np.zeros(int(keep.sum()) - 1, bool)
    gap[begin] = True
    seen = assess_fuse(
        LARGE_40, Exposure.prepare(t[keep], current[keep], gap), None, FAST_HZ, unseen=Unseen(float(current.max()))
    ).margin
    if seen.value is None or whole.value is None:
        return
    assert seen.value >= whole.value * (1 - 5e-3)  # what was not measured can only have made it warmer
    if seen.low is not None:
        assert seen.low <= whole.value * (1 + 1e-6)


def test_gaps_that_can_hide_little_leave_the_margin_an_estimate() -> None:
    # 20 A before and after 7 s of gap: with 20 A in it, too, the rows promise 40/20 as without.
    steady = assess(with_gap(np.full(8001, 20.0), 3999, 7.0))
    assert steady.margin.bound == "estimate"
    assert steady.margin.low == pytest.approx(2.0, rel=1e-3)
    assert steady.continuous_fraction.bound == "at_least"
    assert steady.verdict == "below"
    current = np.full(3001, 10.0)
    current[1000:1100] = 30.0
    assert assess(with_gap(current, 9, 0.5)).margin.bound == "estimate"


def test_slow_boards_are_judged_by_what_they_show_and_by_what_the_lead_can_carry() -> None:
    # Samples every 0.1 s, more than half of 0.04 s. What was seen is near: so is whatever lies between.
    near = assess(constant(32, 100, 0.1))
    assert (near.margin.bound, near.verdict) == ("at_most", "near")
    light = constant(20, 100, 0.1)
    assert assess(light).verdict == "unknown"
    # 30 A at most between samples: 40/30 for ever, a little more for 100 s after 20 A.
    bounded = assess_fuse(LARGE_40, light, None, FAST_HZ, unseen=Unseen(30.0))
    assert bounded.margin.bound == "estimate"
    assert 40 / 30 <= (bounded.margin.low or 0) < 1.03 * 40 / 30
    assert bounded.verdict == "below"
    # 90 A could have opened it unseen.
    stall = assess_fuse(LARGE_40, light, None, FAST_HZ, unseen=Unseen(90.0))
    assert stall.margin.low == pytest.approx(40 / 90, rel=0.05)
    assert stall.verdict == "unknown"


def test_a_filter_slower_than_the_samples_shows_every_pulse_flattened() -> None:
    # A corner of 1 Hz, τ 0.159 s, behind samples every 0.1 s: of a pulse of 0.5 s no more than 26 % of its RMS is lost.
    t = np.arange(1001) / 10
    current = np.where((t > 50) & (t < 50.5), 40.0, 5.0)
    exposure = Exposure.prepare(t, current, np.zeros(1000, bool))
    result = assess_fuse(LARGE_40, exposure, CurrentError(corner_hz=1.0), 1.0, unseen=Unseen(90.0))
    assert result.margin.bound == "estimate"
    unfiltered = assess_fuse(LARGE_40, exposure, None, FAST_HZ, unseen=Unseen(90.0))
    assert (result.margin.low or 0) > 1.3 * (unfiltered.margin.low or 0)
    assert "fuse_filter_slow" in codes(result)


def est(value: float, low: float | None = 0.0, bound: str = "estimate") -> Estimate:
    low = value if low == 0.0 else low
    return Estimate(value, low, value, "", bound)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("margin", "latest", "fraction", "filled", "verdict"),
    [
        (est(0.5), est(0.99), est(0.9), 0.9, "past"),
        (est(0.5, None, "at_most"), est(0.99, None, "at_most"), est(0.1), 0.1, "past"),
        (est(0.99), est(1.0), est(0.1), 0.1, "inside"),
        (est(0.8, None, "at_most"), est(1.5, None, "at_most"), est(0.1), 0.1, "inside"),
        (est(0.8), refuse("", Reason("run_short")), est(0.1), 0.1, "inside"),
        (est(1.0), est(2.0), est(0.1), 0.1, "near"),
        (est(1.3, 1.24), est(2.0), est(0.1), 0.1, "near"),
        (est(1.3, 1.25), est(2.0), est(0.1), 0.1, "below"),
        (est(1.3), est(2.0), est(0.7501), 0.7501, "near"),
        (est(1.3), est(2.0), est(0.75), 0.75, "below"),
        (est(1.3), est(2.0), est(0.5, bound="at_least"), 0.76, "unknown"),
        (est(1.23, None, "at_most"), est(2.0, None, "at_most"), est(0.1), 0.1, "near"),
        (est(1.3, None, "at_most"), est(2.0, None, "at_most"), est(0.1), 0.1, "unknown"),
        (est(3.0, None, "at_most"), est(5.0, None, "at_most"), est(0.9), 0.9, "near"),
        (
            refuse("", Reason("no_current")),
            refuse("", Reason("no_current")),
            refuse("", Reason("no_current")),
            math.inf,
            "unknown",
        ),
    ],
)
def test_verdicts(margin: Estimate, latest: Estimate, fraction: Estimate, filled: float, verdict: str) -> None:
    assert verdict_of(margin, latest, fraction, filled) == verdict


@pytest.mark.parametrize(
    ("position", "sensed", "code", "refused"),
    [
        ("supply_leg", "supply_leg", None, False),
        ("motor_lead", "motor_lead", None, False),
        (None, None, "fuse_place_assumed", False),
        ("supply_leg", None, "fuse_place_assumed", False),
        (None, "supply_leg", "fuse_place_assumed", False),
        ("motor_lead", None, "fuse_place_differs", True),
        ("supply_leg", "motor_lead", "fuse_place_differs", True),
        ("unknown", "supply_leg", "fuse_place_unknown", True),
        ("unknown", "unknown", "fuse_place_unknown", True),
        (None, "unknown", "fuse_place_unknown", True),
    ],
)
def test_the_sensor_must_see_what_the_fuse_sees(
    position: str | None, sensed: str | None, code: str | None, refused: bool
) -> None:
    result = assess(constant(20, 100), FuseSpec("right", "blade_large", 40, 20, position, sensed))
    places = {found for found in codes(result) if found.startswith("fuse_place")}
    assert places == ({code} if code else set())
    assert result.margin.is_refused == refused
    if refused:
        assert result.verdict == "unknown"
        assert result.seconds_above_rating.is_refused
        assert result.continuous_fraction.is_refused
        assert re.search("trace the wires|measure the current", refusal(result.margin) or "")


def test_the_main_fuse_is_seen_by_the_battery_sensor() -> None:
    result = assess(constant(20, 100), FuseSpec("main", "blade_large", 40, 20, sensed="motor_lead"))
    assert result.verdict == "below"
    assert not {found for found in codes(result) if found.startswith("fuse_place")}


@pytest.mark.parametrize(
    ("fuse", "code"),
    [
        (FuseSpec("main", "blade_large", None), "fuse_rating_missing"),
        (FuseSpec("main", "blade_large", math.nan), "fuse_rating_missing"),
        (FuseSpec("main", "blade_large", -5), "fuse_rating_missing"),
        (FuseSpec("main", None, 40), "fuse_family_unknown"),
        (FuseSpec("main", "glass_tube", 40), "fuse_family_unknown"),
        (FuseSpec("main", "blade_medium", 60), "fuse_rating_unknown"),
        (FuseSpec("main", "blade_large", 40, ambient_c=126), "fuse_ambient_beyond"),
    ],
)
def test_what_the_machine_file_lacks_is_refused_with_its_reason(fuse: FuseSpec, code: str) -> None:
    result = assess(constant(20, 100), fuse)
    assert code in codes(result)
    assert result.verdict == "unknown"
    for value in (result.margin, result.margin_latest, result.continuous_fraction):
        assert value.is_refused
    assert [each.code for each in result.margin.reasons] == [code]
    assert refusal(result.margin) in sentences(result.rule)  # type: ignore[operator]


def test_no_current_measured() -> None:
    result = assess(None)
    assert result.verdict == "unknown"
    assert [each.code for each in result.margin.reasons] == ["fuse_current_missing"]
    assert result.derated_a == 40
    assert "fuse_current_missing" in codes(result)


def test_no_current_flowed() -> None:
    result = assess(constant(0, 100))
    assert [each.code for each in result.margin.reasons] == ["no_ratio_without_current"]
    assert result.verdict == "unknown"
    assert (result.seconds_above_rating.value, result.continuous_fraction.value) == (0.0, 0.0)
    assert "fuse_no_current" in codes(result)


def test_a_run_shorter_than_the_shortest_published_time() -> None:
    # 300 A for 0.03 s is 750 % of the rating: the first row, 600 % for 0.04 s, promises 240 A for any shorter time.
    result = assess(pulses((0, 0.2), (300, 0.03), interval_s=0.001))
    assert promised(result) == pytest.approx(240 / 300, rel=1e-9)
    assert result.margin.low == pytest.approx(240 / 300, rel=1e-9)
    assert result.seconds_above_rating.value == pytest.approx(0.03)


def test_two_samples_far_apart() -> None:
    # 20 A at both ends of a minute: 54 A for it is the 135 % row; what flowed between is anyone's guess.
    result = assess(constant(20, 60, 60.0))
    assert result.margin.bound == "at_most"
    assert result.margin.value == pytest.approx(54 / 20, rel=0.01)
    assert result.verdict == "unknown"
    assert result.continuous_fraction.is_refused


def test_pulses_shorter_than_the_first_row_count() -> None:
    # A 10 ms spike of 400 A: the rows promise 600 %, 240 A, for less than 0.04 s.
    result = assess(pulses((0, 1), (400, 0.01), (0, 1), interval_s=0.002))
    assert promised(result) == pytest.approx(240 / 400, rel=1e-9)
    assert result.verdict == "inside"


@pytest.mark.parametrize(
    ("family", "rating", "words"),
    [
        ("blade_mini", 20, "from memory"),
        ("strip_sf30", 60, "from memory"),
        ("strip_sf51", 100, "from memory"),
        ("blade_medium", 10, "rows 135 %, 350 %, 600 % from memory"),
        ("blade_medium", 20, "transcribed for the 10 A part and unverified for 20 A"),
        ("blade_large", 60, "transcribed for the 40 A part and unverified for 60 A"),
    ],
)
def test_unverified_limits_are_labelled_wherever_shown(family: str, rating: float, words: str) -> None:
    result = assess(constant(5, 100), FuseSpec("main", family, rating, 20))
    assert words in sentences(result.rule)
    assert "unverified" in sentences(result.rule)
    assert "fuse_limit_unverified" in codes(result)


@pytest.mark.parametrize(("family", "rating"), [("blade_large", 40), ("blade_medium", 40), ("blade_medium", 35)])
def test_transcribed_limits_are_called_second_hand(family: str, rating: float) -> None:
    result = assess(constant(5, 100), FuseSpec("main", family, rating, 20))
    assert "(second-hand)" in sentences(result.rule)
    assert "fuse_limit_unverified" not in codes(result)


def test_families_without_a_derating_table_say_so() -> None:
    # The steepest stretch of the one table that is held, of the large blade: 0.5 %/K (second-hand), from 20 °C on.
    result = assess(constant(5, 100), FuseSpec("main", "blade_medium", 40, 90))
    assert result.derated_a == pytest.approx(40 * (1 - 0.005 * 70))
    assert result.margin.bound == "at_most"
    assert "fuse_derating_missing" in codes(result)


def test_medium_blade_column_follows_the_rating() -> None:
    # 160 % for 0.25 s is a row of the 10 A column only, but its 350 % for 0.08 s promise more: 3.5 √(0.08/0.25) = 1.980
    # times the rating for 0.25 s, so 1.980/1.6 for 48 A on a 30 A fuse.
    fuse = FuseSpec("main", "blade_medium", 30, 20)
    assert promised(assess(pulses((0, 1), (48, 0.25), (0, 1)), fuse)) == pytest.approx(1.980 / 1.6, abs=2e-3)
    # The 35/40 A column has (0.15 s, 200 %) and (0.75 s, 135 %) only.
    fuse = FuseSpec("main", "blade_medium", 35, 20)
    assert promised(assess(pulses((0, 1), (47.25, 0.75), (0, 1)), fuse)) == pytest.approx(1.0, abs=1e-9)


KEYS = {
    "rating_a", "derated_a", "family", "margin", "margin_latest", "tightest_window_s", "tightest_at_s",
    "seconds_above_rating", "continuous_fraction", "verdict", "rule", "current_from",
}  # fmt: skip


@pytest.mark.parametrize(
    "result",
    [
        assess(constant(20, 100)),
        assess(constant(0, 100)),
        assess(None),
        assess(constant(200, 10)),
        assess(constant(20, 100, 0.1)),
        assess(constant(60, 100), FuseSpec("left", "strip_sf51", 30)),
        assess(constant(20, 100), FuseSpec("left", "x", math.nan, math.nan, "unknown")),
    ],
)
def test_report_object(result: FuseResult) -> None:
    found = fuse_json(FuseLead(result, none_given(Reason("fuse_should_have_opened")), ()))
    assert set(found) == KEYS | {"advice", "protects_wire", "stall_opens_s"}
    json.dumps(found, allow_nan=False)
    text = json.dumps([found, *(finding_json(finding) for finding in result.findings)])
    # Nothing ever tells a user that a fuse is fine.
    assert not re.search(r"\b(safe|OK|okay|fine|harmless)\b", text, re.IGNORECASE)
    for finding in result.findings:
        words = told(finding)
        assert words.what.endswith(".")
        assert words.next.endswith(".")
        assert words.evidence
