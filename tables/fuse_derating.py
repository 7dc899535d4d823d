"""What a fuse carries for good in warm air: by its own family's table, else by the steepest slope that any table has.

One body's derating is held (large blade, a maker's sheet, second-hand). Of the others none is published here; how much
warm air takes off them is not known, so that the steepest stretch of the known table is taken for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from amptally.tables.fuse_families import FAMILIES
from amptally.tables.fuse_opening_times import FuseTable

RATED_C = 20.0
"""Air up to which the known table takes nothing off."""
ROOM_C = 25.0
"""Up to here a rating stands as printed within what its own test allows: ISO 8820 rates fuses at 23 ± 5 °C (from
memory)."""


@dataclass(frozen=True, slots=True)
class UsableShare:
    """Share of its rating that a fuse carries for good."""

    fraction: float
    borrowed: bool = False
    """The family has no table: the steepest known slope was taken."""
    at_most: bool = False
    """It may carry less: in air above room temperature nothing bounds what a borrowed slope leaves."""


def steepest_slope_per_k() -> float:
    """Largest share of the rating lost per kelvin in any stretch of any family's table."""
    tables = [table.derating for family in FAMILIES.values() for table in family.tables if table.derating]
    return max(
        (cool.fraction - warm.fraction) / (warm.ambient_c - cool.ambient_c)
        for steps in tables
        for cool, warm in pairwise(steps)
    )


def last_known_c() -> float:
    """Where the known tables end [°C]."""
    steps = (table.derating for family in FAMILIES.values() for table in family.tables if table.derating)
    return max(each[-1].ambient_c for each in steps)


def usable_share(table: FuseTable, air_c: float) -> UsableShare | None:
    """Share of the rating in air of `air_c` [°C], straight between published steps.

    None above the last temperature of the fuse's table, or of any known one.
    """
    steps = table.derating
    if not steps:
        if air_c > last_known_c():
            return None
        return UsableShare(1 - steepest_slope_per_k() * max(air_c - RATED_C, 0.0), air_c > RATED_C, air_c > ROOM_C)
    if air_c <= steps[0].ambient_c:
        return UsableShare(steps[0].fraction)
    for cool, warm in pairwise(steps):
        if air_c <= warm.ambient_c:
            share = (air_c - cool.ambient_c) / (warm.ambient_c - cool.ambient_c)
            return UsableShare(cool.fraction + share * (warm.fraction - cool.fraction))
    return None
