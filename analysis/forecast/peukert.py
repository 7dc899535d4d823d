"""Which rate law a forecast goes by: the sheet's pair of points, or one point and the exponents of its chemistry.

A measured capacity takes the place of the sheet's: the law then runs through the measured point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from amptally.analysis.forecast.capacity import (
    GREATEST_GROWTH,
    LIKELY_GROWTH,
    DataSheet,
    DataSheetError,
    RateForm,
    kinetic_models,
    rate_form,
)
from amptally.analysis.forecast.kibam import Kinetic
from amptally.tables.battery_rate_exponent import TYPICAL_K

SPAN = 20.0
"""A second point is put this many times faster, 20 h to 1 h, where a two-well model needs one; and a load slower than
the only point may gain charge down to this many times slower."""


@dataclass(frozen=True, slots=True)
class MeasuredCapacity:
    """One full discharge of one block."""

    charge_ah: float
    """Charge it gave [Ah]."""
    hours: float
    """How long it took [h]."""

    def __post_init__(self) -> None:
        if not (self.charge_ah > 0 and self.hours > 0):
            raise ValueError("a measured capacity needs charge and time above 0")


@dataclass(frozen=True, slots=True)
class RateLaw:
    """One law with its doubt: sides −1 (least charge), 0, 1 (most)."""

    forms: tuple[RateForm, RateForm, RateForm]
    """By side."""
    growths: tuple[float, float, float]
    """How many times k − 1 grows beyond the faster point, by side."""
    wells: tuple[Kinetic, ...]
    """The two-well models through the same points; empty without an effect of rate."""
    assumed: str
    """How the exponent was assumed; empty where the sheet's pair gives it."""

    @property
    def likely(self) -> RateForm:
        """The central form."""
        return self.forms[1]

    def form(self, side: int) -> RateForm:
        """The form of a side."""
        return self.forms[side + 1]

    def growth(self, side: int) -> float:
        """The growth of a side."""
        return self.growths[side + 1]

    def extrapolates(self, current_a: float) -> bool:
        """Whether a load lies outside a pair of points; an assumed exponent carries its own doubt."""
        return not self.assumed and self.likely.extrapolates(current_a)


def rate_law(sheet: DataSheet, chemistry: str, load_a: float, measured: MeasuredCapacity | None = None) -> RateLaw:
    """The law for a load [A] a block; DataSheetError says which number is missing or cannot be."""
    if sheet.capacity_ah is None and measured is not None:
        sheet = DataSheet(measured.charge_ah, measured.hours, None, None)
    if sheet.second_capacity_ah is None or sheet.second_hours is None:
        return _assumed(_point(sheet, measured), chemistry, load_a)
    form = rate_form(sheet)
    if measured is not None:
        form, sheet = _through(form, sheet, measured)
    growths = (GREATEST_GROWTH, LIKELY_GROWTH, 1.0)
    return RateLaw((form, form, form), growths, kinetic_models(sheet), "")


def _point(sheet: DataSheet, measured: MeasuredCapacity | None) -> tuple[float, float]:
    if measured is not None:
        return measured.charge_ah, measured.hours
    if sheet.capacity_ah is None or sheet.hours is None:
        raise DataSheetError("capacity_ah and capacity_hours are not given in the machine file")
    if not all(math.isfinite(number) and number > 0 for number in (sheet.capacity_ah, sheet.hours)):
        raise DataSheetError("capacities and hours of the data sheet must be above 0")
    return sheet.capacity_ah, sheet.hours


def _assumed(point: tuple[float, float], chemistry: str, load_a: float) -> RateLaw:
    capacity_ah, hours = point
    rated_a = capacity_ah / hours
    least, likely, greatest = TYPICAL_K[chemistry]

    def form(k: float, slow_a: float = rated_a) -> RateForm:
        return RateForm(capacity_ah, hours, k, slow_a, max(rated_a, load_a))

    # A load slower than the point gains charge by the exponent, so there the greatest one is the optimistic one.
    flat = form(least) if load_a >= rated_a else form(greatest, rated_a / SPAN)
    fast_h = hours / SPAN
    fast_ah = capacity_ah * SPAN ** (1 / likely - 1)
    wells = kinetic_models(DataSheet(capacity_ah, hours, fast_ah, fast_h))
    told = f"no second data-sheet point: rate exponent {least:g} to {greatest:g} assumed, as {chemistry} batteries have"
    return RateLaw((form(greatest), form(likely), flat), (1.0, 1.0, 1.0), wells, told)


def _through(form: RateForm, sheet: DataSheet, measured: MeasuredCapacity) -> tuple[RateForm, DataSheet]:
    """The pair's law moved to a measured point: the same currents give more or less charge, all by the same part."""
    scale = measured.charge_ah / form.carried_ah(measured.charge_ah / measured.hours)
    moved = DataSheet(
        *(None if number is None else scale * number for number in (sheet.capacity_ah, sheet.hours)),
        *(None if number is None else scale * number for number in (sheet.second_capacity_ah, sheet.second_hours)),
    )
    return replace(form, capacity_ah=scale * form.capacity_ah, hours=scale * form.hours), moved
