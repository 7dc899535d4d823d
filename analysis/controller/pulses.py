"""Channels that change in steps, as their changes: pulses and running counts of a long run in little memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Flags, Floats, Series, run_to_end

STEP_CHANNELS = ("mark", "pulse_a_us", "pulse_b_us", "left_wheel_count", "right_wheel_count")
"""Channels that change in steps."""
LONG_RUN_ROWS = 200_000
"""From this many samples on, changes and means are used instead of samples."""


def changes_of(run: Run, si_name: str) -> Series | None:
    """A channel's samples; of a long run only those with a new value, those beside a gap, and both ends.

    They give the same value at every moment, and the same sampled time, as all samples.
    """
    if run.rows < LONG_RUN_ROWS:
        return run.series(si_name)
    if ("changes", si_name) not in run.cache:
        run_to_end(changes_pass(run, si_name))
    found = run.cache["changes", si_name]
    assert found is None or isinstance(found, Series)
    return found


def changes_pass(run: Run, si_name: str) -> Iterator[None]:
    """Find the changes of a channel, one block per step; see `Run.run_passes`."""
    times: list[Floats] = []
    values: list[Floats] = []
    gaps: list[Flags] = []
    for part in run.blocks(si_name):
        if part is not None:
            found = sparse(part)
            start = min(len(times), 1)  # every block begins with the last sample of the one before
            times.append(found.time_s[start:])
            values.append(found.value[start:])
            gaps.append(found.gap_after)
        yield
    whole = None
    if times:
        whole = Series(np.concatenate(times), np.concatenate(values), np.concatenate(gaps), run.interval_s)
    run.cache["changes", si_name] = whole


def sparse(series: Series) -> Series:
    """The samples with a new value, those beside a gap, the first and the last."""
    keep = np.ones(len(series.value), bool)
    np.not_equal(series.value[1:-1], series.value[:-2], out=keep[1:-1])
    beside = np.flatnonzero(series.gap_after)
    keep[beside] = keep[beside + 1] = True
    at = np.flatnonzero(keep)
    return Series(series.time_s[at], series.value[at], series.gap_after[at[:-1]], series.interval_s)


def held(time_s: Floats, value: Floats, moments_s: Floats) -> Floats:
    """The last value at or before each moment, the first one before them all."""
    if time_s is moments_s:
        return value
    if len(time_s) < len(moments_s) and (moments_s[1:] >= moments_s[:-1]).all():
        # Each of the few values is repeated for the moments that it lasts.
        first = np.searchsorted(moments_s, time_s[1:])
        return np.repeat(value, np.diff(first, prepend=0, append=len(moments_s)))
    return np.asarray(value[np.clip(np.searchsorted(time_s, moments_s, "right") - 1, 0, len(value) - 1)])


def course_of(run: Run, si_name: str) -> Series | None:
    """A channel's samples, or of a long run its means over about 20 ms."""
    return run.smooth(si_name) if run.rows >= LONG_RUN_ROWS else run.series(si_name)
