"""An estimate raised to a power, each side of its interval on its own."""

from __future__ import annotations

import math

from analysis.estimate import COVERAGE_FACTOR, Bound, Estimate, refuse


def power_of(
    factor: float,
    source: Estimate,
    exponent: int,
    unit: str,
    relative_terms: dict[str, float],
    *,
    doubt_low: float = 0.0,
    doubt_high: float = 0.0,
    note: str = "",
) -> Estimate:
    """factor × source^exponent for a source that cannot be negative; each side keeps its own width.

    The source's side and 1.96 × the relative terms add in quadrature, the doubts linearly. A one-sided source gives a
    one-sided result, on the other side when the exponent is negative.
    """
    if source.refused is not None or source.value is None:
        return refuse(unit, source.refused or "the current is not known")
    if source.value <= 0 and exponent < 0:
        return refuse(unit, "no current in this lead")

    def at(current_a: float | None) -> float | None:
        if current_a is None or (exponent < 0 and current_a <= 0):
            return None
        return factor * float(max(current_a, 0.0) ** exponent)

    value = factor * float(source.value**exponent)
    below, above = (at(source.low), at(source.high)) if exponent > 0 else (at(source.high), at(source.low))
    model = COVERAGE_FACTOR * math.hypot(*relative_terms.values()) * value
    low = None if below is None else max(value - math.hypot(value - below, model) - doubt_low, 0.0)
    high = None if above is None else value + math.hypot(above - value, model) + doubt_high
    if low is None and high is None:
        return refuse(unit, "the current's interval is open on the side that matters")
    bound: Bound = "at_most" if low is None else "at_least" if high is None else "estimate"
    used = ", ".join(f"{name} {100 * term:.1f} %" for name, term in relative_terms.items() if term)
    basis = "; ".join(part for part in (note, f"model 1 σ: {used}" if used else "", source.basis) if part)
    return Estimate(value, low, high, unit, bound, basis=basis)


def product(first: Estimate, second: Estimate, unit: str, *, note: str = "") -> Estimate:
    """first × second of two independent, non-negative estimates; their relative sides add in quadrature.

    An open side of either leaves that side of the product open.
    """
    for part in (first, second):
        if part.refused is not None or part.value is None:
            return refuse(unit, part.refused or "one of the factors is not known")
    assert first.value is not None
    assert second.value is not None
    value = first.value * second.value

    def side(of_first: float | None, of_second: float | None) -> float | None:
        if of_first is None or of_second is None or first.value is None or second.value is None:
            return None
        return math.hypot((of_first - first.value) * second.value, (of_second - second.value) * first.value)

    below, above = side(first.low, second.low), side(first.high, second.high)
    low = None if below is None else max(value - below, 0.0)
    high = None if above is None else value + above
    if low is None and high is None:
        return refuse(unit, "one factor is open below and the other above")
    bound: Bound = "at_most" if low is None else "at_least" if high is None else "estimate"
    basis = "; ".join(filter(None, (note, first.basis, second.basis)))
    return Estimate(value, low, high, unit, bound, basis=basis)
