"""What the machine was commanded to do at a moment. docs/methods.md, Commands."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from amptally.analysis.controller.command import Commands, read_commands
from amptally.analysis.driving.stall import Stall, length
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run

SPLIT_SHARE = 0.35
"""The two sides differ by this share of the larger one: turning."""
MOMENTS = 21
"""The commands of a window are read at this many moments."""


def commanded(run: Run, at_s: float, width_s: float, stalls: Iterable[Stall]) -> Reason | None:
    """The manoeuvre in a window, such as `turning`; None where pulses or their mixing are not known.

    A wheel stood still where the report's `stalls` fill more than half of the window.
    """
    commands = read_commands(run)
    if not isinstance(commands, Commands):
        return None
    moments = np.linspace(at_s, at_s + width_s, MOMENTS)
    lost = commands.lost_at(moments)
    if lost.mean() > 0.5:
        return Reason("without_pulses")
    left, right = (float(np.median(commands.at(side, moments)[~lost])) for side in SIDES)
    dead = commands.dead
    if max(abs(left), abs(right)) < dead:
        return Reason("sticks_at_rest")
    stood = [side for side in SIDES if _stood(side, at_s, width_s, stalls)]
    if stood:
        counted = any(run.has(f"{side}_wheel_count") for side in SIDES)
        return Reason("wheels_standing", sides=tuple(stood), seen_by="pickups" if counted else "current")
    if left * right < 0 and min(abs(left), abs(right)) > dead:
        return Reason("turning_on_the_spot", side="right" if left > right else "left")
    if abs(left - right) > SPLIT_SHARE * max(abs(left), abs(right)):
        return Reason("turning", side="right" if left > right else "left")
    return Reason("reversing") if left + right < 0 else Reason("straight_ahead")


def _stood(side: str, at_s: float, width_s: float, stalls: Iterable[Stall]) -> bool:
    inside = [(max(each.start_s, at_s), min(each.end_s, at_s + width_s)) for each in stalls if each.side == side]
    return length([(start, end) for start, end in inside if start < end]) > 0.5 * width_s
