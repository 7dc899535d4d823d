"""What a doubt about a channel does to a value that rests on it: the table, and how several doubts act together.

Which value is refused, limited or widened is our own choice (docs/methods.md, Bad data); no source.
"""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import pytest

from amptally.analysis.quality.doubts import EFFECTS, Aspect, Doubt, Doubts, Widen
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.of_quality import DOUBTS, FINDINGS
from amptally.analysis.wording.results import refusal

ROOT = Path(__file__).parents[2]
BATTERY, LEFT, VOLTS = "battery_current_a", "left_current_a", "battery_voltage_v"
GAIN = Reason("interval_from", shares=(("current gain", 1.0),))
VALUE = Estimate(10.0, 9.0, 11.0, "Ah", reasons=(GAIN,))
RATIO = Estimate(1.4, 1.3, 1.5, "")
NOT_MEASURED = Reason("not_measured", channel=BATTERY)


def doubt(code: str, *channels: str, **fields: Any) -> Doubt:
    return Doubt(Reason(code, "danger"), channels or (BATTERY,), **fields)


def said(code: str) -> Reason:
    return Reason("doubted", "danger", finding=code)


def test_every_doubt_has_words() -> None:
    codes = {key.split("/")[0] for key in EFFECTS}
    assert codes == set(DOUBTS)
    assert codes <= set(FINDINGS)


