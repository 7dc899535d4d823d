"""The most that a lead may carry at each moment by what was commanded then. docs/methods.md, Fuse margin.

At duty d a motor of resistance R that turns with the voltage E of its own carries (dV − E)/R, and its supply the share
d of that: a command of small duty gives no stall current. E is no more than the largest command of the last seconds,
of the same direction where the motor brakes and of the other one where it is reversed.
"""

from __future__ import annotations

import numpy as np

from amptally.analysis.controller.command import CELL_S, read_commands
from amptally.analysis.controller.duty import RAMP_S
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Floats, Run

COASTING_S = 3.0
"""A motor has stopped this long after the last command that drove it. Our own choice."""


def most_by_command_a(run: Run, spec: FuseSpec, stall_a: float, time_s: Floats) -> Floats | None:
    """Limit [A] of a lead in the interval before each moment, shape (n,), from the motor's stall current at full duty.

    None where the commands are not known, where the machine file says that a command sets no voltage, or for a run too
    long to follow them.
    """
    controller = run.machine.controller if run.machine else None
    if controller is None or run.long or controller.command_sets in ("current", "unknown"):
        return None
    commands = read_commands(run)
    if isinstance(commands, Reason):
        return None
    ramp_s = RAMP_S if controller.ramp_s is None else controller.ramp_s
    step_s = np.diff(time_s, prepend=time_s[:1])
    # What holds for the interval before a moment reaches one interval further back, and to the frame that follows.
    back_s = ramp_s + float(step_s.max())
    total_a = np.zeros(len(time_s))
    for side in SIDES if spec.place == "main" else (spec.lead,):
        low, high = commands.envelope(side, time_s + CELL_S, back_s + CELL_S)
        low_before, high_before = commands.envelope(side, time_s + CELL_S, back_s + CELL_S + COASTING_S)
        ahead, back = (np.clip(each + commands.doubt, 0.0, 1.0) for each in (high, -low))
        was_ahead, was_back = (np.clip(each + commands.doubt, 0.0, 1.0) for each in (high_before, -low_before))
        duty = np.maximum(ahead, back)
        volts = np.maximum(np.maximum(ahead + was_back, back + was_ahead), np.maximum(was_ahead, was_back))
        total_a += stall_a * volts * (1.0 if spec.position == "motor_lead" else duty)
    unknown_s = commands.time_s[:-1][commands.gap_after], commands.time_s[1:][commands.gap_after]
    for from_s, to_s in zip(*unknown_s, strict=True):
        near = (time_s >= from_s) & (time_s <= to_s + back_s + COASTING_S)
        total_a[near] = np.inf
    return total_a
