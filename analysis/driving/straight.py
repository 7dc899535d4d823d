"""How both sides share the load straight ahead. docs/methods.md, Drive.

Over a whole drive the shares say more about its way than about the machine: on a circuit the outer wheel works more.
Straight ahead both sides should draw alike, whatever the way.
"""

from __future__ import annotations

import math

import numpy as np

from amptally.analysis.controller.command import Commands
from amptally.analysis.controller.pulses import course_of
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import COVERAGE_FACTOR
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Flags, Floats, together

ALIKE = 0.05
"""Commands of both sides that differ by less are straight ahead."""
MIN_COMMAND = 0.1
SETTLED_S = 1.0
"""Straight ahead for this long, before a moment counts."""
MIN_STRAIGHT_S = 10.0
EVEN = (0.46, 0.54)
"""Shares of the left side that are not remarked on: common practice, no source."""


def straight_mask(commands: Commands, time_s: Floats) -> Flags:
    """Which moments, shape (n,), have been commanded straight ahead for `SETTLED_S`."""
    left, right = (commands.at(side, time_s) for side in SIDES)
    apart = (np.abs(left - right) >= ALIKE) | (left + right < 2 * MIN_COMMAND)
    last = np.maximum.accumulate(np.where(apart, time_s, time_s[0]))
    return np.asarray(~apart & (time_s - last >= SETTLED_S))


def uneven_sides(run: Run, commands: Commands | Reason, doubts: Doubts) -> Reason | None:
    """The finding that one side draws clearly more than the other straight ahead; None where not, or not known."""
    channels = [f"{side}_current_a" for side in SIDES]
    if not isinstance(commands, Commands) or any(doubts.against((name, "channel_charge")) for name in channels):
        return None
    left, right = (course_of(run, name) for name in channels)
    if left is None or right is None:
        return None
    time_s, left_a, right_a, gap_after = together(left, right)
    if len(time_s) < 2:
        return None
    weights_s = np.where(gap_after | ~straight_mask(commands, time_s)[:-1], 0.0, np.diff(time_s))
    straight_s = float(weights_s.sum())
    if straight_s < MIN_STRAIGHT_S:
        return None
    means_a = [abs(float(weights_s @ amps[:-1])) / straight_s for amps in (left_a, right_a)]
    whole_a = sum(means_a)
    if whole_a == 0:
        return None
    share = means_a[0] / whole_a
    errors_a = [
        math.hypot((run.sensor(name).gain_u or 0.0) * mean_a, run.sensor(name).offset_u or 0.0)
        for name, mean_a in zip(channels, means_a, strict=True)
    ]
    # dL/(L + R) = (R dL − L dR)/(L + R)²
    half = COVERAGE_FACTOR * math.hypot(means_a[1] * errors_a[0], means_a[0] * errors_a[1]) / whole_a**2
    if EVEN[0] <= share <= EVEN[1] or abs(share - 0.5) <= half:
        return None
    return Reason("sides_uneven", "note", left_share=share, half_width=half, straight_s=straight_s)
