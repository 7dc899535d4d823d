"""What is known of a sensor's errors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SensorError:
    """What the machine file declares of one sensor, 1 σ, SI; None where it is silent."""

    offset_u: float | None = None
    gain_u: float | None = None
    delay_u: float | None = None
    noise: float | None = None
    resolution: float | None = None
    full_scale: float | None = None
    bandwidth_hz: float | None = None
    averages: bool = False
    """Each sample is the mean over the interval before it."""


def board_terms(
    board: Mapping[str, object] | None, column: str, si_per_step: float
) -> tuple[float | None, float | None]:
    """Full scale [SI] and filter corner [Hz] of a column's sensor as the board's own descriptor gives them."""
    full_scale = corner_hz = None
    described = (board or {}).get("channels")
    for entry in described if isinstance(described, list) else ():
        if isinstance(entry, dict) and entry.get("channel") == column:
            scale, corner = entry.get("full_scale"), entry.get("corner_mhz")
            if isinstance(scale, int) and scale > 0:
                full_scale = scale * si_per_step
            if isinstance(corner, int) and corner > 0:
                corner_hz = corner / 1000
    return full_scale, corner_hz
