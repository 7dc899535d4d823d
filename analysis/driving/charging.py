"""Whether the battery was on a charger. docs/methods.md, Drive."""

from __future__ import annotations

import numpy as np

from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import run_rest_threshold_a

MIN_CHARGE_S = 120.0
"""Current flows into the battery for so long without a break: no braking lasts as long. Our own choice."""


def on_charger(run: Run) -> Reason | None:
    """Why what flows into the battery is not what braking gave back; None where it may be."""
    series = run.smooth("battery_current_a")
    if series is None or len(series.time_s) < 2:
        return None
    into = series.value < -run_rest_threshold_a(run, "battery_current_a")
    step_s = np.where(into[1:] & into[:-1] & ~series.gap_after, np.diff(series.time_s), 0.0)
    total_s = np.concatenate(([0.0], np.cumsum(step_s)))
    # Time into the battery since the last moment at which it broke off.
    broken = np.concatenate(([True], step_s == 0))
    longest_s = float((total_s - np.maximum.accumulate(np.where(broken, total_s, 0.0))).max())
    return Reason("battery_charged", longest_s=longest_s) if longest_s >= MIN_CHARGE_S else None
