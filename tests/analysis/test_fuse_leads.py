"""Fuses whose current was measured in the other lead, warm fuses, and fuses of a description that does not fit."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from amptally.analysis.exposure.exposure import CurrentError, Exposure
from amptally.analysis.protection.fuse import FuseResult, assess_fuse
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.protection.fuse_margin import translated_verdict
from amptally.analysis.protection.supply import Translated
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import sentences
from tests.analysis.build_runs import CART, Floats, consistent, doubted, value_of, write_run

SUPPLY = FuseSpec("left", "blade_large", 40, ambient_c=20, position="supply_leg", sensed="motor_lead")
OWN = replace(SUPPLY, sensed="supply_leg")
ERROR = CurrentError(0.005, 0.0, 0.0)
T_S = np.arange(0, 60, 0.01)
MOTOR_LEAD = CART.replace('sensed = "supply_leg"', 'sensed = "motor_lead"').replace(
    'position = "supply_leg"', 'position = "supply_leg"\nambient_c = 20'
)


def exposure(amps: float | Floats) -> Exposure:
    return Exposure.prepare(T_S, np.broadcast_to(np.asarray(amps, float), T_S.shape), np.zeros(len(T_S) - 1, bool))


def through(least: Any, likely: Any, most: Any) -> Translated:
    of = [None if amps is None else exposure(amps) for amps in (least, most)]
    return Translated(exposure(likely), of[0], of[1], (Reason("motor_carries_at_least_supply"),))


def assess(spec: FuseSpec, carried: Translated | None, seen: Any = 50.0, corner_hz: float = 100.0) -> FuseResult:
    found = assess_fuse(spec, exposure(seen), ERROR, corner_hz, carried)
    for result in (found.margin, found.margin_latest, found.continuous_fraction, found.seconds_above_rating):
        consistent(result)
    return found


def codes(result: FuseResult) -> set[str]:
    return {finding.code for finding in result.findings}


def test_each_end_of_an_estimated_margin_is_the_margin_at_that_end() -> None:
    found = assess(SUPPLY, through(20.0, 25.0, 30.0), seen=50.0)
    alone = [assess(OWN, None, amps) for amps in (20.0, 25.0, 30.0)]
    assert found.margin.value == alone[1].margin.value
    assert (found.margin.low, found.margin.high) == (alone[2].margin.low, alone[0].margin.high)
    assert found.continuous_fraction.low == alone[0].continuous_fraction.low
    assert found.continuous_fraction.high == alone[2].continuous_fraction.high
    assert (found.current_from, alone[0].current_from) == ("estimated", "measured")
    assert "fuse_place_differs" in codes(found)
    assert "current_translated" in {each.code for each in found.rule}


def test_the_motor_s_current_bounds_the_supply_s_from_above() -> None:
    # 25 A in the motor, at most 25 A in the supply: of 40 A at 20 °C beyond 60 s of blade_large, 54/25 for 60 s
    found = assess(SUPPLY, through(None, 25.0, 25.0), 25.0)
    assert (found.margin.bound, found.current_from, found.verdict) == ("at_least", "bounded", "below")
    assert found.continuous_fraction.bound == "at_most"
    assert found.seconds_above_rating.bound == "at_most"
    # 100 A in the motor: the supply may have carried anything below that.
    wide = assess(SUPPLY, through(None, 100.0, 100.0), 100.0)
    assert wide.margin.value is not None
    assert wide.margin.value < 1
    assert wide.verdict == "unknown"
    assert {"fuse_place_differs", "fuse_estimate_open"} <= codes(wide)


def test_the_supply_s_current_bounds_the_motor_s_from_below() -> None:
    spec = replace(SUPPLY, position="motor_lead", sensed="supply_leg")
    # 25 A in the supply: the motor carried at least that, and nobody knows how much more.
    low = assess(spec, through(25.0, 25.0, None), 25.0)
    assert (low.margin.bound, low.verdict) == ("at_most", "unknown")
    # 70 A for a minute is inside the band of 40 A whatever the duty was, and 100 A past it.
    assert assess(spec, through(70.0, 70.0, None), 70.0).verdict == "inside"
    assert assess(spec, through(100.0, 100.0, None), 100.0).verdict == "past"


def test_a_bound_from_above_and_slow_sampling_leave_nothing() -> None:
    # A filter at 1 Hz hides peaks: the motor's own current was perhaps greater, and bounds nothing any more.
    found = assess(SUPPLY, through(None, 25.0, 25.0), 25.0, corner_hz=1.0)
    assert found.margin.is_refused
    assert "neither_side_bounded" in {each.code for each in found.margin.reasons}
    assert found.verdict == "unknown"
    estimated = assess(SUPPLY, through(20.0, 25.0, 30.0), 25.0, corner_hz=1.0)
    assert (estimated.margin.bound, estimated.verdict) == ("at_most", "unknown")


def span(low: float | None, value: float, high: float | None) -> Estimate:
    bound = "at_most" if low is None else "at_least" if high is None else "estimate"
    return Estimate(value, low, high, "", bound)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("margin", "latest", "fraction", "verdict"),
    [
        (span(0.5, 0.7, 0.9), span(0.6, 0.8, 0.95), span(0.1, 0.2, 0.3), "past"),
        (span(0.5, 0.7, 0.9), span(0.8, 0.9, 1.1), span(0.1, 0.2, 0.3), "inside"),
        (span(0.7, 0.9, 1.1), span(0.8, 0.9, 1.1), span(0.1, 0.2, 0.3), "unknown"),
        (span(0.9, 1.2, 1.4), span(2.0, 3.0, 4.0), span(0.1, 0.2, 0.3), "near"),
        (span(1.3, 1.4, 1.5), span(2.0, 3.0, 4.0), span(0.1, 0.2, 0.3), "below"),
        (span(1.3, 1.4, 1.5), span(2.0, 3.0, 4.0), span(0.1, 0.2, 0.8), "unknown"),
        (span(1.3, 1.4, 1.5), span(2.0, 3.0, 4.0), span(0.7, 0.8, 0.9), "near"),
        (span(1.3, 1.4, None), span(2.0, 3.0, None), span(None, 0.2, 0.3), "below"),
        (span(1.1, 1.2, None), span(2.0, 3.0, None), span(None, 0.2, 0.3), "unknown"),
        (span(None, 0.9, 1.0), span(None, 3.0, 4.0), span(0.1, 0.2, None), "unknown"),
        (span(None, 0.8, 0.9), span(None, 3.0, 4.0), span(0.1, 0.2, None), "inside"),
        (span(None, 1.4, 1.5), span(None, 3.0, 4.0), span(0.1, 0.2, None), "unknown"),
    ],
)
def test_a_verdict_on_an_estimate_is_no_surer_than_its_interval(
    margin: Estimate, latest: Estimate, fraction: Estimate, verdict: str
) -> None:
    assert translated_verdict(margin, latest, fraction, 0.4) == verdict


def report_of(folder: Path, channels: dict[str, Any], machine: str = MOTOR_LEAD) -> Report:
    told = {"battery_current_a": 20.0, "battery_voltage_v": 25.0, **channels}
    path = write_run(folder / f"r{len(list(folder.iterdir()))}.parquet", T_S, told, machine=machine)
    return build_report(Run.open(path), with_ledger=False)


COMMANDED: dict[str, Any] = {"pulse_a_us": 1750.0, "pulse_b_us": 1500.0, "left_current_a": 40.0}


def test_half_duty_halves_the_current_before_the_capacitors(tmp_path: Path) -> None:
    # Duty 0.5 on 40 A: mean 20 A in the supply (references.md EN4: A·D), √0.5 · 40 = 28.28 A behind the capacitors.
    for words, carried_a in (
        ("", 20.0),
        ('capacitors = "load_side"\n', 20.0),
        ('capacitors = "battery_side"\n', 40 * 0.5**0.5),
    ):
        machine = MOTOR_LEAD.replace("[fuse.left]\n", f"[fuse.left]\n{words}")
        fuse = report_of(tmp_path, COMMANDED, machine).fuses["left"]
        assert fuse.worst_rms_a == pytest.approx(carried_a, rel=1e-6)
        assert fuse.continuous_fraction.value == pytest.approx(carried_a / 40, rel=1e-6)
    unknown = report_of(
        tmp_path, COMMANDED, MOTOR_LEAD.replace("[fuse.left]\n", '[fuse.left]\ncapacitors = "unknown"\n')
    )
    usual = report_of(tmp_path, COMMANDED)
    assert value_of(unknown.fuses["left"].margin) == value_of(usual.fuses["left"].margin)
    low, usual_low = unknown.fuses["left"].margin.low, usual.fuses["left"].margin.low
    assert low is not None
    assert usual_low is not None
    assert low < usual_low


def test_a_controller_at_its_current_limit_may_run_at_less_duty(tmp_path: Path) -> None:
    machine = MOTOR_LEAD.replace("[controller]\n", "[controller]\npeak_a = 42\n")
    limited = report_of(tmp_path, COMMANDED, machine).fuses["left"]
    assert limited.margin.high is None
    assert limited.margin.low == report_of(tmp_path, COMMANDED).fuses["left"].margin.low


def test_where_a_command_sets_the_current_the_motor_s_is_the_bound(tmp_path: Path) -> None:
    machine = MOTOR_LEAD.replace("[controller]\n", '[controller]\ncommand_sets = "current"\n')
    fuse = report_of(tmp_path, COMMANDED, machine).fuses["left"]
    assert (fuse.current_from, fuse.margin.bound) == ("bounded", "at_least")
    assert fuse.worst_rms_a == pytest.approx(40, rel=1e-6)


def test_a_fuse_in_the_motor_lead_with_the_current_in_the_supply_leg(tmp_path: Path) -> None:
    machine = CART.replace('position = "supply_leg"', 'position = "motor_lead"')
    report = report_of(tmp_path, {**COMMANDED, "left_current_a": 10.0}, machine)
    fuse = report.fuses["left"]
    assert (fuse.current_from, fuse.margin.bound, fuse.verdict) == ("bounded", "at_most", "unknown")
    assert not report.fuse_leads["left"].advice.given
    assert "not bounded from above" in sentences(report.fuse_leads["left"].advice.why)


def test_a_run_too_long_to_follow_its_duty_keeps_the_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("amptally.analysis.runs.run.CACHED_ROWS", 1000)
    fuse = report_of(tmp_path, COMMANDED).fuses["left"]
    assert (fuse.current_from, fuse.margin.bound) == ("bounded", "at_least")
    assert "ask for a part of the run" in sentences(fuse.rule)


def test_a_doubt_about_the_data_takes_advice_and_certainty_back(tmp_path: Path) -> None:
    """A current whose peaks are cut off: the margin is an upper bound, and no other rating is named."""
    machine = CART + "[sensors.left_current]\nfull_scale = 24\n"
    amps = np.where(T_S % 4 < 2, 24.0, 10.0)
    report = report_of(tmp_path, {"left_current_a": amps}, machine)
    lead = report.fuse_leads["left"]
    assert "sensor_clipped" in {finding.code for finding in report.findings}
    assert (lead.result.margin.bound, lead.result.verdict) == ("at_most", "unknown")
    assert not lead.advice.given
    assert "full scale" in sentences(lead.advice.why)
    assert "fuse_rating_advice" not in {finding.code for finding in report.findings}


@pytest.mark.parametrize("position", ["unknown", "supply_leg"])
def test_an_unknown_place_stays_refused(tmp_path: Path, position: str) -> None:
    sensed = "motor_lead" if position == "unknown" else "unknown"
    machine = CART.replace('position = "supply_leg"', f'position = "{position}"').replace(
        'sensed = "supply_leg"', f'sensed = "{sensed}"'
    )
    report = report_of(tmp_path, COMMANDED, machine)
    assert "fuse_place_unknown" in {finding.code for finding in report.findings}
    assert report.fuses["left"].margin.is_refused
    assert report.fuses["left"].current_from is None


def test_a_warm_fuse_has_less_left() -> None:
    """30 A for 40 s before the burst leave a 40 A fuse warm, 5 A do not; as soon as the run begins that is said."""
    cold, warm = (
        assess(OWN, None, np.where(T_S < 40, before_a, np.where(T_S < 40.5, 70.0, 0.0))) for before_a in (5, 30)
    )
    assert (warm.margin.value or 0) < 0.95 * (cold.margin.value or 0)
    (loaded,) = (each for each in warm.findings if each.code == "fuse_started_loaded")
    assert "30 A at the start, of 40 A" in told(loaded).evidence
    assert "at rest" in told(loaded).next
    assert "fuse_started_loaded" in codes(cold)
    assert "fuse_started_loaded" not in codes(assess(OWN, None, np.where(T_S < 1, 0.0, 20.0)))


@pytest.mark.parametrize(
    ("left_a", "verdict"), [(10.0, "unknown"), (36.0, "unknown"), (70.0, "inside"), (90.0, "past")]
)
def test_a_description_that_does_not_fit_gives_no_comfort(tmp_path: Path, left_a: float, verdict: str) -> None:
    """Figures against the fuse that is named stand, and so does a danger; below and near are withdrawn."""
    report = report_of(tmp_path, {"battery_voltage_v": 12.7, "left_current_a": left_a}, CART)
    lead = report.fuse_leads["left"]
    assert lead.result.margin.value is not None
    assert lead.result.verdict == verdict
    found = {finding.code for finding in report.findings}
    assert {"arrangement_mismatch", "fuse_description_doubted"} <= found
    assert (Reason("verdict_withdrawn") in lead.result.rule) == (verdict == "unknown")
    assert not found & {"fuse_near", "fuse_gap", "fuse_rating_advice"}
    assert not lead.advice.given
    assert report.paths["left"].wire.verdict in ("unknown", "over")
    fits = report_of(tmp_path, {"battery_voltage_v": 25.0, "left_current_a": 10.0}, CART)
    assert fits.fuses["left"].verdict == "below"
    assert fits.paths["left"].wire.verdict == "under"


def under(doubts: Doubts, seen: float, spec: FuseSpec = OWN, carried: Translated | None = None) -> FuseResult:
    found = assess_fuse(spec, exposure(seen), ERROR, 100.0, carried, doubts)
    for result in (found.margin, found.margin_latest, found.continuous_fraction, found.seconds_above_rating):
        consistent(result)
    return found


def test_a_doubted_current_is_compared_with_nothing() -> None:
    found = under(doubted("channel_stuck"), 100.0)
    for value in (found.margin, found.margin_latest, found.continuous_fraction, found.seconds_above_rating):
        assert [(each.code, each["finding"]) for each in value.reasons] == [("doubted", "channel_stuck")]
        assert value.is_refused
    assert found.verdict == "unknown"
    assert (found.tightest_window_s, found.tightest_at_s, found.worst_rms_a) == (None, None, None)
    assert sentences(found.rule).startswith("No comparison: a channel is stuck at one reading")
    # What the machine file lacks still counts; nothing is said about the current.
    assert not codes(found) & {"fuse_past", "fuse_inside", "fuse_near", "fuse_preheated", "fuse_short_windows"}
    other = under(doubted("channel_stuck", "right_current_a"), 100.0)
    assert other == under(Doubts(), 100.0)
    assert other.verdict == "past"


def test_a_verdict_under_a_doubt_is_no_surer_than_what_the_doubt_leaves() -> None:
    # blade_large 40 A at 20 °C carries 54 A for 60 s (second-hand): 25 A for 60 s is below, 70 A inside, 100 A past.
    cut = doubted("cut_top")
    for amps, plain, verdict in ((25.0, "below", "unknown"), (70.0, "inside", "inside"), (100.0, "past", "past")):
        assert under(Doubts(), amps).verdict == plain
        found = under(cut, amps)
        assert (found.margin.bound, found.continuous_fraction.bound, found.verdict) == ("at_most", "at_least", verdict)
        assert "fuse_near" not in codes(found)
    # 54/29 is 1.86; 0.4 of it less is 1.12, under 1.25.
    assert under(Doubts(), 29.0).verdict == "below"
    near = under(doubted("channels_disagree", variant="near", widths=(("scale", 0.4),)), 29.0)
    assert near.verdict == "near"
    assert "fuse_near" in codes(near)


def test_a_bound_and_a_doubt_from_the_other_side_leave_nothing() -> None:
    found = under(doubted("cut_top"), 25.0, SUPPLY, through(None, 25.0, 25.0))
    assert found.margin.is_refused
    assert found.margin.reasons[0].code == "doubted"
