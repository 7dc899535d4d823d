"""Forecasts from part of a measured discharge, beside its real end and beside a straight line.

Both measured sets of tests/data are cut after part of their charge and forecast from there, once with the capacity
that the discharge itself had (somebody measured it before) and once with the nameplate alone. The plain baseline
carries the voltage on to the cut-off along the straight line through the part seen, and has no interval. The tests try
three cuts, `python -m benchmarks.forecast_study` more.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats
from amptally.analysis.wording.results import phrases, refusal
from tests.analysis.build_runs import write_run

DATA = Path(__file__).parents[1] / "data"
PARTS = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)


@dataclass(frozen=True, slots=True)
class Battery:
    """One measured set, and what its machine file may say."""

    file: str
    chemistry: str
    block_voltage_v: float
    nameplate: str
    """Capacity as on the label, machine-file lines."""
    cutoff_v: float
    """Where the discharge counts as ended."""

    def machine(self, capacity: str) -> str:
        """A machine file with this statement of capacity."""
        return (
            f'[battery]\nchemistry = "{self.chemistry}"\nblocks = 1\narrangement = "single"\n'
            f"block_voltage_v = {self.block_voltage_v}\ncutoff_v = {self.cutoff_v}\n{capacity}\n"
        )


SETS = (
    # 65 Ah is the name of the module in the source's file; its rate is not given there, 1 h is the test's.
    Battery("pack_24v_65a_discharge.csv", "li_ion", 24, "capacity_ah = 65\ncapacity_hours = 1", 19.94),
    # 17 Ah is the nameplate; 20 h is the rate of such labels (common practice, no source).
    Battery("lead_acid_12v_1p5a_discharge.csv", "agm", 12, "capacity_ah = 17\ncapacity_hours = 20", 10.8),
)


@dataclass(frozen=True, slots=True)
class Score:
    """One forecast."""

    file: str
    part: float
    """Of the charge drawn when the forecast was made."""
    capacity: str
    """measured or nameplate."""
    truth_s: float
    value_s: float
    low_s: float | None
    high_s: float | None
    line_s: float
    """What the straight line says."""
    evidence: str | None

    @property
    def error(self) -> float:
        """Of the value, relative; above 0 it promises too much."""
        return self.value_s / self.truth_s - 1

    @property
    def holds(self) -> bool:
        """Whether the interval holds the truth."""
        return (self.low_s is None or self.low_s <= self.truth_s) and (
            self.high_s is None or self.truth_s <= self.high_s
        )


def discharge(battery: Battery) -> tuple[Floats, Floats, Floats, int, int]:
    """Time [s], current [A], voltage [V], place of the first load, place of the first sample at the cut-off."""
    frame = pl.read_csv(DATA / battery.file).sort("time_s", maintain_order=True).unique("time_s", maintain_order=True)
    time_s, amps, volts = (frame[name].cast(pl.Float64).to_numpy() for name in ("time_s", "current_A", "voltage_V"))
    begin = int(np.argmax(amps > 0.5 * amps.max()))
    return time_s - time_s[0], amps, volts, begin, int(np.argmax(volts <= battery.cutoff_v))


def straight_line_s(time_s: Floats, volts: Floats, cutoff_v: float) -> float:
    """Time left by the line through the second half of what was seen, so that the first dip does not count."""
    late = slice(len(time_s) // 2, None)
    slope, level = np.polyfit(time_s[late], volts[late], 1)
    return float((cutoff_v - level) / slope - time_s[-1])


def scores(battery: Battery, folder: Path, parts: tuple[float, ...] = PARTS) -> Iterator[Score]:
    """Every forecast of one set."""
    time_s, amps, volts, begin, end = discharge(battery)
    drawn = np.concatenate(([0.0], np.cumsum(0.5 * (amps[1:] + amps[:-1]) * np.diff(time_s)))) / 3600
    hours = (time_s[end] - time_s[begin]) / 3600
    measured = f"measured_capacity_ah = {drawn[end] - drawn[begin]:.3f}\nmeasured_hours = {hours:.4f}"
    for part in parts:
        cut = int(np.searchsorted(drawn, drawn[begin] + part * (drawn[end] - drawn[begin])))
        channels = {"battery_current_a": amps[:cut], "battery_voltage_v": volts[:cut]}
        line = straight_line_s(time_s[begin:cut], volts[begin:cut], battery.cutoff_v)
        for name, capacity in (("measured", f"{battery.nameplate}\n{measured}"), ("nameplate", battery.nameplate)):
            path = folder / "part.parquet"
            path.unlink(missing_ok=True)
            write_run(path, time_s[:cut], channels, machine=battery.machine(capacity))
            left = build_report(Run.open(path), fraction=1.0, with_ledger=False).charge.remaining
            runtime = left.runtime_s
            if runtime.value is None:
                raise ValueError(f"{battery.file} at {part:g} with the {name}: {refusal(runtime)}")
            truth = float(time_s[end] - time_s[cut - 1])
            yield Score(
                battery.file, part, name, truth, runtime.value, runtime.low, runtime.high, line, phrases(left.evidence)
            )
