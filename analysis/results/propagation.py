"""Products, quotients and powers of estimates (JCGM 100, 5.1 and 5.2): sides, open sides, and what they rest on."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import replace

from amptally.analysis.results.estimate import COVERAGE_FACTOR, Bound, Estimate, ranked, refuse
from amptally.analysis.results.reason import Reason


def power_of(
    factor: float,
    source: Estimate,
    exponent: int,
    unit: str,
    relative_terms: Mapping[str, float],
    *,
    doubt_low: float = 0.0,
    doubt_high: float = 0.0,
    note: Reason | None = None,
) -> Estimate:
    """factor × source^exponent for a source that cannot be negative; each side has its own width.

    The source's side and 1.96 × the relative terms add in quadrature, the doubts linearly. A one-sided source gives a
    one-sided result, on the other side when the exponent is negative.
    """
    if source.value is None:
        return refuse(unit, *source.reasons)
    if source.value <= 0 and exponent < 0:
        return refuse(unit, Reason("no_current"))

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
        return refuse(unit, Reason("open_on_needed_side"))
    bound: Bound = "at_most" if low is None else "at_least" if high is None else "estimate"
    used = tuple((name, term) for name, term in relative_terms.items() if term)
    model_u = (Reason("model_uncertainty", relative_u=used),) if used else ()
    reasons = (*_noted(note), *model_u, *source.reasons)
    slope = exponent * value / source.value if source.value else 0.0
    terms = carried(source, slope, "what it is computed from")
    terms |= {name: term * value for name, term in relative_terms.items()}
    if doubt_low or doubt_high:
        terms["model as doubt"] = max(doubt_low, doubt_high) / COVERAGE_FACTOR
    return Estimate(value, low, high, unit, bound, reasons=reasons, terms=ranked(terms))


def product(
    first: Estimate,
    second: Estimate,
    unit: str,
    *,
    note: Reason | None = None,
    names: tuple[str, str] = ("first factor", "second factor"),
    shared: Collection[str] = (),
) -> Estimate:
    """first × second of two non-negative estimates; their relative sides add in quadrature.

    An open side of either leaves that side of the product open. `names` say what a factor is whose own terms were not
    worked out. `shared` names the terms that are one and the same error in both factors, such as a sensor's gain: they
    add with their signs (JCGM 100, 5.2.2, correlation 1), and cancel where they pull apart.
    """
    for part in (first, second):
        if part.value is None:
            return refuse(unit, *part.reasons)
    assert first.value is not None
    assert second.value is not None
    value = first.value * second.value
    by_first = carried(first, second.value, names[0])
    by_second = carried(second, first.value, names[1])
    together = COVERAGE_FACTOR * math.hypot(
        *((by_first.get(name) or 0.0) + (by_second.get(name) or 0.0) for name in shared)
    )
    left = [
        math.sqrt(max(1.0 - sum(t.share for t in ranked(by) if t.name in shared), 0.0)) for by in (by_first, by_second)
    ]

    def side(of_first: float | None, of_second: float | None) -> float | None:
        if of_first is None or of_second is None or first.value is None or second.value is None:
            return None
        apart = (of_first - first.value) * second.value * left[0], (of_second - second.value) * first.value * left[1]
        return math.hypot(*apart, together)

    below, above = side(first.low, second.low), side(first.high, second.high)
    low = None if below is None else max(value - below, 0.0)
    high = None if above is None else value + above
    if low is None and high is None:
        return refuse(unit, Reason("open_on_opposite_sides"))
    bound: Bound = "at_most" if low is None else "at_least" if high is None else "estimate"
    reasons = tuple(dict.fromkeys((*_noted(note), *first.reasons, *second.reasons)))
    return Estimate(value, low, high, unit, bound, reasons=reasons, terms=ranked(_joined(by_first, by_second, shared)))


def quotient(
    first: Estimate,
    second: Estimate,
    unit: str,
    *,
    note: Reason | None = None,
    names: tuple[str, str] = ("numerator", "denominator"),
    shared: Collection[str] = (),
) -> Estimate:
    """first / second of two estimates that are not negative, the second above 0; as `product`.

    The gain of one sensor in both cancels: mean power ÷ mean current is a voltage, which no current gain moves.
    """
    if second.value is not None and not second.terms:
        second = replace(second, terms=ranked(carried(second, 1.0, names[1])))
    return product(first, power_of(1.0, second, -1, "", {}), unit, note=note, names=names, shared=shared)


def carried(source: Estimate, slope: float, name: str) -> dict[str, float | None]:
    """The source's terms times ∂result/∂source; its whole width under `name` where its terms were not worked out."""
    if source.terms:
        return {term.name: None if term.u is None else slope * term.u for term in source.terms}
    sides = [
        abs(side - source.value) for side in (source.low, source.high) if side is not None and source.value is not None
    ]
    return {name: slope * max(sides) / COVERAGE_FACTOR} if any(sides) else {}


def _noted(note: Reason | None) -> tuple[Reason, ...]:
    return () if note is None else (note,)


def _joined(
    first: Mapping[str, float | None], second: Mapping[str, float | None], shared: Collection[str]
) -> dict[str, float | None]:
    """Terms of a sum: shared ones with their signs, others of one name as squares; declared in one is declared."""
    joined = dict(first)
    for name, u in second.items():
        other = joined.get(name)
        if other is None or u is None:
            joined[name] = u if other is None else other
        else:
            joined[name] = other + u if name in shared else math.hypot(other, u)
    return joined
