"""What the machine was asked to do at a moment, in a few words. docs/methods.md, Commands."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from amptally.analysis.controller.command import Commands, read_commands
from amptally.analysis.driving.stall import Stall, length
from amptally.analysis.results.leads import SIDES
from amptally.analysis.runs.run import Run

SPLIT_SHARE = 0.35
"""The two sides differ by this share of the greater one: turning."""
MOMENTS = 21
"""At which the commands of a window are read."""


def commanded(run: Run, at_s: float, width_s: float, stalls: Iterable[Stall]) -> str | None:
    """A few words for the window, such as "while turning left"; None where pulses or their mixing are not known.

    A wheel stood still where the report's `stalls` fill more than half of the window and its own pickup told so.
    """
    commands = read_commands(run)
    if not isinstance(commands, Commands):
        return None
    moments = np.linspace(at_s, at_s + width_s, MOMENTS)
    lost = commands.lost_at(moments)
    if lost.mean() > 0.5:
        return "without command pulses"
    left, right = (float(np.median(commands.at(side, moments)[~lost])) for side in SIDES)
    dead = commands.dead
    if max(abs(left), abs(right)) < dead:
        return "with the sticks at rest"
    stood = [side for side in SIDES if run.has(f"{side}_wheel_count") and _stood(side, at_s, width_s, stalls)]
    if stood:
        return f"while the {' and '.join(stood)} wheel{'s' if len(stood) > 1 else ''} stood still under command"
    if left * right < 0 and min(abs(left), abs(right)) > dead:
        return f"while turning on the spot to the {'right' if left > right else 'left'}"
    if abs(left - right) > SPLIT_SHARE * max(abs(left), abs(right)):
        return f"while turning {'right' if left > right else 'left'}"
    return "while reversing" if left + right < 0 else "while driving straight ahead"


def _stood(side: str, at_s: float, width_s: float, stalls: Iterable[Stall]) -> bool:
    inside = [(max(each.start_s, at_s), min(each.end_s, at_s + width_s)) for each in stalls if each.side == side]
    return length([(start, end) for start, end in inside if start < end]) > 0.5 * width_s