def test_every_aspect_is_held_by_some_section() -> None:
    """An aspect that no value is held against would silently be trusted."""
    held = set()
    for path in (path for path in (ROOT / "analysis").rglob("*.py") if path.parent.name != "quality"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            # (channel, aspect), or an aspect handed to a section's own function that knows the channel
            second = node.elts[1:] if isinstance(node, ast.Tuple) and len(node.elts) == 2 else []
            last = node.args[1:] if isinstance(node, ast.Call) and len(node.args) == 2 else []
            held |= {each.value for each in (*second, *last) if isinstance(each, ast.Constant)}
    assert set(get_args(Aspect)) <= held


@pytest.mark.parametrize("key", EFFECTS)
@pytest.mark.parametrize("aspect", get_args(Aspect))
def test_a_doubt_does_what_the_table_says(key: str, aspect: Aspect) -> None:
    code, _, variant = key.partition("/")
    widths = (("Ah", 0.5), ("scale", 0.1), ("load", 0.1), ("charge", 0.5), ("mean", 0.1))
    doubts = Doubts.of([doubt(code, variant=variant, widths=widths)])
    held, act = doubts.hold(VALUE, (BATTERY, aspect)), EFFECTS[key].get(aspect)
    assert (doubts.against((BATTERY, aspect)) == said(code)) is (act == "refuse")
    if act is None:
        assert held is VALUE
    elif act == "refuse":
        assert held == refuse("Ah", said(code))
    elif isinstance(act, Widen):
        half = {"": 0.5, "charge": 0.5}.get(act.by, 0.1 * 10.0)
        assert (held.low, held.value, held.high) == (9.0 - half, 10.0, 11.0 + half)
        assert held.reasons == (Reason("widened_for_doubt", "danger", finding=code, half=half), GAIN)
        # A doubt counts as a normal error of the same 95 % reach: JCGM 100 table G.1, k = 1.960.
        assert held.terms[0].u == pytest.approx(half / 1.96)
    else:
        sides = (9.0, None) if act == "at_least" else (None, 11.0)
        assert (held.low, held.value, held.high, held.bound) == (sides[0], 10.0, sides[1], act)
        assert held.reasons == (said(code), GAIN)


def test_only_the_doubted_channel_matters() -> None:
    doubts = Doubts.of([doubt("channels_disagree", LEFT, variant="left")])
    assert doubts.hold(RATIO, (BATTERY, "margin")) is RATIO
    assert doubts.hold(RATIO, (LEFT, "margin")) == refuse("", said("channels_disagree"))
    assert doubts.against((BATTERY, "margin"), (LEFT, "peak")) == said("channels_disagree")
    assert Doubts().hold(VALUE, (BATTERY, "net")) is VALUE
    assert Doubts().against((BATTERY, "net")) is None


def test_a_doubt_that_the_table_does_not_know_is_an_error() -> None:
    for unknown in (doubt("odd"), doubt("channel_stuck", variant="odd")):
        with pytest.raises(KeyError):
            Doubts.of([unknown])


def test_refusals_come_before_limits_and_limits_before_widening() -> None:
    wide = doubt("zero_shift", widths=(("Ah", 0.5),))
    cut, filled = doubt("cut_top"), doubt("current_filled_in")
    refused = Doubts.of([wide, cut, filled]).hold(VALUE, (BATTERY, "net"))
    assert refused == refuse("Ah", said("current_filled_in")), "nothing is left to limit or widen"
    held = Doubts.of([wide, cut]).hold(VALUE, (BATTERY, "net"))
    assert (held.low, held.high, held.bound) == (8.5, None, "at_least")
    assert held == Doubts.of([cut, wide]).hold(VALUE, (BATTERY, "net")), "whichever came first"
    assert [reason.code for reason in held.reasons] == ["widened_for_doubt", "doubted", "interval_from"]


def test_one_doubt_acts_once_on_a_value_by_the_gravest_that_it_does() -> None:
    both = doubt("current_scale", BATTERY, LEFT)
    assert Doubts.of([both]).hold(VALUE, (BATTERY, "net"), (LEFT, "peak")).reasons == (said("current_scale"),)
    # Cut on both sides: the outflow is a lower limit, the net is refused.
    cut = Doubts.of([doubt("cut_top", variant="both")])
    assert cut.hold(VALUE, (BATTERY, "out"), (BATTERY, "net")) == refuse("Ah", said("cut_top"))
    late = Doubts.of([doubt("time_bases_differ", VOLTS, variant="voltage", widths=(("Ah", 0.5),))])
    assert late.hold(VALUE, (VOLTS, "energy"), (VOLTS, "rest")).bound == "at_least"


@pytest.mark.parametrize("held_by", [doubt("cut_top"), doubt("zero_shift", widths=(("Ah", 0.5),))])
def test_holding_twice_is_holding_once(held_by: Doubt) -> None:
    """Also a value that was made from a held one: it carries the reason, and its interval holds the doubt already."""
    doubts = Doubts.of([held_by])
    once = doubts.hold(VALUE, (BATTERY, "net"))
    assert once != VALUE
    assert doubts.hold(once, (BATTERY, "net")) == once
    made = Estimate(1.0, 0.5, once.high, "", once.bound, reasons=once.reasons)
    assert doubts.hold(made, (BATTERY, "net")) == made


def test_known_from_above_and_now_from_below_is_nothing() -> None:
    ceiling = Reason("ends_not_measured", missing_s=2.0)
    upper = VALUE.bounded("at_most", ceiling)
    held = Doubts.of([doubt("cut_top")]).hold(upper, (BATTERY, "net"))
    assert held == refuse("Ah", said("cut_top"), ceiling, GAIN)


def test_what_may_be_the_cause_of_a_refusal_goes_first() -> None:
    none = refuse("Ah", NOT_MEASURED)
    held = Doubts.of([doubt("current_sign")]).hold(none, (BATTERY, "back"))
    assert refusal(held) == (
        "the sign of the battery current looks reversed (finding current_sign); no battery current was measured"
    )
    assert Doubts.of([doubt("current_sign")]).hold(held, (BATTERY, "back")) == held
    assert Doubts.of([doubt("cut_top")]).hold(none, (BATTERY, "net")) is none, "a limit refuses nothing"


def test_a_width_is_a_share_or_an_amount_and_no_size_falls_below_zero() -> None:
    doubts = Doubts.of([doubt("zero_shift", widths=(("load", 2.0), ("charge", 0.05), ("A", 0.5), ("mean", 0.1)))])
    margin = doubts.hold(RATIO, (BATTERY, "margin"))
    assert (margin.low, margin.high) == (0.0, pytest.approx(1.5 + 2.0 * 1.4))
    charge = doubts.hold(replace(RATIO, value=0.5, low=0.4, high=0.6), (BATTERY, "state_of_charge"))
    assert (charge.low, charge.high) == pytest.approx((0.35, 0.65))
    mean = doubts.hold(Estimate(0.2, 0.1, 0.3, "A"), (BATTERY, "mean"))
    assert (mean.low, mean.high) == pytest.approx((-0.4, 0.8)), "a mean may be of either sign"
    assert doubts.hold(VALUE, (BATTERY, "net")) is VALUE, "no width in its unit"


def test_a_clipped_sensor_does_what_cut_peaks_do() -> None:
    assert EFFECTS["sensor_clipped"] is EFFECTS["cut_top"]
    held = Doubts.of([doubt("sensor_clipped", LEFT)]).hold(RATIO, (LEFT, "margin"))
    assert held.bound == "at_most"
    assert replace(held, reasons=(), bound="estimate", low=1.3) == RATIO


def test_the_findings_of_the_report_are_the_reasons_of_the_doubts() -> None:
    first, second = doubt("cut_top"), doubt("channel_stuck")
    doubts = Doubts.of([first, second])
    assert doubts.reasons == (first.reason, second.reason)
    assert (list(doubts), len(doubts)) == ([first, second], 2)
