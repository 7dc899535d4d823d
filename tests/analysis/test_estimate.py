"""A value with its interval: how contributions combine, what one-sided and refused ones hold."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.report.json_form import estimate_json
from amptally.analysis.results.estimate import (
    COVERAGE_FACTOR,
    UNDECLARED,
    Estimate,
    above_zero,
    estimate,
    extreme_u,
    refuse,
)
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.formatting import full
from amptally.analysis.wording.results import basis, refusal
from tests.analysis.build_runs import consistent, sides

finite = st.floats(-1e9, 1e9)
positive = st.floats(0, 1e9)


# JCGM 100 table G.1: k = 1.960 for 95 % of a normal distribution; 5.1.2: independent contributions add as squares
def test_contributions_add_as_squares_and_the_interval_is_95_percent() -> None:
    low, value, high = sides(estimate(10.0, "A", {"gain": 0.3, "offset": -0.4}))
    assert value == 10.0
    assert (high - value, value - low) == pytest.approx((1.960 * 0.5, 1.960 * 0.5), rel=1e-9)


def test_basis_names_contributions_greatest_first_with_their_share_of_the_variance() -> None:
    noted = Reason("rest_after_load", length_s=12.0)
    result = estimate(1.0, "V", {"gain": 0.3, "offset": 0.4, "noise": 0.001}, note=noted)
    assert basis(result) == "offset 64 %, gain 36 %; rest of 12 s after the last load"


def test_an_undeclared_term_adds_nothing_and_is_told() -> None:
    declared, silent = estimate(1.0, "V", {"gain": 0.1}), estimate(1.0, "V", {"gain": 0.1, "offset": None})
    assert (silent.low, silent.high) == (declared.low, declared.high)
    assert UNDECLARED in silent.reasons
    assert UNDECLARED not in declared.reasons


def test_a_doubt_widens_its_side_alone_and_is_named() -> None:
    low, value, high = sides(estimate(2.0, "Ah", {"gain": 0.1}, doubt_high=0.5))
    assert value - low == pytest.approx(0.196, rel=1e-9)
    assert high - value == pytest.approx(0.696, rel=1e-9)
    result = estimate(2.0, "Ah", {}, doubt_low=0.5, doubt="time without a voltage")
    assert result.low == 1.5
    assert "time without a voltage as doubt" in basis(result)


@pytest.mark.parametrize(
    ("value", "term", "doubt"),
    [(math.nan, 0.1, 0.0), (math.inf, 0.1, 0.0), (1.0, math.nan, 0.0), (1.0, math.inf, 0.0), (1.0, 0.1, math.inf)],
)
def test_what_is_not_finite_is_refused(value: float, term: float, doubt: float) -> None:
    result = estimate(value, "A", {"gain": term}, doubt_high=doubt)
    consistent(result)
    assert refusal(result)


def test_one_sided_statements_drop_the_other_side_and_say_why() -> None:
    result = estimate(5.0, "A", {"gain": 0.1})
    least, most = result.bounded("at_least", Reason("shorter_peak_missed")), result.bounded("at_most")
    assert (least.low, least.high, least.bound) == (result.low, None, "at_least")
    assert [reason.code for reason in least.reasons] == ["shorter_peak_missed", "interval_from"]
    assert (most.low, most.high) == (None, result.high)
    assert result.bounded("estimate") == result
    refused = refuse("A", Reason("no_current"))
    assert refused.bounded("at_least") == refused


def test_json_object_has_the_contract_s_keys() -> None:
    # ../shared/design.md, Report JSON: E
    keys = ["value", "low", "high", "unit", "bound", "refused", "basis", "reasons"]
    assert list(estimate_json(estimate(1.0, "A", {}))) == keys
    assert list(estimate_json(refuse("A", Reason("no_current")))) == keys


def test_a_quantity_that_cannot_be_negative_keeps_its_low_side_at_zero() -> None:
    assert sides(above_zero(estimate(0.1, "Ah", {"offset": 1.0})))[0] == 0.0
    assert above_zero(Estimate(1.0, None, 2.0, "Ah", "at_most")).low is None


@given(finite, st.dictionaries(st.text(), st.none() | finite), positive, positive)
def test_low_value_high_stand_in_order(
    value: float, terms: dict[str, float | None], doubt_low: float, doubt_high: float
) -> None:
    result = estimate(value, "A", terms, doubt_low=doubt_low, doubt_high=doubt_high)
    consistent(result)
    consistent(result.bounded("at_least"))
    consistent(result.bounded("at_most"))


# The greatest of n independent normal errors: n (1 − Φ(k)) = 0.025 bounds the chance of passing k σ (union bound).
@pytest.mark.parametrize("samples", [1, 10, 1000])
def test_the_peak_of_pure_noise_stays_inside_the_declared_term(samples: int) -> None:
    rng = np.random.default_rng(5)
    peaks = rng.normal(0.0, 0.3, (4000, samples)).max(axis=1)
    reach = COVERAGE_FACTOR * extreme_u(0.3, samples)
    assert (peaks <= reach).mean() >= 0.97
    # Not much wider than needed either.
    assert (peaks <= 0.8 * reach).mean() < 0.97


def test_a_value_prints_as_people_read_it_and_a_refused_one_with_its_codes() -> None:
    net = estimate(25.618, "Wh", {"gain": 0.1645})
    assert str(net) == repr(net) == full(net) == "25.62 Wh (25.30 to 25.94)"
    assert f"{net.bounded('at_least')}" == "25.62 Wh or more (95 %: 25.30 or more)"
    assert repr({1.0: estimate(0.0179, "ohm", {"model": 0.0004})}) == "{1.0: 17.90 mΩ (17.12 to 18.68)}"
    refused = refuse("V", Reason("no_current"), Reason("not_finite"), Reason("no_current"))
    assert str(refused) == repr(refused) == "not given (no_current, not_finite)"
