"""One result with its 95 % interval, or the reason why there is none (JCGM 100:2008, the GUM)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Literal

COVERAGE_FACTOR = 1.96
"""k for 95 % of a normal distribution (JCGM 100 table G.1 gives 1.960)."""
UNDECLARED = "sensor error not declared"

Bound = Literal["estimate", "at_least", "at_most"]


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
        ranked = sorted(declared.items(), key=lambda item: -item[1])
        shares = [f"{name} {100 * term**2 / variance:.0f} %" for name, term in ranked[:3] if term**2 >= 0.01 * variance]
        parts.append(", ".join(shares))
    if any(term is None for term in terms.values()):
        parts.append(UNDECLARED)
    if doubt_low or doubt_high:
        parts.append(f"{doubt} as doubt")
    if note:
        parts.append(note)
    return Estimate(value, low, high, unit, basis="; ".join(parts))


def above_zero(result: Estimate) -> Estimate:
    """The same for a quantity that cannot be negative: no side of its interval lies below 0."""
    return replace(result, low=None if result.low is None else max(result.low, 0.0))


def extreme_u(sigma: float, samples: int) -> float:
    """1 σ to declare for the greatest or least of so many readings, each with independent normal noise of `sigma`.

    The largest of n errors passes k σ with at most 2.5 %, where n (1 − Φ(k)) = 0.025: a million samples of a steady
    current show a peak of 5.4 σ that was never there. Returned so that `estimate` gets that k.
    """
    return sigma * NormalDist().inv_cdf(1 - 0.025 / max(samples, 1)) / COVERAGE_FACTOR
