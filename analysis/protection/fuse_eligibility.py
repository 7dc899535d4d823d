"""What a machine file lets be said of a fuse: whether the sensor sees its current, and what its rating is worth.

The report and the alarms while recording both decide by these functions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from amptally.analysis.results.leads import LEAD_OF, PLACES
from amptally.logger.machine.description import Machine
from amptally.logger.machine.sensor_place import SensorPlace, sensor_place
from amptally.tables.fuse_families import FAMILIES, fuse_table
from amptally.tables.fuse_opening_times import FuseTable, usable_fraction

DEFAULT_AMBIENT_C = 25.0


@dataclass(frozen=True, slots=True)
class FuseSpec:
    """One fuse as the machine file describes it; None where it says nothing."""

    place: str
    """main, left or right."""
    family: str | None
    rating_a: float | None
    ambient_c: float | None = None
    """Air at the fuse [°C]."""
    position: str | None = None
    """Where the fuse sits: supply_leg, motor_lead or unknown; not asked of the main fuse."""
    sensed: str | None = None
    """Where the controller's currents are measured, in the same words."""
    capacitors: str | None = None
    """Where the controller's input capacitors sit, seen from the fuse: load_side, battery_side or unknown."""

    @property
    def air_c(self) -> float:
        """Air at the fuse [°C], or what it is assumed to be."""
        return DEFAULT_AMBIENT_C if self.ambient_assumed else self.ambient_c or 0.0

    @property
    def ambient_assumed(self) -> bool:
        """The machine file does not give a temperature that could be used."""
        return self.ambient_c is None or not math.isfinite(self.ambient_c)

    @property
    def lead(self) -> str:
        """The lead whose current it carries: battery, left or right."""
        return LEAD_OF[self.place]

    @property
    def sensor(self) -> SensorPlace:
        """Whether the sensor of that lead sees the fuse's current."""
        return sensor_place(self.place, self.position, self.sensed)


def fuse_specs(machine: Machine | None) -> dict[str, FuseSpec]:
    """The fuses that a machine file names, by place, main first; none without a machine file."""
    if machine is None:
        return {}
    sensed = machine.controller.sensed if machine.controller else None
    return {
        place: FuseSpec(place, fuse.family, fuse.rating_a, fuse.ambient_c, fuse.position, sensed, fuse.capacitors)
        for place in PLACES
        if (fuse := machine.fuses.get(place)) is not None
    }


@dataclass(frozen=True, slots=True)
class UsableRating:
    """What a fuse carries continuously in the air around it, or why that is not known."""

    code: Literal["known", "rating_missing", "family_missing", "family_unknown", "rating_unknown", "ambient_beyond"]
    """family_unknown: no such family; rating_unknown: the family is not made in this rating."""
    rating_a: float | None
    """As printed; None where no positive number is given."""
    table: FuseTable | None
    """Published limits of this family and rating."""
    derated_a: float | None
    """The rating in the air at the fuse; the rating itself where the family has no derating table."""


def usable_rating(fuse: FuseSpec) -> UsableRating:
    """The rating of a fuse after derating; nothing raises."""
    if fuse.rating_a is None or not 0 < fuse.rating_a < math.inf:
        return UsableRating("rating_missing", None, None, None)
    if fuse.family is None:
        return UsableRating("family_missing", fuse.rating_a, None, None)
    if fuse.family not in FAMILIES:
        return UsableRating("family_unknown", fuse.rating_a, None, None)
    table = fuse_table(fuse.family, fuse.rating_a)
    if table is None:
        return UsableRating("rating_unknown", fuse.rating_a, None, None)
    fraction = usable_fraction(table, fuse.air_c)
    if fraction is None:
        return UsableRating("ambient_beyond", fuse.rating_a, table, None)
    return UsableRating("known", fuse.rating_a, table, fuse.rating_a * fraction)
