"""What a machine file lets be said of a fuse: whether the sensor sees its current, and what its rating is worth.

The report and the alarms while recording both decide by these two functions; each has its own words for the codes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from amptally.analysis.results.leads import ASSUMED_LEG, LEAD_OF
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
    """The air at the fuse."""
    position: str | None = None
    """Where the fuse sits: supply_leg, motor_lead or unknown; not asked of the main fuse."""
    sensed: str | None = None
    """Where the controller's currents are measured, in the same words."""
    capacitors: str | None = None
    """Where the controller's input capacitors sit, seen from the fuse: load_side, battery_side or unknown."""

    @property
    def who(self) -> str:
        """How findings name it."""
        return f"{self.place.capitalize()} fuse"

    @property
    def air_c(self) -> float:
        """The air at the fuse, or what it is taken to be."""
        return DEFAULT_AMBIENT_C if self.ambient_assumed else self.ambient_c or 0.0

    @property
    def ambient_assumed(self) -> bool:
        """The machine file does not give a temperature that could be used."""
        return self.ambient_c is None or not math.isfinite(self.ambient_c)

    @property
    def lead(self) -> str:
        """The lead whose current it carries."""
        return LEAD_OF[self.place]


@dataclass(frozen=True, slots=True)
class SensorPlace:
    """Whether the sensor of a fuse's lead sees the fuse's current."""

    code: Literal["seen", "assumed", "unknown", "differs"]
    """assumed: seen if both sit in the supply leg, as is usual; differs: the sensor is in the other lead."""
    position: str
    """Where the fuse sits, or is taken to sit."""
    sensed: str
    """Likewise the sensor."""
    missing: tuple[str, ...]
    """Fields of the machine file that do not say it."""

    @property
    def sees(self) -> bool:
        """The sensor's current is the fuse's."""
        return self.code in ("seen", "assumed")


def sensor_place(place: str, position: str | None, sensed: str | None) -> SensorPlace:
    """Judge `fuse.<place>.position` against `controller.sensed`; the battery's sensor always sees the main fuse."""
    at, by = position or ASSUMED_LEG, sensed or ASSUMED_LEG
    if place == "main":
        return SensorPlace("seen", at, by, ())
    asked = {f"fuse.{place}.position": position, "controller.sensed": sensed}
    missing = tuple(name for name, value in asked.items() if value is None)
    if "unknown" in (at, by):
        return SensorPlace("unknown", at, by, missing)
    if at != by:
        return SensorPlace("differs", at, by, missing)
    return SensorPlace("assumed" if missing else "seen", at, by, missing)


@dataclass(frozen=True, slots=True)
class UsableRating:
    """What a fuse carries for good in the air around it, or why that is not known."""

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
