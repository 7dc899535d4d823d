"""The air at the fuses as a run measured it. docs/methods.md, Fuse margin."""

from __future__ import annotations

import math

from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import COVERAGE_FACTOR
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run

CHANNEL = "fuse_temp_c"


def measured_air_c(run: Run, doubts: Doubts) -> float | None:
    """The hottest air at the fuses [°C], at the high end of what its sensor may be wrong by.

    None where it was not measured, or where anything speaks against the channel: what the machine file says counts.
    """
    found, sensor = run.extremes(CHANNEL), run.sensor(CHANNEL)
    if found is None or any(CHANNEL in doubt.channels for doubt in doubts.doubts):
        return None
    error_c = math.hypot(sensor.offset_u or 0.0, (sensor.gain_u or 0.0) * abs(found.maximum))
    return found.maximum + COVERAGE_FACTOR * error_c


def air_reason(air_c: float) -> Reason:
    """What the rule of a fuse and a wire says of measured air."""
    return Reason("fuse_air_measured", air_c=air_c)
