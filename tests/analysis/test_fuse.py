"""Margins and verdicts worked by hand, the branch and bound against a plain scan, and every refusal."""

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
from amptally.analysis.protection.fuse_curve import Limit, tightest
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_leads import FuseLead
from amptally.analysis.protection.fuse_margin import verdict_of
from amptally.analysis.report.json_form import finding_json, fuse_json
from amptally.analysis.results.estimate import UNDECLARED, Estimate, refuse
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


def allowed(window_s: float, short: tuple[float, float], long: tuple[float, float]) -> float:
    """The straight line in logarithms through two rows (seconds, amperes)."""
    power = math.log(long[1] / short[1]) / math.log(long[0] / short[0])
    return short[1] * (window_s / short[0]) ** power


def test_54_A_for_50_s_is_just_below_the_earliest_opening() -> None:
    # 54 A is 135 % of 40 A, allowed for 60 s. At 50 s the line from (2 s, 80 A) to (60 s, 54 A) allows 55.15 A.
    result = assess(constant(54, 50))
    assert result.margin.value == pytest.approx(allowed(50, (2, 80), (60, 54)) / 54, rel=1e-4)
    assert result.margin.value == pytest.approx(1.0213, abs=1e-4)
    assert result.tightest_window_s == pytest.approx(50, rel=1e-3)
    # Latest: 200 % for 50 s, 80/54.
    assert result.margin_latest.value == pytest.approx(80 / 54, rel=1e-4)
    assert result.verdict == "near"


def test_54_A_for_60_s_meets_the_135_percent_row_exactly() -> None:
    result = assess(constant(54, 60))
    assert result.margin.value == pytest.approx(1.0, rel=1e-4)


def test_54_A_for_70_s_is_held_to_the_rating() -> None:
    # Past 60 s nothing above 100 % is published as held: 40/54.
    result = assess(constant(54, 70))
    assert result.margin.value == pytest.approx(40 / 54, rel=1e-4)
    assert result.tightest_window_s is not None
    assert 60 < result.tightest_window_s < 70
    assert result.margin_latest.value == pytest.approx(allowed(70, (50, 80), (1800, 54)) / 54, rel=1e-4)
    assert result.verdict == "inside"
    assert "fuse_inside" in codes(result)


def test_200_A_for_10_s_should_have_opened_it() -> None:
    # Latest at 10 s, on the line from (7 s, 140 A) to (50 s, 80 A): 126.5 A; 126.5/200 = 0.633.
    result = assess(constant(200, 10))
    assert result.margin_latest.value == pytest.approx(allowed(10, (7, 140), (50, 80)) / 200, rel=1e-4)
    assert result.margin_latest.value == pytest.approx(0.6325, abs=1e-3)
    # Earliest at 10 s, on the line from (2 s, 80 A) to (60 s, 54 A).
    assert result.margin.value == pytest.approx(allowed(10, (2, 80), (60, 54)) / 200, rel=1e-4)
    assert result.verdict == "past"
    assert any(finding.code == "fuse_past" and finding.severity == "danger" for finding in result.findings)


def test_a_120_A_pulse_of_200_ms_is_tightest_at_its_own_length() -> None:
    # The pulse of FU6. 140 A are allowed for 0.2 s (350 %); longer windows dilute faster than the limit falls.
    result = assess(pulses((0, 1), (120, 0.2), (0, 1)))
    assert result.margin.value == pytest.approx(140 / 120, rel=1e-4)
    assert result.tightest_window_s == pytest.approx(0.2, rel=1e-3)
    assert result.tightest_at_s == pytest.approx(1.0, abs=1e-3)
    assert result.verdict == "near"


def test_a_pulse_between_two_rows() -> None:
    # 100 A for 0.5 s: the line from (0.2 s, 140 A) to (2 s, 80 A) allows 112.1 A.
    result = assess(pulses((0, 1), (100, 0.5), (0, 1)))
    assert result.margin.value == pytest.approx(allowed(0.5, (0.2, 140), (2, 80)) / 100, rel=1e-4)


