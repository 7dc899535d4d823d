"""Whether the battery was on a charger: the one answer for driving, laps and the report. docs/methods.md, Charging."""

from __future__ import annotations

import numpy as np

from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.standing import run_rest_threshold_a

MIN_CHARGE_S = 120.0
"""Current flows into the battery for so long without a break: no braking lasts as long. Our own choice."""
CHARGING_SHARE = 0.01
"""Where less than this share of what came back went out, the run is one of charging. Our own choice."""


def on_charger(run: Run) -> Reason | None:
    """Why what flows into the battery is not what braking gave back; None where it may be.

    `alone`: hardly anything was drawn, so that nothing was driven. A charger that pulses breaks off all the time: then
    `MIN_CHARGE_S` in all count, where hardly anything was drawn.
    """
    key = ("on charger", "")
    if key not in run.cache:
        run.cache[key] = _find(run)
    found = run.cache[key]
    return found if isinstance(found, Reason) else None


def _find(run: Run) -> Reason | None:
    series = run.smooth("battery_current_a")
    if series is None or len(series.time_s) < 2:
        return None
    threshold_a = run_rest_threshold_a(run, "battery_current_a")
    into = series.value < -threshold_a
    sampled_s = np.where(series.gap_after, 0.0, np.diff(series.time_s))
    step_s = np.where(into[1:] & into[:-1], sampled_s, 0.0)
    total_s = np.concatenate(([0.0], np.cumsum(step_s)))
    # Time into the battery since the last moment at which it broke off.
    broken = np.concatenate(([True], step_s == 0))
    longest_s = float((total_s - np.maximum.accumulate(np.where(broken, total_s, 0.0))).max())
    in_as = float(sampled_s @ np.maximum(-series.value[:-1], 0.0))
    drawn_a = np.where(series.value[:-1] > threshold_a, series.value[:-1], 0.0)
    out_as = float(sampled_s @ drawn_a)
    alone = out_as < CHARGING_SHARE * in_as
    if longest_s < MIN_CHARGE_S and not (alone and total_s[-1] >= MIN_CHARGE_S):
        return None
    return Reason("battery_charged", longest_s=longest_s, charged_s=float(total_s[-1]), alone=alone)
