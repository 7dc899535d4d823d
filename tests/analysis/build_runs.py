"""Small run files and machine descriptions for the tests of analysis."""

from __future__ import annotations

import contextlib
import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import numpy.typing as npt
import polars as pl

from amptally.analysis.laps import table as lap_table
from amptally.analysis.quality.clipping import PeakLevel, clipped_peaks
from amptally.analysis.quality.doubts import Doubt, Doubts
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs import columns, run, samples
from amptally.analysis.wording.results import refusal
from amptally.logger.channels import BY_SI_NAME, TIME_COLUMN
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_frame

Floats = npt.NDArray[np.float64]
DATA = Path(__file__).parents[1] / "data"

CART = """
[machine]
name = "Bench cart"
wheel_diameter_m = 0.254
wheel_counts_per_rev = 24
[battery]
id = "pack-7"
chemistry = "agm"
blocks = 2
arrangement = "series"
block_voltage_v = 12
capacity_ah = 35
capacity_hours = 20
second_capacity_ah = 21
second_hours = 1
[fuse.left]
family = "blade_large"
rating_a = 40
position = "supply_leg"
[wire.left]
awg = 10
length_m = 0.6
insulation_c = 105
[receiver]
minimum_v = 4.0
[controller]
minimum_v = 18
cutoff_v = 19
mixing = "controller"
sensed = "supply_leg"
"""


def frame_of(time_s: Any, channels: dict[str, Any]) -> pl.DataFrame:
    """Run-file columns from SI values by SI name; NaN becomes null."""
    columns = {TIME_COLUMN: pl.Series(TIME_COLUMN, np.rint(np.asarray(time_s, float) * 1e6).astype(np.int64))}
    for si_name, values in channels.items():
        channel = BY_SI_NAME[si_name]
        steps = np.rint(np.broadcast_to(np.asarray(values, float), np.shape(time_s)) / channel.si_per_step)
        columns[channel.name] = pl.Series(channel.name, steps).fill_nan(None).cast(pl.Int32)
    return pl.DataFrame(columns)


def write_run(path: Path, time_s: Any, channels: dict[str, Any], **metadata: Any) -> Path:
    """A run file; `metadata` are fields of Metadata."""
    write_frame(path, frame_of(time_s, channels), Metadata(**{"run_id": path.stem, **metadata}))
    return path


def measured(name: str) -> tuple[Floats, Floats, Floats]:
    """Time [s], current [A], voltage [V] of a measured set, times strictly increasing, the first of equal ones kept."""
    with (DATA / name).open(newline="") as file:
        rows = np.array([[float(cell) for cell in row] for row in list(csv.reader(file))[1:]])
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    rows = rows[np.concatenate(([True], np.diff(rows[:, 0]) > 0))]
    return rows[:, 0] - rows[0, 0], rows[:, 1], rows[:, 2]


def sides(result: Estimate) -> tuple[float, float, float]:
    """low, value, high of a two-sided estimate."""
    assert refusal(result) is None, refusal(result)
    assert result.value is not None
    assert result.low is not None
    assert result.high is not None
    return result.low, result.value, result.high


def doubted(code: str, channel: str = "left_current_a", **fields: Any) -> Doubts:
    """One doubt about one channel."""
    return Doubts.of([Doubt(Reason(code, "danger"), (channel,), **fields)])


def value_of(result: Estimate) -> float:
    """The value of an estimate that has one."""
    assert result.value is not None, refusal(result)
    return result.value


def consistent(result: Estimate) -> None:
    """What holds of every estimate: low ≤ value ≤ high, open sides as the bound says, nothing where refused."""
    if refusal(result) is not None:
        assert (result.value, result.low, result.high) == (None, None, None)
        assert refusal(result).strip()
        return
    assert result.value is not None
    assert np.isfinite(result.value)
    for side in (result.low, result.high):
        assert side is None or np.isfinite(side)
    assert result.low is None or result.low <= result.value
    assert result.high is None or result.value <= result.high
    assert (result.high is None) == (result.bound == "at_least")
    assert (result.low is None) == (result.bound == "at_most")


@contextlib.contextmanager
def in_stretches() -> Iterator[None]:
    """Every run is read in stretches of 4000 samples here, with small margins."""
    with (
        patch.object(samples, "AT_ONCE_ROWS", 0),
        patch.object(samples, "STRETCH_ROWS", 4000),
        patch.object(run, "MARGIN_ROWS", 64),
        patch.object(run, "FAR_ROWS", 1024),
        patch.object(columns, "CHUNK_ROWS", 4000),
        patch.object(lap_table, "STRETCH_ROWS", 4000),
    ):
        yield


def clipped_peaks_of(channel: str, value: Floats) -> Doubt | None:
    """What quality says of a whole current's peaks."""
    return clipped_peaks(channel, PeakLevel().add(value), lambda: [value], float(np.std(value)))
