"""Steps of a wheel's running count that no wheel of this machine can make: one wrong number, not a distance."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats
from amptally.logger.machine.description import Machine

OVERSPEED = 2.0
"""A wheel turns at most this many times as fast as its motor without load: a full battery, downhill. Our own choice."""
STATED_M_S = 15.0
"""Speed that no machine of this kind reaches, where the machine file does not give the motor's. Our own choice."""
POLL_S = 1.0
"""A board may read its pickup this rarely: counts of so long may arrive in one step. Our own choice."""
SLACK_COUNTS = 2.0
"""Counts that one interval may hold beyond that, as edges and samples fall. Our own choice."""


def most_counts_per_s(machine: Machine | None) -> float:
    """Maximum counts per second of one wheel: by the motor's speed, else by a stated speed; infinite without either."""
    if machine is None:
        return math.inf
    rpm = machine.motor.rpm if machine.motor else None
    if rpm and machine.gear_ratio and machine.wheel_counts_per_rev:
        return OVERSPEED * rpm / 60 / machine.gear_ratio * machine.wheel_counts_per_rev
    return STATED_M_S / machine.metres_per_count if machine.metres_per_count else math.inf


class CountSteps:
    """Steps of one running count, stretch by stretch, each beginning with the last sample of the one before."""

    def __init__(self, most_per_s: float) -> None:
        self.impossible = 0
        """Steps too large so far."""
        self.largest = 0.0
        """The largest of them [counts]."""
        self._most_per_s = most_per_s
        self._changed_s: float | None = None
        """When the count last changed."""

    def of(self, time_s: Floats, count: Floats) -> Floats:
        """Counts in each interval, shape (n − 1,): 0 where the count falls, which is a restart, or rises impossibly."""
        step = np.diff(count)
        at = np.flatnonzero(step)
        if not len(at):
            return step
        before_s = np.concatenate(([time_s[0] if self._changed_s is None else self._changed_s], time_s[at[:-1] + 1]))
        since_s = np.minimum(time_s[at + 1] - before_s, POLL_S)
        allowed = self._most_per_s * np.maximum(since_s, time_s[at + 1] - time_s[at]) + SLACK_COUNTS
        wrong = at[step[at] > allowed]
        if len(wrong):
            self.impossible += len(wrong)
            self.largest = max(self.largest, float(step[wrong].max()))
        self._changed_s = float(time_s[at[-1] + 1])
        step[wrong] = 0.0
        return np.maximum(step, 0.0, out=step)


def wheel_count_jumps(run: Run) -> Iterator[Doubt]:
    """A doubt about each wheel whose count makes impossible steps."""
    for side in SIDES:
        channel = f"{side}_wheel_count"
        if not run.has(channel):
            continue
        steps = run.cached(CountSteps, ("count steps", channel), count_steps_pass(run, channel))
        if steps.impossible:
            most = most_counts_per_s(run.machine)
            reason = Reason(
                "wheel_count_jump",
                "caution",
                channel=channel,
                steps=steps.impossible,
                largest_counts=steps.largest,
                most_per_s=most,
            )
            yield Doubt(reason, (channel,))


def count_steps_pass(run: Run, channel: str) -> Iterator[None]:
    """Judge the steps of a wheel's count, one block per step; see `Run.run_passes`."""
    steps = CountSteps(most_counts_per_s(run.machine))
    for part in run.blocks(channel):
        if part is not None:
            steps.of(part.time_s, part.value)
        yield
    run.cache["count steps", channel] = steps
