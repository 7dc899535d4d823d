"""What holds for every run file, whatever happened while it was recorded."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from amptally.analysis.runs.run import Run
from amptally.logger.channels import BY_NAME
from amptally.logger.storage.runfile import RunFile, open_run

Numbers = list[int]


def sound(path: Path) -> RunFile:
    """Check a run file: time starts at 0 and never goes back, values can be real, metadata and gaps make sense."""
    run = open_run(path)
    table = run.read(run.columns)
    time_us = table["t_us"].to_numpy()
    assert len(time_us) == run.rows > 0
    assert time_us[0] == 0
    assert (np.diff(time_us) > 0).all(), "time goes back"
    for name in run.columns:
        low, high = BY_NAME[name].valid
        column = table[name].drop_nulls()
        assert column.is_between(low, high).all(), name
    ends = -1.0
    for gap in run.metadata.gaps:
        assert gap.start_s >= ends, "gaps overlap"
        if gap.end_s is not None:
            assert gap.end_s > gap.start_s
            ends = gap.end_s
    assert all(count >= 0 for count in run.metadata.faults.values())
    assert Run.open(path).rows == run.rows  # the analysis reads it too
    return run


def numbers(run: RunFile) -> Numbers:
    """Which samples a run of a bench or live board holds: sample k has battery current k mA."""
    return [value // 1000 for value in run.read(["battery_current_ua"])["battery_current_ua"].to_list()]


def missing(found: Iterable[int], sent: int) -> int:
    """How many of the samples 0 … sent − 1 are not there. Raises AssertionError for one that never was, or is twice."""
    seen = list(found)
    assert len(set(seen)) == len(seen), "a sample twice"
    assert all(0 <= number < sent for number in seen), "a sample that never was"
    return sent - len(seen)
