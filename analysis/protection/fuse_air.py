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
    return highest_air_c(found.maximum, sensor.offset_u, sensor.gain_u)


def highest_air_c(read_c: float, offset_u: float | None, gain_u: float | None) -> float:
    """A reading [°C] at the high end of what its sensor may be wrong by."""
    return read_c + COVERAGE_FACTOR * math.hypot(offset_u or 0.0, (gain_u or 0.0) * abs(read_c))


def air_reason(air_c: float) -> Reason:
    """What the rule of a fuse and a wire says of measured air."""
    return Reason("fuse_air_measured", air_c=air_c)
