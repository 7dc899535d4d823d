"""Peukert's law in rate form: the charge a block gives falls with the current it is drawn at.

Peukert, Elektrotechnische Zeitschrift 20 (1897): I^k t is constant (from memory). Written with a rated point, t = H
(C/(I H))^k, it needs no capacity at 1 A. The exponent comes from two data-sheet points of the battery in use; there is
no default. Worked example: docs/methods.md, Capacity at a load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.analysis.forecast.data_sheet import DataSheet, DataSheetError
from amptally.analysis.results.reason import Reason

Floats = npt.NDArray[np.float64]

MAX_PUBLISHED_K = 1.6  # flooded, upper end of the range on fxsolver.com, Peukert's law
LIKELY_GROWTH, MAX_GROWTH = 2.0, 3.0
"""How many times k − 1 grows beyond the faster sheet point: a fixed k promises too much there.

Carrying a pair of slow points on to the 1 h rate needs 2.0 and 1.9 times (T1, the sheet of a 40 Ah sealed lead-acid
block, pairs 20-10 h and 10-5 h) and 2.0 and 2.7 times (PyBaMM 26.10.1.1, Sulzer2019 LOQS and Full, 0.85-1.7 A).
"""


@dataclass(frozen=True, slots=True)
class PeukertLaw:
    """t = H (C/(I H))^k through two data-sheet points."""

    capacity_ah: float
    """C, rated capacity [Ah]."""
    hours: float
    """H, the discharge time of the rating [h]."""
    k: float
    """Exponent from the pair; 1 means no effect of rate."""
    slow_a: float
    """Current of the slower point [A]."""
    fast_a: float
    """Current of the faster point [A]; the law is not supported beyond the two."""

    @property
    def rated_a(self) -> float:
        """I_n = C/H [A]."""
        return self.capacity_ah / self.hours

    def runtime_h(self, current_a: float) -> float:
        """Hours a full block lasts at a constant current above 0 [A]."""
        return float(self.hours * (self.rated_a / current_a) ** self.k)

    def available_ah(self, current_a: float) -> float:
        """Charge given at a constant current above 0 [A]: C (I_n/I)^(k − 1) [Ah]."""
        return float(self.capacity_ah * (self.rated_a / current_a) ** (self.k - 1))

    def extrapolated_ah(self, current_a: float, growth: float = LIKELY_GROWTH) -> float:
        """The same [Ah], extrapolated outside the two points as batteries behave rather than as the law does.

        Slower than the slow point: no more than that point gives. Faster than the fast point: k − 1 grows `growth`
        times on the part beyond it.
        """
        if current_a <= self.slow_a:
            return self.available_ah(self.slow_a)
        beyond = max(current_a / self.fast_a, 1.0)
        return float(self.available_ah(current_a) * beyond ** ((1 - growth) * (self.k - 1)))

    def extrapolates(self, current_a: float) -> bool:
        """Whether a current [A] lies outside the two data-sheet points (1 % of slack for rounding)."""
        return not 0.99 * self.slow_a <= current_a <= 1.01 * self.fast_a


def peukert_k(hours: float, current_a: float, second_hours: float, second_a: float) -> float:
    """k = ln(t₂/t₁)/ln(I₁/I₂) from two constant-current discharges [h, A].

    Raises DataSheetError for numbers not above 0 or two equal currents.
    """
    if min(hours, current_a, second_hours, second_a) <= 0 or current_a == second_a:
        raise DataSheetError(Reason("exponent_needs_two_points"))
    return math.log(second_hours / hours) / math.log(current_a / second_a)


def peukert_law(sheet: DataSheet) -> PeukertLaw:
    """The law through a sheet's two points. DataSheetError says which number is missing or cannot be."""
    (capacity_ah, hours), (second_ah, second_h) = sheet.rated_point(), sheet.second_point()
    rated_a, second_a = capacity_ah / hours, second_ah / second_h
    if rated_a == second_a or (rated_a - second_a) * (hours - second_h) >= 0:
        raise DataSheetError(Reason("data_sheet_points_contradict"))
    k = peukert_k(hours, rated_a, second_h, second_a)
    if k < 1 - 1e-9:
        raise DataSheetError(Reason("exponent_below_one"))
    return PeukertLaw(capacity_ah, hours, max(k, 1.0), min(rated_a, second_a), max(rated_a, second_a))


def used_ah(law: PeukertLaw, current_a: Floats, duration_h: Floats) -> Floats:
    """Charge used in terms of the rated current, ∫ I (I/I_n)^(k − 1) dt [Ah]; the block is empty when it reaches C.

    `current_a` [A] and `duration_h` [h], shapes (…, n): pieces of constant current along the last axis; returns shape
    (…). While charging no rate term applies (NPTEL 108103009, module 9). Below the slower point the weight stays that
    of the slower point: a weight that goes to 0 with the current would let an idle load run for ever.
    """
    current = np.asarray(current_a, dtype=float)
    weight = (np.maximum(current, law.slow_a) / law.rated_a) ** (law.k - 1)
    return np.asarray(np.sum(np.where(current > 0, current * weight, current) * duration_h, axis=-1))
