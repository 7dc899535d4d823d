"""How full a block is after so many more hours of a load, by the rate law and by the two-well model.

A block's fullness runs from 1 to 0. By the rate law it is the part left of rated capacity, each ampere weighed by its
rate; by the two-well model it is the level of the first well. Both reach 0 where the block is exhausted at that load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from analysis.capacity import used_ah
from analysis.kinetic import Kinetic, Wells, advance
from analysis.load_profile import LoadProfile
from analysis.rate_law import RateLaw


@dataclass(frozen=True, slots=True)
class Assumption:
    """One way things may be; the default is the central one."""

    capacity_scale: float = 1.0
    """Capacity of the blocks over the sheet's at 25 °C."""
    start_side: int = 0
    """−1 low end of the start charge, 0 its value, 1 its high end."""
    drawn_side: int = 0
    """−1 more charge drawn than measured (1.96 σ), 1 less."""
    load_scale: float = 1.0
    """Load to come over the load of the run."""
    rate_side: int = 0
    """Side of the rate law: −1 least charge at a high rate, 1 most."""
    voltage_side: int = 0
    """−1 low end of the rest-voltage chart, 1 high end."""
    ohm_side: int = 0
    """−1 high end of the resistance, 1 low end (the sides are those of the forecast)."""
    trip_side: int = 0
    """What a cut-off sees: −1 the greatest 1 s RMS, 0 the greatest 10 s RMS, 1 the mean current."""


@dataclass(frozen=True, slots=True)
class BlockCount:
    """What was taken from one block and what will be."""

    fraction: tuple[float, float, float]
    """Charge at the start of the run: low, value, high, 0..1 of rated capacity."""
    drawn: LoadProfile | None
    """Current since then; None when the forecast starts there."""
    drawn_half_ah: float
    """Half-width of the 95 % interval of the drawn charge [Ah]."""
    load: LoadProfile
    """Current that will go on."""

    def start(self, side: int) -> float:
        """The start charge at −1, 0 or 1."""
        return self.fraction[side + 1]


class BlockModel(Protocol):
    """A battery model bound to one block."""

    def fullness(self, hours: float, assumed: Assumption) -> float:
        """Fullness after `hours` more of the load; below 0 when exhausted before."""

    def charge_left(self, hours: float, assumed: Assumption) -> float:
        """Part of rated capacity not yet given after `hours`, plain count, for a limit on depth of discharge."""


@dataclass(frozen=True, slots=True)
class RateBlock:
    """Rate law: what was used at a rate counts at that rate, and stays used."""

    law: RateLaw
    count: BlockCount

    def fullness(self, hours: float, assumed: Assumption) -> float:
        """(start − used − to be used)/capacity, in charge at the rated current."""
        form, growth = self.law.form(assumed.rate_side), self.law.growth(assumed.rate_side)
        count, load = self.count, self.count.load
        capacity = form.capacity_ah * assumed.capacity_scale
        drawn = 0.0 if count.drawn is None else used_ah(form, count.drawn.current_a, count.drawn.duration_h)
        per_hour = used_ah(form, load.current_a * assumed.load_scale, load.duration_h) / load.hours
        beyond = max(load.mean_a * assumed.load_scale / form.fast_a, 1.0)
        per_hour *= math.pow(beyond, (growth - 1) * (form.k - 1))
        used = drawn - assumed.drawn_side * count.drawn_half_ah + per_hour * hours
        return count.start(assumed.start_side) - used / capacity

    def charge_left(self, hours: float, assumed: Assumption) -> float:
        """Plain count."""
        return _counted(self.count, hours, assumed, self.law.likely.capacity_ah)


@dataclass(frozen=True, slots=True)
class KineticBlock:
    """Two wells: a hard load lowers the first well, a light one lets it recover."""

    model: Kinetic
    rated_ah: float
    """Rated capacity that start fractions count in [Ah]."""
    count: BlockCount
    difference_ah: float
    """Difference of the levels at the end of what was drawn; it does not depend on how full the block was."""

    def fullness(self, hours: float, assumed: Assumption) -> float:
        """Level of the first well, 1 = full."""
        count, scale = self.count, assumed.capacity_scale
        # The difference of levels follows the current alone, so a block of another size differs only in its charge.
        sized = Kinetic(self.model.qmax_ah * scale, self.model.c, self.model.k_per_h)
        missing = (1 - count.start(assumed.start_side)) * self.rated_ah * scale
        drawn = 0.0 if count.drawn is None else count.drawn.charge_ah
        charge = sized.qmax_ah - missing - drawn + assumed.drawn_side * count.drawn_half_ah
        wells = Wells(min(charge, sized.qmax_ah), self.difference_ah)
        after = advance(sized, wells, count.load.mean_a * assumed.load_scale, hours)
        return sized.at_hand_ah(after) / (sized.c * sized.qmax_ah)

    def charge_left(self, hours: float, assumed: Assumption) -> float:
        """Plain count."""
        return _counted(self.count, hours, assumed, self.rated_ah)


def kinetic_block(model: Kinetic, rated_ah: float, count: BlockCount) -> KineticBlock:
    """A two-well block whose levels are even at the start of the run."""
    wells = model.full()
    if count.drawn is not None:
        for current, hours in zip(count.drawn.current_a.tolist(), count.drawn.duration_h.tolist(), strict=True):
            wells = advance(model, wells, current, hours)
    return KineticBlock(model, rated_ah, count, wells.difference_ah)


def _counted(count: BlockCount, hours: float, assumed: Assumption, rated_ah: float) -> float:
    drawn = 0.0 if count.drawn is None else count.drawn.charge_ah
    given = drawn - assumed.drawn_side * count.drawn_half_ah + count.load.mean_a * assumed.load_scale * hours
    return count.start(assumed.start_side) - given / (rated_ah * assumed.capacity_scale)
