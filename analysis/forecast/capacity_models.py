"""The capacity models of a forecast: Peukert's law with its uncertainty, and two-well models beside it.

Both run through the sheet's pair of points, or through one point with the exponents of the chemistry. A measured
capacity takes the place of the sheet's: the models then run through the measured point.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from amptally.analysis.forecast.data_sheet import DataSheet, MeasuredCapacity
from amptally.analysis.forecast.kibam import KineticModel, kinetic_family
from amptally.analysis.forecast.peukert import LIKELY_GROWTH, MAX_GROWTH, PeukertLaw, peukert_law
from amptally.analysis.results.reason import Reason
from amptally.tables.battery_rate_exponent import TYPICAL_K

SPAN = 20.0
"""A second point is put this many times faster, 20 h to 1 h, where a two-well model needs one; and a load slower than
the only point may gain charge down to this many times slower."""


@dataclass(frozen=True, slots=True)
class CapacityModels:
    """Peukert's law on three sides, −1 (low charge), 0, 1 (high), and two-well models."""

    laws: tuple[PeukertLaw, PeukertLaw, PeukertLaw]
    """By side."""
    exponents_beyond: tuple[float, float, float]
    """What k − 1 is beyond the faster point, by side."""
    kinetic: tuple[KineticModel, ...]
    """The two-well models through the same points; empty without an effect of rate."""
    assumed: Reason | None
    """How the exponent was assumed; None where the sheet's pair gives it."""

    @property
    def likely(self) -> PeukertLaw:
        """The central law."""
        return self.laws[1]

    def law(self, side: int) -> PeukertLaw:
        """The law of a side."""
        return self.laws[side + 1]

    def beyond(self, side: int) -> float:
        """k − 1 of a side beyond the faster point."""
        return self.exponents_beyond[side + 1]

    def extrapolates(self, current_a: float) -> bool:
        """Whether a load lies outside a pair of points; an assumed exponent carries its own uncertainty."""
        return self.assumed is None and self.likely.extrapolates(current_a)


def capacity_models(
    sheet: DataSheet, chemistry: str, load_a: float, measured: MeasuredCapacity | None = None
) -> CapacityModels:
    """The models for a load [A] per block. DataSheetError says which number is missing or cannot be."""
    if sheet.capacity_ah is None and measured is not None:
        sheet = DataSheet(measured.charge_ah, measured.hours, None, None)
    if sheet.second_capacity_ah is None or sheet.second_hours is None:
        point = sheet.rated_point() if measured is None else (measured.charge_ah, measured.hours)
        return _from_one_point(point, chemistry, load_a)
    law = peukert_law(sheet)
    if measured is not None:
        law, sheet = _through(law, sheet, measured)
    # Two slow points say little of a fast load: its low end is no bolder than batteries of this chemistry are.
    lowest = max(MAX_GROWTH * (law.k - 1), TYPICAL_K[chemistry][2] - 1)
    beyond = (lowest, LIKELY_GROWTH * (law.k - 1), law.k - 1)
    return CapacityModels((law, law, law), beyond, kinetic_models(sheet), None)


@lru_cache(maxsize=64)
def kinetic_models(sheet: DataSheet) -> tuple[KineticModel, ...]:
    """The two-well models through a sheet's two points; empty where the sheet shows no effect of rate.

    Raises DataSheetError as `peukert_law`.
    """
    law = peukert_law(sheet)  # the same checks
    second_ah, second_h = sheet.second_point()
    return kinetic_family(law.hours, law.capacity_ah, second_h, second_ah)


def _from_one_point(point: tuple[float, float], chemistry: str, load_a: float) -> CapacityModels:
    capacity_ah, hours = point
    rated_a = capacity_ah / hours
    lowest, likely, highest = TYPICAL_K[chemistry]

    def law(k: float, slow_a: float = rated_a) -> PeukertLaw:
        return PeukertLaw(capacity_ah, hours, k, slow_a, max(rated_a, load_a))

    # A load slower than the point gains charge by the exponent, so there the highest one is the optimistic one.
    most = law(lowest) if load_a >= rated_a else law(highest, rated_a / SPAN)
    fast_h = hours / SPAN
    fast_ah = capacity_ah * SPAN ** (1 / likely - 1)
    kinetic = kinetic_models(DataSheet(capacity_ah, hours, fast_ah, fast_h))
    assumed = Reason("exponent_assumed", lowest_k=lowest, highest_k=highest, chemistry=chemistry)
    laws = law(highest), law(likely), most
    return CapacityModels(laws, (laws[0].k - 1, laws[1].k - 1, laws[2].k - 1), kinetic, assumed)


def _through(law: PeukertLaw, sheet: DataSheet, measured: MeasuredCapacity) -> tuple[PeukertLaw, DataSheet]:
    """The pair's law moved to a measured point: the same currents give more or less charge, all by the same factor."""
    scale = measured.charge_ah / law.extrapolated_ah(measured.charge_ah / measured.hours)
    moved = DataSheet(
        *(None if number is None else scale * number for number in (sheet.capacity_ah, sheet.hours)),
        *(None if number is None else scale * number for number in (sheet.second_capacity_ah, sheet.second_hours)),
    )
    return replace(law, capacity_ah=scale * law.capacity_ah, hours=scale * law.hours), moved
