"""One result with its 95 % interval, or the reason why there is none (JCGM 100:2008, the GUM)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from statistics import NormalDist
from typing import Literal

from amptally.analysis.results.number_format import with_interval
from amptally.analysis.results.reason import Reason

COVERAGE_FACTOR = 1.96
"""k for 95 % of a normal distribution (JCGM 100 table G.1 gives 1.960)."""
MIN_MENTIONED_DOUBT = 0.03
"""A doubt smaller than this share of the rest is not among the reasons; it widens its side all the same."""
MAX_MENTIONED_TERMS, MIN_MENTIONED_SHARE = 3, 0.01
"""At most this many terms are named as what an interval rests on, each with at least this share of the variance."""
UNDECLARED = Reason("sensor_error_undeclared")

Bound = Literal["estimate", "at_least", "at_most"]


@dataclass(frozen=True, slots=True)
class Term:
    """One source of an estimate's width."""

    name: str
    """What it is; the same sensor's gain has the same name in all that one result is made of."""
    u: float | None
    """1 σ in the estimate's unit, positive where an error of the source upwards moves the value upwards. None: the
    machine file does not declare it, and it adds nothing. A doubt counts as a normal error of the same 95 % reach."""
    share: float
    """Part of the sum of all squares, 0 to 1."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """low ≤ value ≤ high is a 95 % interval; a refused estimate has no numbers, only the reasons."""

    value: float | None
    low: float | None
    high: float | None
    unit: str
    bound: Bound = "estimate"
    """at_least: high is None. at_most: low is None."""
    reasons: tuple[Reason, ...] = ()
    """Of a value: what its interval rests on and why a side is open, most important first. Of a refused one: why."""
    terms: tuple[Term, ...] = field(default=(), compare=False, repr=False)
    """Where its width comes from, largest first; empty where that was not worked out. Not part of the JSON object."""

    def __str__(self) -> str:
        """`25.62 Wh (25.30 to 25.94)`, or `not given (no_current)` with the codes of the reasons."""
        if self.value is None:
            return f"not given ({', '.join(dict.fromkeys(reason.code for reason in self.reasons))})"
        return with_interval(self)

    __repr__ = __str__
    """In a notebook and inside tuples and dicts too: the numbers as far as they are known."""

    @property
    def is_refused(self) -> bool:
        """There is no value; the reasons say why."""
        return self.value is None

    def bounded(self, bound: Bound, *why: Reason) -> Estimate:
        """The same value as a one-sided statement; a refused one stays as it is."""
        if self.value is None or bound == "estimate":
            return self
        low = None if bound == "at_most" else self.low
        high = None if bound == "at_least" else self.high
        return replace(self, low=low, high=high, bound=bound, reasons=(*why, *self.reasons))


def ranked(terms: Mapping[str, float | None]) -> tuple[Term, ...]:
    """1 σ contributions by name → terms with their shares, largest first, undeclared ones last."""
    total = sum(u**2 for u in terms.values() if u is not None)
    made = [Term(name, u, 0.0 if u is None or not total > 0 else u**2 / total) for name, u in terms.items()]
    return tuple(sorted(made, key=lambda term: (term.u is None, -term.share)))


def refuse(unit: str, *reasons: Reason) -> Estimate:
    """No number, and the reasons, the most important first. Raises ValueError without any."""
    if not reasons:
        raise ValueError("a refusal needs a reason")
    return Estimate(None, None, None, unit, reasons=reasons)


def estimate(
    value: float,
    unit: str,
    terms: Mapping[str, float | None],
    *,
    doubt_low: float = 0.0,
    doubt_high: float = 0.0,
    doubt: str = "charge across gaps",
    note: Reason | None = None,
) -> Estimate:
    """Combine independent standard uncertainties into a 95 % interval.

    `terms` maps what each contribution is to its 1 σ in `unit`; None means that the sensor term is not declared: it
    adds nothing and the reasons say so. `doubt_low` and `doubt_high` (≥ 0) widen one side by what was not measured,
    named `doubt`. A value, term or doubt that is not finite is refused.
    """
    declared = {name: abs(term) for name, term in terms.items() if term is not None}
    half = COVERAGE_FACTOR * math.sqrt(sum(term**2 for term in declared.values()))
    low, high = value - half - doubt_low, value + half + doubt_high
    if not (math.isfinite(low) and math.isfinite(high)):
        return refuse(unit, Reason("not_finite"))
    reasons = []
    if shares := main_shares(declared):
        reasons.append(Reason("interval_from", shares=shares))
    if any(term is None for term in terms.values()):
        reasons.append(UNDECLARED)
    if max(doubt_low, doubt_high) > MIN_MENTIONED_DOUBT * half:
        reasons.append(Reason("widened_by_doubt", doubt=doubt))
    if note is not None:
        reasons.append(note)
    doubts = {doubt: max(doubt_low, doubt_high) / COVERAGE_FACTOR} if doubt_low or doubt_high else {}
    return Estimate(value, low, high, unit, reasons=tuple(reasons), terms=ranked({**terms, **doubts}))


def main_shares(declared: Mapping[str, float]) -> tuple[tuple[str, float], ...]:
    """(name, share of the variance) of the largest terms, largest first; empty where nothing has a width."""
    variance = sum(term**2 for term in declared.values())
    if not variance > 0:
        return ()
    largest = sorted(declared.items(), key=lambda item: -item[1])[:MAX_MENTIONED_TERMS]
    shares = ((name, term**2 / variance) for name, term in largest)
    return tuple((name, share) for name, share in shares if share >= MIN_MENTIONED_SHARE)


def above_zero(result: Estimate) -> Estimate:
    """The same for a quantity that cannot be negative: no side of its interval lies below 0."""
    return replace(result, low=None if result.low is None else max(result.low, 0.0))


def extreme_u(sigma: float, samples: int) -> float:
    """1 σ to declare for the maximum or minimum of `samples` readings, each with independent normal noise of `sigma`.

    The largest of n errors passes k σ with at most 2.5 %, where n (1 − Φ(k)) = 0.025: a million samples of a steady
    current show a peak of 5.4 σ that was never there. Returned so that `estimate` gets that k.
    """
    return sigma * NormalDist().inv_cdf(1 - 0.025 / max(samples, 1)) / COVERAGE_FACTOR