def test_worked_example_of_the_methods_page() -> None:
    # 60 s at 10 A with 100 A for 0.5 s, type E 40 A in air of 25 °C.
    derated = 40 * (1 - 0.15 * 5 / 45)
    result = assess(pulses((10, 30), (100, 0.5), (10, 29.5)), FuseSpec("left", "blade_large", 40, 25))
    assert result.derated_a == pytest.approx(39.333, abs=1e-3)
    assert result.margin.value == pytest.approx(allowed(0.5, (0.2, 3.5 * derated), (2, 2 * derated)) / 100, rel=1e-4)
    assert result.margin.value == pytest.approx(1.102, abs=5e-4)
    assert (result.tightest_window_s, result.tightest_at_s) == pytest.approx((0.5, 30.0), abs=1e-3)
    # Latest opening begins at 1 s, 600 %: half of that second at 100 A, half at 10 A.
    assert result.margin_latest.value == pytest.approx(6 * derated / math.sqrt(5050), rel=1e-4)
    assert result.margin_latest.value == pytest.approx(3.321, abs=5e-4)
    assert result.continuous_fraction.value == pytest.approx(math.sqrt((5000 + 5950) / 60) / derated, rel=1e-9)
    assert result.continuous_fraction.value == pytest.approx(0.343, abs=5e-4)
    assert result.seconds_above_rating.value == pytest.approx(0.5, rel=1e-9)
    assert result.verdict == "near"


def test_continuous_load_alone_makes_it_near() -> None:
    # 31 A all along: margin 40/31 = 1.290, above 1.25; continuous fraction 31/40 = 0.775, above 0.75.
    result = assess(constant(31, 700, 0.02))
    assert result.margin.value == pytest.approx(40 / 31, rel=1e-6)
    assert result.continuous_fraction.value == pytest.approx(0.775, rel=1e-9)
    assert result.verdict == "near"
    assert "fuse_near" in codes(result)


def test_20_A_is_below() -> None:
    result = assess(constant(20, 700, 0.02))
    assert result.margin.value == pytest.approx(2.0, rel=1e-5)
    # Latest: 200 % row at 50 s to 135 % at 1800 s; at 700 s the line allows 59.9 A.
    assert result.margin_latest.value == pytest.approx(allowed(700, (50, 80), (1800, 54)) / 20, rel=1e-4)
    assert result.continuous_fraction.value == pytest.approx(0.5, rel=1e-9)
    assert result.verdict == "below"
    assert not {"fuse_near", "fuse_inside", "fuse_past"} & codes(result)


def test_latest_limit_is_held_at_135_percent_beyond_its_longest_time() -> None:
    result = assess(constant(30, 2000, 0.02))
    assert result.margin_latest.value == pytest.approx(54 / 30, rel=1e-4)


def test_continuous_fraction_of_a_short_run_is_that_of_the_whole() -> None:
    result = assess(pulses((30, 10), (0, 30)))
    assert result.continuous_fraction.value == pytest.approx(30 * math.sqrt(10 / 40) / 40, rel=1e-9)
    assert Reason("whole_run_rms", run_s=40.0) in result.continuous_fraction.reasons
    assert "whole run" in basis(result.continuous_fraction)


def test_derating_and_its_default_temperature() -> None:
    warm = assess(constant(20, 100), FuseSpec("main", "blade_large", 40, ambient_c=65))
    assert warm.derated_a == pytest.approx(34.0, rel=1e-12)
    assert warm.margin.value == pytest.approx(34 / 20, rel=1e-5)
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
    # RMS 20 A ± 1.96 · 1 %: the margin 40/20 runs from 2/1.0196 to 2/0.9804.
    result = assess(constant(20, 100), error=CurrentError(gain_u=0.01, offset_u_a=0.0, noise_a=0.0))
    assert result.margin.low == pytest.approx(2 / 1.0196, rel=1e-5)
    assert result.margin.high == pytest.approx(2 / 0.9804, rel=1e-5)
    assert UNDECLARED in assess(constant(20, 100)).margin.reasons


def test_an_offset_larger_than_the_current_leaves_the_margin_open_above() -> None:
    # 0.1 A ± 1.96 · 0.2 A: at least 40/0.492, no upper end.
    result = assess(constant(0.1, 100), error=CurrentError(0.0, 0.2, 0.0))
    assert result.margin.low == pytest.approx(40 / 0.492, rel=1e-5)
    assert (result.margin.high, result.margin.bound) == (None, "at_least")
    assert result.verdict == "below"


