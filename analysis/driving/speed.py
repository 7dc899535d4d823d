"""How fast the machine drove on average, for a forecast of distance. docs/methods.md."""

from __future__ import annotations

import numpy as np

from amptally.analysis.laps.laps import Laps
from amptally.analysis.quality.wheel_counts import CountSteps, most_counts_per_s
from amptally.analysis.results.estimate import Estimate, estimate
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import driven_part

DISTANCE_U = 0.02
"""1 σ, relative, of a wheel's diameter under load and of a lap's length. Our own choice."""


def _driven_s(run: Run) -> tuple[float, float]:
    """Run times of the first and the last load; the whole run where they are not known."""
    current = run.smooth("battery_current_a")
    if current is None or len(current.time_s) < 2:
        return run.start_s, run.end_s
    stretch = current.time_s[driven_part(run, current)]
    return float(stretch[0]), float(stretch[-1])


def mean_speed(run: Run, laps: Laps) -> Estimate | None:
    """Mean speed of the driven part [m/s], from wheel counts, else from laps of known length; None without either."""
    machine = run.machine
    if machine is None:
        return None
    names = [f"{side}_wheel_count" for side in SIDES]
    per_count = machine.metres_per_count
    if per_count is not None and all(run.has(name) for name in names):
        begin, end = _driven_s(run)
        counts = 0.0
        for name in names:
            wheel = CountSteps(most_counts_per_s(machine))
            for part in run.stretches(name):
                first, last = np.searchsorted(part.time_s, begin), np.searchsorted(part.time_s, end, "right")
                counts += float(wheel.of(part.time_s[first:last], part.value[first:last]).sum())
        metres, seconds = counts / 2 * per_count, end - begin
        if seconds > 0 and metres > 0:
            terms: dict[str, float | None] = {
                "wheel diameter under load": DISTANCE_U * metres / seconds,
                "one count": per_count / seconds,
            }
            return estimate(metres / seconds, "m/s", terms, note=Reason("speed_by_wheels"))
    if machine.lap and machine.lap.length_m and laps.each:
        metres = machine.lap.length_m * len(laps.each)
        seconds = sum(lap.end_s - lap.start_s for lap in laps.each)
        return estimate(
            metres / seconds, "m/s", {"lap length": DISTANCE_U * metres / seconds}, note=Reason("speed_by_laps")
        )
    return None
