"""Can a day at 1 kHz be joined from sealed segments in little memory? Writes segments, joins, compares; prints figures.

python -m benchmarks.streaming_join [--segments 144]
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_run, write_segment

ROWS = 600_000
CURRENTS_AND_VOLTAGES = (
    "battery_current_ua", "left_current_ua", "right_current_ua", "battery_voltage_uv",
    "midpoint_voltage_uv", "controller_voltage_uv", "receiver_voltage_uv",
)  # fmt: skip
SEED = 1


def segment(number: int, rng: np.random.Generator) -> pl.DataFrame:
    """Ten minutes at 1 kHz: wandering currents and voltages on converter steps of 24,414, pulses held for 20 ms."""
    wander = np.cumsum(rng.normal(0, 0.3, ROWS))
    columns = {"t_us": (np.arange(ROWS, dtype=np.int64) + number * ROWS) * 1000}
    for name in CURRENTS_AND_VOLTAGES:
        steps = np.round(20 * np.sin(wander / 30) + rng.normal(0, 2, ROWS))
        columns[name] = (steps * 24_414).astype(np.int32)
    for name in ("pulse_a_us", "pulse_b_us"):
        columns[name] = np.repeat(rng.integers(1000, 2000, ROWS // 20), 20).astype(np.int32)
    columns["mark"] = np.zeros(ROWS, np.int32)
    return pl.DataFrame(columns)


def join(folder: Path) -> None:
    """Join and compare in this process, so that its peak memory is the join's own."""
    segments = sorted(folder.glob("seg-*.parquet"))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    started = time.perf_counter()
    write_run(folder / "run.parquet", segments, Metadata(run_id="bench"))
    seconds = time.perf_counter() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    rows = pl.scan_parquet(folder / "run.parquet").select(pl.len()).collect().item()
    size = (folder / "run.parquet").stat().st_size
    print(f"{rows:,} rows joined and compared in {seconds:.1f} s; memory {before:.0f} MB before, {peak:.0f} MB peak; ")
    print(f"{size / 1e6:.0f} MB, {size / rows:.2f} bytes a row")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--segments", type=int, default=144)
    parser.add_argument("--join", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.join:
        join(args.join)
        return
    with tempfile.TemporaryDirectory() as name:
        rng = np.random.default_rng(SEED)
        for number in range(args.segments):
            write_segment(Path(name) / f"seg-{number:04d}.parquet", segment(number, rng))
        subprocess.run([sys.executable, "-m", "benchmarks.streaming_join", "--join", name], check=True)


if __name__ == "__main__":
    main()
