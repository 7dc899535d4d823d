"""Products, quotients and powers against a library, a published example and a Monte Carlo twin.

The oracle is the package `uncertainties`, which follows every variable through every operation (JCGM 100, 5.1.2).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import UFloat, ufloat

from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, estimate, refuse
from amptally.analysis.results.propagation import power_of, product, quotient
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.results import refusal
from tests.analysis.build_runs import consistent, sides

values = st.floats(0.5, 500)
small = st.floats(1e-6, 0.01)
"""Relative 1 σ at which a first-order calculation holds to the last digits compared."""


def u_of(result: Estimate) -> float:
    """1 σ: half the width of the interval over the coverage factor."""
    low, _, high = sides(result)
    return (high - low) / 2 / COVERAGE_FACTOR


def close_to(result: Estimate, oracle: UFloat, rel: float = 1e-3) -> None:
    assert result.value == pytest.approx(oracle.nominal_value, rel=1e-9)
    assert u_of(result) == pytest.approx(oracle.std_dev, rel=rel, abs=1e-9 * abs(oracle.nominal_value))


@given(values, small, values, small)
def test_a_product_and_a_quotient_of_independent_factors(a: float, ua: float, b: float, ub: float) -> None:
    first, second = estimate(a, "A", {"gain": ua * a}), estimate(b, "V", {"other gain": ub * b})
    x, y = ufloat(a, ua * a), ufloat(b, ub * b)
    close_to(product(first, second, "W"), x * y)
    close_to(quotient(first, second, ""), x / y, rel=2e-3)


@given(values, small, st.sampled_from([-2, -1, 1, 2]), small)
def test_a_power_with_a_model_term(a: float, ua: float, exponent: int, model: float) -> None:
    source = estimate(a, "A", {"gain": ua * a})
    result = power_of(3.0, source, exponent, "x", {"model": model})
    close_to(result, 3.0 * ufloat(a, ua * a) ** exponent * ufloat(1, model), rel=5e-3)


@given(values, values, st.floats(0.001, 0.01), small, small)
def test_one_gain_in_both_adds_in_a_product_and_cancels_in_a_quotient(
    a: float, b: float, gain: float, ua: float, ub: float
) -> None:
    g = ufloat(1, gain)
    first = estimate(a, "A", {"current gain": gain * a, "noise": ua * a})
    second = estimate(b, "A", {"current gain": gain * b, "sampling": ub * b})
    x, y = g * ufloat(a, ua * a), g * ufloat(b, ub * b)
    close_to(product(first, second, "A²", shared={"current gain"}), x * y)
    ratio = quotient(first, second, "", shared={"current gain"})
    close_to(ratio, x / y, rel=0.02)


def test_noise_of_one_name_in_both_factors_stays_independent_unless_it_is_said_to_be_shared() -> None:
    first, second = estimate(10.0, "A", {"noise": 0.1}), estimate(20.0, "V", {"noise": 0.2})
    assert u_of(product(first, second, "W")) == pytest.approx(math.hypot(2, 2))
    assert u_of(product(first, second, "W", shared={"noise"})) == pytest.approx(4)
    assert [(term.name, term.share) for term in product(first, second, "W").terms] == [("noise", 1.0)]


def test_terms_keep_their_names_signs_and_shares() -> None:
    # 230/R for R = 10 Ω with 0.3 and 0.4 Ω: −0.69 and −0.92; shares 9/25 and 16/25, as for the source.
    terms = power_of(230.0, estimate(10.0, "ohm", {"gain": 0.3, "offset": 0.4}), -1, "A", {}).terms
    assert [(term.name, term.share) for term in terms] == [
        ("offset", pytest.approx(0.64)),
        ("gain", pytest.approx(0.36)),
    ]
    assert [term.u for term in terms] == pytest.approx([-0.92, -0.69])
    # A factor of which only the interval is known goes under the name it was given.
    whole = product(Estimate(4.0, 3.0, 5.0, "Ah"), estimate(2.0, "V", {}), "Wh", names=("charge", "volts")).terms
    assert [(term.name, term.u, term.share) for term in whole] == [("charge", pytest.approx(2 / COVERAGE_FACTOR), 1.0)]


def test_what_is_not_declared_stays_named_and_adds_nothing() -> None:
    silent, told = estimate(10.0, "A", {"current gain": None}), estimate(20.0, "V", {"voltage gain": 0.2})
    terms = product(silent, told, "W").terms
    assert [(term.name, term.u) for term in terms] == [("voltage gain", pytest.approx(2.0)), ("current gain", None)]


def test_open_and_refused_factors() -> None:
    least, most = estimate(10.0, "A", {"gain": 1.0}).bounded("at_least"), estimate(2.0, "", {}).bounded("at_most")
    assert product(least, estimate(2.0, "V", {}), "W").bound == "at_least"
    assert quotient(estimate(2.0, "V", {}), least, "ohm").bound == "at_most"
    assert refusal(product(least, most, "W"))
    assert quotient(estimate(2.0, "V", {}), refuse("A", Reason("no_current")), "ohm").reasons == (Reason("no_current"),)
    assert refusal(quotient(estimate(2.0, "V", {}), estimate(0.0, "A", {}), "ohm"))


# JCGM 100 H.2 (references UN1; data and results from memory, reproduced by arithmetic): Z = V/I of five pairs of means,
# u(V) and u(I) the standard deviations of the means, correlation −0.36 (second-hand): Z 254.2597 Ω, u 0.2363.
def test_the_impedance_of_the_guide_to_the_expression_of_uncertainty() -> None:
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amps = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    covariance = np.cov(volts, amps) / 5
    assert covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(-0.36, abs=5e-3)
    # Any covariance is that of terms in common and terms apart: here one shared term that carries all of V's.
    u_v = math.sqrt(covariance[0, 0])
    common = covariance[0, 1] / u_v
    v = estimate(float(volts.mean()), "V", {"both": u_v})
    i = estimate(float(amps.mean()), "A", {"both": common, "rest": math.sqrt(covariance[1, 1] - common**2)})
    impedance = quotient(v, i, "ohm", shared={"both"})
    assert impedance.value == pytest.approx(254.2597, abs=1e-4)
    assert u_of(impedance) == pytest.approx(0.2363, rel=1e-3)


# JCGM 100 H.2 again, with all three correlations: −0.36, 0.86, −0.65 of V-I, V-φ, I-φ (references UN2, second-hand);
# R = V cos φ/I 127.7322 Ω u 0.0711, X = V sin φ/I 219.8465 Ω u 0.2956 (UN1, from memory, reproduced by arithmetic).
def test_resistance_and_reactance_of_the_guide_from_three_correlated_inputs() -> None:
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amps = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    covariance = np.cov([volts, amps, phase]) / 5
    u = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(u, u)
    assert [correlation[0, 1], correlation[0, 2], correlation[1, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=5e-3)
    # Three errors in common, of which each input has its share (Cholesky): any covariance can be written so.
    shares = np.linalg.cholesky(covariance)
    names = ("first", "second", "third")
    means = [float(each.mean()) for each in (volts, amps, phase)]

    def measured(value: float, unit: str, parts: np.ndarray) -> Estimate:
        return estimate(value, unit, dict(zip(names, parts.tolist(), strict=True)))

    impedance = quotient(
        measured(means[0], "V", shares[0]), measured(means[1], "A", shares[1]), "ohm", shared=set(names)
    )
    for of_phase, slope, value, expected_u in (
        (math.cos(means[2]), -math.sin(means[2]), 127.7322, 0.0711),
        (math.sin(means[2]), math.cos(means[2]), 219.8465, 0.2956),
    ):
        found = product(impedance, measured(of_phase, "", slope * shares[2]), "ohm", shared=set(names))
        assert found.value == pytest.approx(value, abs=1e-3)
        assert u_of(found) == pytest.approx(expected_u, rel=2e-3)


# JCGM 101 (Monte Carlo): a resistance loss and a margin whose current is known to a tenth only. First order is not
# enough there; each side of the interval is computed by itself.
@pytest.mark.parametrize(("exponent", "factor"), [(2, 0.05), (-1, 400.0)])
def test_monte_carlo_twin_of_a_curved_function(exponent: int, factor: float) -> None:
    rng = np.random.default_rng(101)
    source = estimate(20.0, "A", {"gain": 1.6, "offset": 1.2})
    drawn = factor * (20.0 + 1.6 * rng.standard_normal(200_000) + 1.2 * rng.standard_normal(200_000)) ** exponent
    low, value, high = sides(power_of(factor, source, exponent, "", {}))
    assert (low, high) == pytest.approx(np.quantile(drawn, [0.025, 0.975]).tolist(), rel=0.01)
    # The plain first-order interval would miss both ends by more than that.
    plain = COVERAGE_FACTOR * abs(exponent) * value * 2.0 / 20.0
    assert value - plain != pytest.approx(low, rel=0.02)
    assert value + plain != pytest.approx(high, rel=0.02)


@given(values, st.floats(1e-6, 0.3), values, st.floats(1e-6, 0.3), st.booleans())
def test_sides_stay_in_order(a: float, ua: float, b: float, ub: float, shared: bool) -> None:
    names = {"gain"} if shared else set()
    first, second = estimate(a, "A", {"gain": ua * a}), estimate(b, "V", {"gain": ub * b})
    for result in (product(first, second, "W", shared=names), quotient(first, second, "", shared=names)):
        consistent(result)
        # A gain that cancels leaves nothing to share out.
        spread = sum(term.share for term in result.terms)
        assert (
            refusal(result) or spread == pytest.approx(1.0) or (result.low, result.high) == (result.value, result.value)
        )
