"""Whether the sensor of a motor channel's current sees the current of that channel's fuse: one rule for all who ask."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ASSUMED_LEG = "supply_leg"
"""Where fuses and the sensors of both channels are assumed to sit if the machine file does not say. As is usual."""


@dataclass(frozen=True, slots=True)
class SensorPlace:
    """Where a fuse and the sensor of its lead sit, and what follows."""

    code: Literal["seen", "assumed", "unknown", "differs"]
    """assumed: seen, if what the file leaves out sits in the supply leg. differs: the sensor is in the other lead."""
    position: str
    """Where the fuse sits, or is assumed to sit: supply_leg, motor_lead or unknown."""
    sensed: str
    """Likewise the sensor."""
    missing: tuple[str, ...]
    """Fields of the machine file that do not say it."""

    @property
    def sees(self) -> bool:
        """The sensor's current is the fuse's."""
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
