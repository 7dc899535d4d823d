"""Rebuilds the sample runs from their seeds: `python -m sample_runs.build [FOLDER]`. The data are simulated."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import polars as pl

from amptally.logger.simulator import Scenario, simulate
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_frame

HERE = Path(__file__).parent
INTERVAL_US = 10_000
RUNS = {
    "nine-laps-marked": (7, True, "2026-04-06T08:00:00.000+00:00"),
    "nine-laps-unmarked": (11, False, "2026-04-06T09:30:00.000+00:00"),
}
"""Name: seed, whether the operator presses the marker button, start."""


def build(folder: Path) -> list[Path]:
    """Write every sample run into `folder`; an existing one is replaced."""
    written = []
    for name, (seed, marks, start_utc) in RUNS.items():
        scenario = Scenario()
        scenario = replace(scenario, drive=replace(scenario.drive, marks=marks))
        stored = simulate(seed, scenario=scenario, interval_us=INTERVAL_US).stored
        columns = {key: pl.Series(key, values) for key, values in stored.items()}
        frame = pl.DataFrame({k: v.cast(pl.Int64 if k == "t_us" else pl.Int32) for k, v in columns.items()})
        path = folder / f"{name}.parquet"
        path.unlink(missing_ok=True)
        metadata = Metadata(
            run_id=name,
            program="sample",
            start_utc=start_utc,
            machine=(HERE / "cart.toml").read_text(encoding="utf-8"),
            start_charge=1.0,
            stop_reason="sample",
            notes=("simulated cart, invented data",),
        )
        write_frame(path, frame, metadata)
        written.append(path)
    return written


if __name__ == "__main__":
    for path in build(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE):
        print(path.name)
