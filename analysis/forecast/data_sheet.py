"""Capacity of a block as its maker states it, or as somebody measured it, and how far either may be off."""

from __future__ import annotations

import math
from dataclasses import dataclass

from amptally.analysis.errors import AnalysisError
from amptally.analysis.results.reason import Reason

SHEET_U = 0.05  # 1 σ, relative, of a new battery against its sheet; common practice, no source
SHEET_ABOVE = 0.22
"""How far above its sheet a lead-acid battery may lie, relative, at 95 %, new as it may be: the measured set of
tests/data gave 18.9 Ah at 1.8 times the rated current of a 17 Ah nameplate, 22 % above it with the likely rate exponent
of 1.15 (15 to 25 % with 1.05 to 1.2; a sheet with one point counts that range apart). One type of battery: the cell
model that was fitted to it (PyBaMM 26.10.1.1, Sulzer2019) is no second one."""
MEASURED_U = 0.035  # 1 σ, relative: repeated discharges of one battery differ by 3.5 % (tests/data/README.md)
LIKELY_LEFT = 0.9
"""Share of the sheet's capacity that a battery of unknown age is taken to have left: halfway between new and the 80 %
at which it is replaced. Our own choice."""
WORN_TO = 0.8  # a battery is replaced below 80 % of rated capacity (storage battery maintenance handbook, pinacia.com)


class DataSheetError(AnalysisError, ValueError):
    """The data-sheet numbers cannot support a capacity; `reason` says why."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason.code)
        self.reason = reason


@dataclass(frozen=True, slots=True)
class DataSheet:
    """Capacity of one block as its maker states it, machine file table [battery]."""

    capacity_ah: float | None
    """Rated capacity [Ah]."""
    hours: float | None
    """Discharge time it is rated at [h]."""
    second_capacity_ah: float | None
    """Capacity at a second rate [Ah]."""
    second_hours: float | None
    """Discharge time of the second rate [h]."""

    def rated_point(self) -> tuple[float, float]:
        """(capacity [Ah], discharge time [h]); DataSheetError where one is missing or not above 0."""
        if self.capacity_ah is None or self.hours is None:
            raise DataSheetError(Reason("capacity_not_given"))
        return _positive(self.capacity_ah, self.hours)

    def second_point(self) -> tuple[float, float]:
        """Likewise for the second rate."""
        if self.second_capacity_ah is None or self.second_hours is None:
            raise DataSheetError(Reason("second_point_not_given"))
        return _positive(self.second_capacity_ah, self.second_hours)


def _positive(capacity_ah: float, hours: float) -> tuple[float, float]:
    if not all(math.isfinite(number) and number > 0 for number in (capacity_ah, hours)):
        raise DataSheetError(Reason("data_sheet_not_positive"))
    return capacity_ah, hours


@dataclass(frozen=True, slots=True)
class MeasuredCapacity:
    """One full discharge of one block. Raises ValueError for numbers that are not above 0."""

    charge_ah: float
    """Charge it gave [Ah]."""
    hours: float
    """How long it took [h]."""
    temperature_c: float | None = None
    """Air around it then [°C]; None where nobody said."""
    block: str | None = None
    """block_a or block_b; None where nobody said."""

    def __post_init__(self) -> None:
        if not (self.charge_ah > 0 and self.hours > 0):
            raise ValueError("a measured capacity needs charge and time above 0")
