"""When a machine stands and when it is driven: the current that counts as rest, and the part between loads."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats, Series

SMOOTHED = 5
"""Samples of which the mean has to be above the limit, so that one odd sample is no load."""
MIN_CURRENT_A = 0.2
LOADED = 2.0
"""A current above this many rest thresholds is load."""
RATED_SHARE = 0.01
"""Of the rated-rate current: below it a battery counts as at rest. Our own choice, with LEAST_CURRENT_A."""


def rest_threshold_a(rated_current_a: float | None, sensor: SensorError) -> float:
    """Mean |I| below which the battery counts as at rest, widened by what the sensor cannot distinguish from zero."""
    base = max(MIN_CURRENT_A, RATED_SHARE * (rated_current_a or 0.0))
    return base + (sensor.offset_u or 0.0) + (sensor.noise or 0.0) + (sensor.resolution or 0.0)


def run_rest_threshold_a(run: Run, si_name: str = "battery_current_a") -> float:
    """The same for one current of a run, from what its machine file declares about battery and sensor."""
    battery = run.machine.battery if run.machine else None
    return rest_threshold_a(battery.rated_current_a if battery else None, run.sensor(si_name))


def driven_part(run: Run, current: Series) -> slice:
    """Samples from the first to the last load; everything where nothing counts as rest."""
    limit = LOADED * run_rest_threshold_a(run)
    samples = len(current.value)
    # The two ends are mostly enough; the whole is searched only where they are not.
    for stretch in (min(1 << 16, samples), samples):
        head, tail = _loaded(current.value[:stretch], limit), _loaded(current.value[samples - stretch :], limit)
        if stretch == samples and len(head) < 2:
            return slice(None)
        # At the cut ends the means lack samples: what appears there is not the first or the last load.
        first = int(head[0]) if len(head) else stretch
        last = int(tail[-1]) if len(tail) else -1
        if stretch == samples or (first < stretch - SMOOTHED and last >= SMOOTHED and 2 * stretch < samples):
            return slice(first, samples - stretch + last + 1)
    raise AssertionError("the last stretch is the whole")


def _loaded(value: Floats, limit_a: float) -> npt.NDArray[np.int64]:
    """Where the mean |i| of a few samples is above a limit."""
    width = min(SMOOTHED, len(value))
    return np.flatnonzero(np.convolve(np.abs(value), np.ones(width) / width, "same") > limit_a)
