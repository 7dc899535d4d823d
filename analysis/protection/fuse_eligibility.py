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
from amptally.tables.fuse_derating import UsableShare, usable_share
from amptally.tables.fuse_families import FAMILIES, fuse_table
from amptally.tables.fuse_opening_times import FuseTable

DEFAULT_AMBIENT_C = 25.0


@dataclass(frozen=True, slots=True)
class FuseSpec:
    """One fuse as the machine file describes it; None where it says nothing."""

    place: str
    """main, left or right."""
    family: str | None
    rating_a: float | None
    ambient_c: float | None = None
    """Air at the fuse [°C], as the machine file says."""
    position: str | None = None
    """Where the fuse sits: supply_leg, motor_lead or unknown; not asked of the main fuse."""
    sensed: str | None = None
    """Where the controller's currents are measured, in the same words."""
    capacitors: str | None = None
    """Where the controller's input capacitors sit, seen from the fuse: load_side, battery_side or unknown."""
    measured_c: float | None = None
    """Air at the fuse [°C] as a run measured it; it counts before what the machine file says."""

    @property
    def air_c(self) -> float:
        """Air at the fuse [°C]: measured, else stated, else assumed."""
        if self.measured_c is not None:
            return self.measured_c
        return DEFAULT_AMBIENT_C if self.ambient_assumed else self.ambient_c or 0.0

    @property
    def ambient_assumed(self) -> bool:
        """Nothing was measured, and the machine file does not give a temperature that could be used."""
        return self.measured_c is None and (self.ambient_c is None or not math.isfinite(self.ambient_c))

    @property
    def lead(self) -> str:
        """The lead whose current it carries: battery, left or right."""
        return LEAD_OF[self.place]

    @property
    def sensor(self) -> SensorPlace:
        """Whether the sensor of that lead sees the fuse's current."""
        return sensor_place(self.place, self.position, self.sensed)


def fuse_specs(machine: Machine | None, measured_c: float | None = None) -> dict[str, FuseSpec]:
    """The fuses that a machine file names, by place, main first; none without a machine file.

    `measured_c` is the air at the fuses [°C] where a run measured it.
    """
    if machine is None:
        return {}
    sensed = machine.controller.sensed if machine.controller else None
    return {
        place: FuseSpec(
            place, fuse.family, fuse.rating_a, fuse.ambient_c, fuse.position, sensed, fuse.capacitors, measured_c
        )
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
    """The rating in the air at the fuse."""
    share: UsableShare | None = None
    """What was taken off it, and by which table."""


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
    share = usable_share(table, fuse.air_c)
    if share is None:
        return UsableRating("ambient_beyond", fuse.rating_a, table, None)
    return UsableRating("known", fuse.rating_a, table, fuse.rating_a * share.fraction, share)
