"""Whether the current sensor of a motor channel measures the current in that channel's fuse: the one rule for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ASSUMED_LEG = "supply_leg"
"""Assumed position of the fuses and of both current sensors if the machine file gives none; the usual one."""


@dataclass(frozen=True, slots=True)
class SensorPlace:
    """Positions of a fuse and of the sensor of its lead, and what follows."""

    code: Literal["seen", "assumed", "unknown", "differs"]
    """assumed: seen, with the supply leg for positions not given. differs: the sensor is in the other lead."""
    position: str
    """Position of the fuse, given or assumed: supply_leg, motor_lead or unknown."""
    sensed: str
    """Likewise the sensor."""
    missing: tuple[str, ...]
    """Fields of the machine file that are not given."""

    @property
    def sees(self) -> bool:
        """Whether the sensor measures the fuse's current."""
        return self.code in ("seen", "assumed")


def sensor_place(place: str, position: str | None, sensed: str | None) -> SensorPlace:
    """Compare `fuse.<place>.position` with `controller.sensed`; the battery's sensor always sees the main fuse."""
    at, by = position or ASSUMED_LEG, sensed or ASSUMED_LEG
    if place == "main":
        return SensorPlace("seen", at, by, ())
    fields = {f"fuse.{place}.position": position, "controller.sensed": sensed}
    missing = tuple(name for name, value in fields.items() if value is None)
    if "unknown" in (at, by):
        return SensorPlace("unknown", at, by, missing)
    if at != by:
        return SensorPlace("differs", at, by, missing)
    return SensorPlace("assumed" if missing else "seen", at, by, missing)
