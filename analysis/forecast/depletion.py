"""How a load depletes a block from here on, by Peukert's law and by the two-well models, all at once.

The available share of a block runs from 1 to 0. By Peukert's law it is the share of rated capacity that remains, each
ampere weighted by its rate; by a two-well model it is the level of the first well. Both reach 0 where the block is
exhausted at that load. Both are a straight line and at most one exponential, so that one formula with different
numbers serves every model under every assumption: arrays of shape (models, assumptions), Peukert's law in the first
row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from amptally.analysis.forecast.capacity_models import CapacityModels
from amptally.analysis.forecast.kibam import KineticModel, level_difference_ah
from amptally.analysis.forecast.load_profile import LoadProfile
from amptally.analysis.forecast.peukert import used_ah

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Assumption:
    """One combination of what is not known; the default is the central one."""

    capacity_scale: float = 1.0
    """Capacity of the blocks over the sheet's at 25 °C."""
    start_side: int = 0
    """−1 low end of the start charge, 0 its value, 1 its high end."""
    drawn_side: int = 0
    """−1 more charge drawn than measured (1.96 σ), 1 less."""
    load_scale: float = 1.0
    """Load to come over the load of the run."""
    rate_side: int = 0
    """Side of Peukert's law: −1 low charge at a high rate, 1 high."""
    voltage_side: int = 0
    """−1 low end of the rest-voltage chart, 1 high end."""
    ohm_side: int = 0
    """−1 high end of the resistance, 1 low end (the sides are those of the forecast)."""
    rise_side: int = 0
    """How far resistance rises towards empty: −1 far, 1 not at all."""
    trip_side: int = 0
    """What a cut-off responds to: −1 the largest 1 s RMS, 0 the largest 10 s RMS, 1 the mean current."""
    time_scale: float = 1.0
    """Part of it that holds at every current alike, as a sheet's tolerance does: such a block lasts so many times as
    long at each, and its wells equalise so much more slowly. What is left over, as wear, is size alone."""


@dataclass(frozen=True, slots=True)
class BlockCharge:
    """What was drawn from one block and what will be."""

    start_fraction: tuple[float, float, float]
    """Charge at the start of the run: low, value, high, 0..1 of rated capacity."""
    drawn: LoadProfile | None
    """Current since then; None where the forecast starts there."""
    drawn_half_ah: float
    """Half-width of the 95 % interval of the drawn charge [Ah]."""
    load: LoadProfile
    """Current that is assumed to go on."""


@dataclass(frozen=True, slots=True)
class Depletion:
    """One block under a load that goes on; arrays of shape (models, assumptions), or (assumptions,)."""

    maximum: Floats
    """Upper limit of the available share: 1 by the two-well models, none by Peukert's law, which only counts."""
    level: Floats
    """Available share now."""
    slope_per_h: Floats
    """How fast the load lowers it [1/h]."""
    transient: Floats
    """How much further the first well falls until its inflow equals the load; 0 by Peukert's law."""
    equalising_per_h: Floats
    """How fast that is reached, k' [1/h]."""
    used_h: Floats
    """Hours for which the load would have to run to draw what is missing to full, by coulomb count."""

    def available(self, hours: Floats) -> Floats:
        """Available share after `hours` more of the load, shape (…, models, assumptions); below 0 once exhausted."""
        line = self.level - self.slope_per_h * hours
        return np.asarray(np.minimum(line + self.transient * np.expm1(-self.equalising_per_h * hours), self.maximum))


def deplete(models: CapacityModels, block: BlockCharge, assumptions: Sequence[Assumption]) -> Depletion:
    """Depletion of one block by Peukert's law and by each two-well model, under every assumption."""
    capacity, load_scale = (
        np.array([getattr(each, name) for each in assumptions]) for name in ("capacity_scale", "load_scale")
    )
    capacity *= models.likely.capacity_ah
    start = np.array([block.start_fraction[each.start_side + 1] for each in assumptions])
    drawn_ah = 0.0 if block.drawn is None else block.drawn.charge_ah
    doubt_ah = np.array([each.drawn_side * block.drawn_half_ah for each in assumptions])
    load_a = block.load.mean_a * load_scale
    rows = [_by_peukert(models, block, assumptions, start, doubt_ah)]
    slower, of_slower = np.unique([each.time_scale for each in assumptions], return_inverse=True)
    for well in models.kinetic:
        # The difference of levels follows the current alone, so a block of another size differs only in its charge.
        difference = np.array([_difference_ah(well, scale, block.drawn) for scale in slower.tolist()])[of_slower]
        size, k_per_h = well.qmax_ah * capacity / models.likely.capacity_ah, well.k_per_h / slower[of_slower]
        charge = np.minimum(size - (1 - start) * capacity - drawn_ah + doubt_ah, size)
        settled = load_a / (well.c * k_per_h)
        level, transient = charge - (1 - well.c) * difference, (1 - well.c) * (settled - difference)
        rows.append((np.ones_like(size), level / size, load_a / size, transient / size, k_per_h))
    maximum, level, slope, transient, equalising = (np.stack(column) for column in zip(*rows, strict=True))
    used_h = np.maximum((1 - start) * capacity + drawn_ah - doubt_ah, 0.0) / load_a
    return Depletion(maximum, level, slope, transient, equalising, used_h)


def _difference_ah(well: KineticModel, time_scale: float, drawn: LoadProfile | None) -> float:
    """Difference of the levels [Ah] after what was drawn, of wells that equalise `time_scale` times more slowly."""
    if drawn is None:
        return 0.0
    return level_difference_ah(replace(well, k_per_h=well.k_per_h / time_scale), drawn.current_a, drawn.duration_h)


def _by_peukert(
    models: CapacityModels, block: BlockCharge, assumptions: Sequence[Assumption], start: Floats, doubt_ah: Floats
) -> tuple[Floats, ...]:
    """Maximum, level, slope and no transient: what was used at a rate counts at that rate, and stays used."""
    level, slope = np.empty_like(start), np.empty_like(start)
    load = block.load
    for side in {each.rate_side for each in assumptions}:
        law = models.law(side)
        chosen = np.array([each.rate_side == side for each in assumptions])
        scale = np.array([each.load_scale for each in assumptions])[chosen]
        capacity = law.capacity_ah * np.array([each.capacity_scale for each in assumptions])[chosen]
        drawn = 0.0 if block.drawn is None else used_ah(law, block.drawn.current_a, block.drawn.duration_h)
        per_hour = used_ah(law, load.current_a * scale[:, None], load.duration_h) / load.hours
        beyond = np.maximum(load.mean_a * scale / law.fast_a, 1.0)
        per_hour *= beyond ** (models.beyond(side) - (law.k - 1))
        level[chosen] = start[chosen] - (drawn - doubt_ah[chosen]) / capacity
        slope[chosen] = per_hour / capacity
    none = np.zeros_like(start)
    return np.full_like(start, np.inf), level, slope, none, none
