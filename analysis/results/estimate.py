"""One result with its 95 % interval, or the reason why there is none (JCGM 100:2008, the GUM)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from statistics import NormalDist
from typing import Literal

COVERAGE_FACTOR = 1.96
"""k for 95 % of a normal distribution (JCGM 100 table G.1 gives 1.960)."""
LEAST_TOLD = 0.03
"""A doubt of less than this part of the rest is not in the basis; it widens its side all the same."""
UNDECLARED = "sensor error not declared"

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
    """low ≤ value ≤ high is a 95 % interval; a refused estimate has no numbers, only the reason."""

    value: float | None
    low: float | None
    high: float | None
    unit: str
    bound: Bound = "estimate"
    """at_least: high is None. at_most: low is None."""
    refused: str | None = None
    basis: str = ""
    """What the interval rests on, greatest contribution first."""
    terms: tuple[Term, ...] = field(default=(), compare=False, repr=False)
    """Where its width comes from, greatest first; empty where that was not worked out. Not part of the JSON object."""

    def as_json(self) -> dict[str, float | str | None]:
        """The report's E object: plain keys, no NaN or infinity."""
        return {
            "value": self.value,
            "low": self.low,
            "high": self.high,
            "unit": self.unit,
            "bound": self.bound,
            "refused": self.refused,
            "basis": self.basis,
        }

    def bounded(self, bound: Bound, why: str = "") -> Estimate:
        """The same value as a one-sided statement; a refused one stays as it is."""
        if self.refused is not None or bound == "estimate":
            return self
        basis = "; ".join(part for part in (why, self.basis) if part)
        low = None if bound == "at_most" else self.low
        high = None if bound == "at_least" else self.high
        return replace(self, low=low, high=high, bound=bound, basis=basis)


def ranked(terms: Mapping[str, float | None]) -> tuple[Term, ...]:
    """1 σ contributions by name → terms with their shares, greatest first, those not declared last."""
    total = sum(u**2 for u in terms.values() if u is not None)
    made = [Term(name, u, 0.0 if u is None or not total > 0 else u**2 / total) for name, u in terms.items()]
    return tuple(sorted(made, key=lambda term: (term.u is None, -term.share)))


def refuse(unit: str, reason: str) -> Estimate:
    """No number, and the reason in words a user can act on."""
    return Estimate(None, None, None, unit, refused=reason)


def estimate(
    value: float,
    unit: str,
    terms: Mapping[str, float | None],
    *,
    doubt_low: float = 0.0,
    doubt_high: float = 0.0,
    doubt: str = "charge across gaps",
    note: str = "",
) -> Estimate:
    """Combine independent standard uncertainties into a 95 % interval.

    `terms` maps what each contribution is to its 1 σ in `unit`; None means that the sensor term is not declared: it
    adds nothing and the basis says so. `doubt_low` and `doubt_high` (≥ 0) widen one side by what was not measured,
    called `doubt` in the basis. A value, term or doubt that is not finite is refused.
    """
    declared = {name: abs(term) for name, term in terms.items() if term is not None}
    variance = sum(term**2 for term in declared.values())
    half = COVERAGE_FACTOR * math.sqrt(variance)
    low, high = value - half - doubt_low, value + half + doubt_high
    if not (math.isfinite(low) and math.isfinite(high)):
        return refuse(unit, "the data hold no finite value for this")
    parts = []
    if variance > 0:
        largest = sorted(declared.items(), key=lambda item: -item[1])[:3]
        shares = [f"{name} {100 * term**2 / variance:.0f} %" for name, term in largest if term**2 >= 0.01 * variance]
        parts.append(", ".join(shares))
    if any(term is None for term in terms.values()):
        parts.append(UNDECLARED)
    if max(doubt_low, doubt_high) > LEAST_TOLD * half:
        parts.append(f"{doubt} as doubt")
    if note:
        parts.append(note)
    doubts = {doubt: max(doubt_low, doubt_high) / COVERAGE_FACTOR} if doubt_low or doubt_high else {}
    return Estimate(value, low, high, unit, basis="; ".join(parts), terms=ranked({**terms, **doubts}))


def above_zero(result: Estimate) -> Estimate:
    """The same for a quantity that cannot be negative: no side of its interval lies below 0."""
    return replace(result, low=None if result.low is None else max(result.low, 0.0))


def extreme_u(sigma: float, samples: int) -> float:
    """1 σ to declare for the greatest or least of so many readings, each with independent normal noise of `sigma`.

    The largest of n errors passes k σ with at most 2.5 %, where n (1 − Φ(k)) = 0.025: a million samples of a steady
    current show a peak of 5.4 σ that was never there. Returned so that `estimate` gets that k.
    """
    return sigma * NormalDist().inv_cdf(1 - 0.025 / max(samples, 1)) / COVERAGE_FACTOR
