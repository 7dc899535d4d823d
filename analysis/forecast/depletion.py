"""How full a block is after so many more hours of a load, by the rate law and by the two-well models, all at once.

A block's fullness runs from 1 to 0. By the rate law it is the part left of rated capacity, each ampere weighed by its
rate; by a two-well model it is the level of the first well. Both reach 0 where the block is exhausted at that load.
Both are a straight line and at most one exponential, so that one formula with other numbers serves every model under
every assumption: arrays of shape (models, assumptions), the rate law in the first row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.analysis.forecast.capacity import used_ah
from amptally.analysis.forecast.kibam import difference_ah
from amptally.analysis.forecast.load_profile import LoadProfile
from amptally.analysis.forecast.peukert import RateLaw

Floats = npt.NDArray[np.float64]


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


@dataclass(frozen=True, slots=True)
class Outlook:
    """One block under a load that goes on; arrays of shape (models, assumptions), or (assumptions,)."""

    brim: Floats
    """The most that fullness can be: 1 by the two-well models, no limit by the rate law, which only counts."""
    level: Floats
    """Fullness now."""
    slope_per_h: Floats
    """What the load takes off it [1/h]."""
    sinking: Floats
    """How much further the first well sinks until as much flows in as is drawn; 0 by the rate law."""
    evening_per_h: Floats
    """How fast it gets there, k' [1/h]."""
    counted: Floats
    """Part of rated capacity not yet given, by plain count."""
    counted_per_h: Floats
    """What the load takes off that [1/h]."""

    def fullness(self, hours: Floats) -> Floats:
        """Fullness after `hours` more of the load; below 0 when exhausted before. Shape (…, models, assumptions)."""
        line = self.level - self.slope_per_h * hours
        return np.asarray(np.minimum(line + self.sinking * np.expm1(-self.evening_per_h * hours), self.brim))

    def charge_left(self, hours: Floats) -> Floats:
        """Part of rated capacity not yet given after `hours`, plain count, for a limit on depth of discharge."""
        return self.counted - self.counted_per_h * hours


def outlook(law: RateLaw, count: BlockCount, assumptions: Sequence[Assumption]) -> Outlook:
    """One block by the rate law and by each of its two-well models, under every assumption."""
    capacity, load_scale = (
        np.array([getattr(each, name) for each in assumptions]) for name in ("capacity_scale", "load_scale")
    )
    capacity *= law.likely.capacity_ah
    start = np.array([count.fraction[each.start_side + 1] for each in assumptions])
    drawn_ah = 0.0 if count.drawn is None else count.drawn.charge_ah
    doubt_ah = np.array([each.drawn_side * count.drawn_half_ah for each in assumptions])
    load_a = count.load.mean_a * load_scale
    rows = [_by_rate(law, count, assumptions, start, doubt_ah)]
    apart = [0.0] * len(law.wells)
    if count.drawn is not None:
        apart = [difference_ah(well, count.drawn.current_a, count.drawn.duration_h) for well in law.wells]
    for well, difference in zip(law.wells, apart, strict=True):
        # The difference of levels follows the current alone, so a block of another size differs only in its charge.
        size = well.qmax_ah * capacity / law.likely.capacity_ah
        charge = np.minimum(size - (1 - start) * capacity - drawn_ah + doubt_ah, size)
        settled = load_a / (well.c * well.k_per_h)
        level, sinking = charge - (1 - well.c) * difference, (1 - well.c) * (settled - difference)
        ones = np.ones_like(size)
        rows.append((ones, level / size, load_a / size, sinking / size, well.k_per_h * ones))
    brim, level, slope, sinking, evening = (np.stack(column) for column in zip(*rows, strict=True))
    return Outlook(brim, level, slope, sinking, evening, start - (drawn_ah - doubt_ah) / capacity, load_a / capacity)


def _by_rate(
    law: RateLaw, count: BlockCount, assumptions: Sequence[Assumption], start: Floats, doubt_ah: Floats
) -> tuple[Floats, ...]:
    """Brim, level, slope, and no exponential: what was used at a rate counts at that rate, and stays used."""
    level, slope = np.empty_like(start), np.empty_like(start)
    load = count.load
    for side in {each.rate_side for each in assumptions}:
        form, growth = law.form(side), law.growth(side)
        chosen = np.array([each.rate_side == side for each in assumptions])
        scale = np.array([each.load_scale for each in assumptions])[chosen]
        capacity = form.capacity_ah * np.array([each.capacity_scale for each in assumptions])[chosen]
        drawn = 0.0 if count.drawn is None else used_ah(form, count.drawn.current_a, count.drawn.duration_h)
        per_hour = used_ah(form, load.current_a * scale[:, None], load.duration_h) / load.hours
        beyond = np.maximum(load.mean_a * scale / form.fast_a, 1.0)
        per_hour *= beyond ** ((growth - 1) * (form.k - 1))
        level[chosen] = start[chosen] - (drawn - doubt_ah[chosen]) / capacity
        slope[chosen] = per_hour / capacity
    none = np.zeros_like(start)
    return np.full_like(start, np.inf), level, slope, none, none