@st.composite
def loads(draw: st.DrawFn) -> Exposure:
    count = draw(st.integers(3, 12))
    length = st.one_of(st.floats(0.01, 0.1), st.floats(0.05, 40))
    seconds = draw(st.lists(length, min_size=count - 1, max_size=count - 1))
    current = draw(st.lists(st.floats(0, 150), min_size=count, max_size=count))
    gaps = draw(st.lists(st.sampled_from([False, False, False, True]), min_size=count - 1, max_size=count - 1))
    gaps[0] = False
    t = np.append(0.0, np.cumsum(seconds))
    build = Exposure.from_interval_rms if draw(st.booleans()) else Exposure.prepare
    return build(t, np.array(current), np.array(gaps))


@st.composite
def limits(draw: st.DrawFn) -> Limit:
    times = sorted(draw(st.sets(st.sampled_from([0.03, 0.1, 0.4, 1.0, 3.0, 10.0, 30.0, 100.0]), min_size=2)))
    current = sorted(draw(st.lists(st.floats(5, 300), min_size=len(times), max_size=len(times))), reverse=True)
    beyond = current[-1] * draw(st.sampled_from([1.0, 1 / 1.35]))
    return Limit(tuple(zip(times, current, strict=True)), beyond)


@examples(0.3)
@given(loads(), limits())
def test_branch_and_bound_agrees_with_a_plain_scan(exposure: Exposure, limit: Limit) -> None:
    found = tightest(exposure, limit)
    shortest_s = max(limit.shortest_s, 2 * exposure.interval_s)
    if shortest_s > exposure.duration_s or exposure.peak_a == 0:
        assert found is None
        return
    scan = [shortest_s, exposure.duration_s]
    if shortest_s < exposure.sampled_s:
        scan += np.geomspace(shortest_s, exposure.sampled_s, 60).tolist()
        ends = [time for time, _ in limit.points if shortest_s < time < exposure.sampled_s]
        scan += ends + [end * 1.00001 for end in ends if end * 1.00001 < exposure.sampled_s]
    ratios = []
    for window_s in scan:
        rms = exposure.worst(min(window_s, exposure.duration_s)).rms_a
        level = limit.allowed_a(window_s)
        if rms > 0 and level is not None:
            ratios.append(level / rms)
    if found is None:
        assert not ratios
        return
    # No scanned window is tighter than found, to the tolerance, and the found one is what it says.
    assert found.ratio <= min(ratios) * (1 + 1.1e-4)
    assert found.ratio == pytest.approx(found.allowed_a / found.window.rms_a, rel=1e-12)
    assert found.allowed_a == limit.allowed_a(found.window.window_s)
    again = exposure.worst(found.window.window_s)
    assert again.rms_a == pytest.approx(found.window.rms_a, rel=1e-9)


def test_more_current_never_widens_a_margin() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(2000) / 50
    current = np.abs(rng.normal(size=2000).cumsum())
    values = []
    for scale in (0.5, 1.0, 1.5):
        exposure = Exposure.prepare(t, scale * current, np.zeros(1999, bool))
        values.append(assess(exposure).margin.value or 0.0)
    # The margin scales inversely with the current, within the search's tolerance.
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


def test_a_gap_in_the_tightest_window_makes_the_margin_an_upper_bound() -> None:
    t = np.arange(8001) / 100
    t[4000:] += 7.0
    gap = np.zeros(8000, bool)
    gap[3999] = True
    exposure = Exposure.prepare(t, np.full(8001, 20.0), gap)
    result = assess(exposure)
    # Every window over 60 s spans the gap, and those are the tightest: 40/20.
    assert result.margin.value == pytest.approx(2.0, rel=1e-5)
    assert (result.margin.bound, result.verdict) == ("at_most", "unknown")
    assert result.continuous_fraction.bound == "at_least"
    assert "fuse_gap" in codes(result)
    assert result.seconds_above_rating.value == 0.0
    assert result.seconds_above_rating.high == pytest.approx(7.01, abs=1e-6)


def test_gaps_outside_the_tightest_window_leave_the_margin_alone() -> None:
    t = np.arange(3001) / 100
    t[10:] += 0.5
    gap = np.zeros(3000, bool)
    gap[9] = True
    current = np.full(3001, 10.0)
    current[1000:1100] = 30.0
    exposure = Exposure.prepare(t, current, gap)
    result = assess(exposure)
    assert result.margin.bound == "estimate"
    # Even with the greatest current seen, 30 A, through the gap the continuous load stays far from 0.75 of 40 A.
    assert result.continuous_fraction.bound == "at_least"
    assert result.verdict == "below"


