"""One result with its 95 % interval, or the reason why there is none (JCGM 100:2008, the GUM)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
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
    note: str = "",
) -> Estimate:
    """Combine independent standard uncertainties into a 95 % interval.

    `terms` maps what each contribution is to its 1 σ in `unit`; None means that the sensor term is not declared: it
    adds nothing and the basis says so. `doubt_low` and `doubt_high` (≥ 0) widen one side by what was not measured,
    such as the charge bridged across gaps. A value or term that is not finite is refused.
    """
    declared = {name: abs(term) for name, term in terms.items() if term is not None}
    variance = sum(term**2 for term in declared.values())
    if not (math.isfinite(value) and math.isfinite(variance)):
        return refuse(unit, "the data hold no finite value for this")
    half = COVERAGE_FACTOR * math.sqrt(variance)
    parts = []
    if variance > 0:
        ranked = sorted(declared.items(), key=lambda item: -item[1])
        shares = [f"{name} {100 * term**2 / variance:.0f} %" for name, term in ranked[:3] if term**2 >= 0.01 * variance]
        parts.append(", ".join(shares))
    if any(term is None for term in terms.values()):
        parts.append(UNDECLARED)
    if doubt_low or doubt_high:
        parts.append("charge across gaps as doubt")
    if note:
        parts.append(note)
    return Estimate(value, value - half - doubt_low, value + half + doubt_high, unit, basis="; ".join(parts))
