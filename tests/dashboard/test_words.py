"""Ticks, clocks, strips and cards."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.results.estimate import Estimate, estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.formatting import interval_line
from amptally.dashboard.figures.plot import clock, span, time_ticks
from amptally.dashboard.pages.cards import BAND_FROM, BAND_TO, held_together, strip_place


@given(st.floats(0, 90_000), st.floats(1e-3, 90_000))
def test_ticks_lie_inside_and_are_distinct(start: float, length: float) -> None:
    """One to a dozen round times in view, each with its own words."""
    values, texts, _ = time_ticks(start, start + length)
    assert len(values) <= 12
    assert all(start - 1e-6 <= value <= start + length + 1e-6 for value in values)
    assert len(set(texts)) == len(texts)


@pytest.mark.parametrize(
    ("seconds", "decimals", "unit", "text"),
    [
        (156.25, 2, "min:s", "2:36.25"),
        (59.999, 2, "min:s", "1:00.00"),
        (3599.9999, 1, "h:min:s", "1:00:00.0"),
        (3756, 0, "h:min:s", "1:02:36"),
        (0, 0, "min:s", "0:00"),
        (-0.0001, 2, "s", "0.00"),
        (-2.5, 1, "s", "−2.5"),
    ],
)
def test_clock(seconds: float, decimals: int, unit: str, text: str) -> None:
    assert clock(seconds, decimals, unit) == text


def test_axis_span() -> None:
    low, high = span(5.0, 5.0, 0.2)
    assert low < 4.9
    assert high > 5.1


@given(st.floats(0.01, 100), st.floats(1.0, 50))
def test_the_strip_agrees_with_the_verdict(margin: float, ratio: float) -> None:
    """Below, inside or past: the pin lies in the zone that the two margins say."""
    latest = margin * ratio
    place = strip_place(margin, latest)
    assert place is not None
    assert 0 <= place <= 100
    if margin >= 1:
        assert place <= BAND_FROM
    elif latest >= 1:
        assert BAND_FROM - 1e-9 <= place <= BAND_TO + 1e-9
    else:
        assert place >= BAND_TO - 1e-9


@given(st.floats(0.05, 20), st.floats(1.0, 10))
def test_a_tighter_margin_lies_further_along(margin: float, ratio: float) -> None:
    first, second = strip_place(margin, margin * ratio), strip_place(margin / 1.1, margin / 1.1 * ratio)
    assert first is not None
    assert second is not None
    assert second >= first or math.isclose(first, second, abs_tol=1e-9)


def test_no_strip_without_a_margin() -> None:
    assert strip_place(None, None) is None


def test_numbers_keep_their_units() -> None:
    said = held_together("Worst 69 A for 0.9 s at 2 min 36 s, 1.4 times below; 95 % from 4 V.")
    assert said == ("Worst 69\u00a0A for 0.9\u00a0s at 2\u00a0min 36\u00a0s, 1.4 times below; 95\u00a0% from 4\u00a0V.")


def one_sided(bound: Literal["at_least", "at_most"], terms: dict[str, float | None]) -> Estimate:
    return estimate(42.0, "A", terms).bounded(bound, Reason("shorter_peak_missed"))


@pytest.mark.parametrize(
    ("head", "text"),
    [
        (estimate(42.0, "A", {"gain": 1.0}), "95 %: 40.0 to 44.0"),
        (estimate(42.0, "A", {"gain": 1e-7}), "95 %: narrower than the digits shown"),
        (estimate(42.0, "A", {"gain": None}), "sensor error not declared"),
        (estimate(42.0, "A", {"gain": None, "timing": 1e-7}), "sensor error not declared"),
        (estimate(42.0, "A", {"gain": None, "timing": 1.0}), "95 %: 40.0 to 44.0; sensor error not declared"),
        (estimate(42.0, "A", {}), "no interval is known"),
        (one_sided("at_least", {"gain": 1.0}), "95 %: from 40.0"),
        (one_sided("at_most", {"gain": 1.0}), "95 %: to 44.0"),
        (one_sided("at_least", {"gain": 1e-7}), "lower bound; 95 %: narrower than the digits shown"),
        (one_sided("at_least", {"gain": None}), "lower bound; sensor error not declared"),
        (one_sided("at_most", {"gain": None}), "upper bound; sensor error not declared"),
        (one_sided("at_most", {}), "upper bound; no interval is known"),
        # Reasons are for people: they do not decide.
        (
            replace(estimate(42.0, "A", {"gain": 1.0}), reasons=(Reason("doubted", finding="cut_top"),)),
            "95 %: 40.0 to 44.0",
        ),
        (replace(one_sided("at_least", {"gain": None}), reasons=()), "lower bound; sensor error not declared"),
    ],
)
def test_what_a_card_says_of_the_interval(head: Estimate, text: str) -> None:
    """From the estimate's own fields: only a declared error can be narrow (common practice)."""
    assert interval_line(head) == text


@given(st.floats(-1e6, 1e6), st.floats(0, 1e3), st.sampled_from(["estimate", "at_least", "at_most"]), st.booleans())
def test_a_card_claims_no_narrow_interval_that_is_not_there(
    value: float, u: float, bound: Literal["estimate", "at_least", "at_most"], declared: bool
) -> None:
    head = estimate(value, "A", {"gain": u if declared else None}).bounded(bound)
    said = interval_line(head)
    assert "narrower" not in said or (declared and u > 0)
    assert ("not declared" in said) == (not declared)