def test_gaps_that_could_hide_a_continuous_load_leave_the_verdict_open() -> None:
    # 100 s at 5 A with 2 s at 45 A, then a gap of 400 s: filled with 45 A the run would be far over 0.75 of 40 A.
    t = np.arange(10_001) / 100
    t[5000:] += 400.0
    gap = np.zeros(10_000, bool)
    gap[4999] = True
    current = np.full(10_001, 5.0)
    current[1000:1200] = 45.0
    result = assess(Exposure.prepare(t, current, gap))
    assert result.margin.bound == "estimate"
    assert result.margin.value is not None
    assert result.margin.value > 1.25
    assert result.verdict == "unknown"
    assert "fuse_gap" in codes(result)


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
        (est(1.1, None, "at_most"), est(2.0, None, "at_most"), est(0.1), 0.1, "unknown"),
        (est(3.0, None, "at_most"), est(5.0, None, "at_most"), est(0.9), 0.9, "unknown"),
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
    result = assess(constant(300, 0.03, 0.001))
    assert "shorter than this window of 0.04 s" in (refusal(result.margin) or "")
    assert result.verdict == "unknown"
    assert {"fuse_run_short", "fuse_short_windows"} <= codes(result)
    assert result.seconds_above_rating.value == pytest.approx(0.03)


def test_a_run_with_an_earliest_limit_only() -> None:
    # 0.5 s: type E has an earliest opening from 0.04 s on, a latest only from 1 s on. 300 A allowed: 112 A at 0.5 s.
    result = assess(constant(300, 0.5))
    assert result.margin.value == pytest.approx(allowed(0.5, (0.2, 140), (2, 80)) / 300, rel=1e-4)
    assert result.margin_latest.is_refused
    assert result.verdict == "inside"


def test_two_samples_far_apart() -> None:
    result = assess(constant(20, 60, 60.0))
    assert re.search("two sample intervals|shorter than", refusal(result.margin) or "")
    assert result.verdict == "unknown"
    assert result.continuous_fraction.is_refused


def test_windows_below_the_shortest_published_time_get_a_finding_only() -> None:
    # A 10 ms spike of 400 A: far above 600 % of 40 A, but no limit is published for 10 ms.
    result = assess(pulses((5, 1), (400, 0.01), (5, 1), interval_s=0.002))
    short = next(finding for finding in result.findings if finding.code == "fuse_short_windows")
    assert "400 A" in told(short).evidence
    assert result.tightest_window_s is not None
    assert result.tightest_window_s >= 0.04


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
    result = assess(constant(5, 100), FuseSpec("main", "blade_medium", 40, 90))
    assert result.derated_a == 40
    assert "fuse_derating_missing" in codes(result)


def test_medium_blade_column_follows_the_rating() -> None:
    # 160 % is a row of the 10 A column only: at 0.25 s a 30 A fuse may carry 48 A.
    result = assess(pulses((0, 1), (40, 0.25), (0, 1)), FuseSpec("main", "blade_medium", 30, 20))
    assert result.margin.value == pytest.approx(48 / 40, rel=1e-4)
    # The 35/40 A column has (0.15 s, 200 %) and (0.75 s, 135 %) only: at 0.2 s the line allows 63.5 A.
    large = assess(pulses((0, 0.5), (60, 0.2)), FuseSpec("main", "blade_medium", 35, 20))
    assert large.margin.value == pytest.approx(allowed(0.2, (0.15, 70), (0.75, 47.25)) / 60, rel=1e-4)
    # Just past 0.75 s the rating is the limit, and even a diluted pulse can be tightest there: 35 / (40 √(0.25/0.75)).
    diluted = assess(pulses((0, 1), (40, 0.25), (0, 1)), FuseSpec("main", "blade_medium", 35, 20))
    assert diluted.margin.value == pytest.approx(35 / (40 / math.sqrt(3)), rel=1e-4)


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
    assert set(found) == KEYS | {"advice"}
    json.dumps(found, allow_nan=False)
    text = json.dumps([found, *(finding_json(finding) for finding in result.findings)])
    # Nothing ever tells a user that a fuse is fine.
    assert not re.search(r"\b(safe|OK|okay|fine|harmless)\b", text, re.IGNORECASE)
    for finding in result.findings:
        words = told(finding)
        assert words.what.endswith(".")
        assert words.next.endswith(".")
        assert words.evidence
