"""What the checksums of a run file cost: python -m benchmarks.checksum_cost [--rows 3600000]

The same work with and without them, in turn, in this process: processor time, minimum of the repeats. The share of the
checks within a report is measured inside it too, since a report varies by more than they take. Writing is compared
with the place left full of zeros, reading with the checks left out.
"""

from __future__ import annotations

import argparse
import gc
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

import numpy as np
import polars as pl

from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from amptally.logger.storage import checksums, runfile
from amptally.logger.storage.checksums import Proof, read_checksums
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import open_run, write_frame
from tests.studies.fuzz import CART


def drive(rows: int) -> pl.DataFrame:
    """Ten channels at 500 Hz, with the noise of a 12-bit converter."""
    rng, times_s = np.random.default_rng(1), np.arange(rows) * 0.002
    load = 20 + 15 * np.sin(times_s / 3) + 10 * (np.sin(times_s / 50) > 0.7)
    names = (
        ("battery_current_ua", 1e6, 24_414), ("left_current_ua", 5e5, 24_414), ("right_current_ua", 5e5, 24_414),
        ("battery_voltage_uv", -2e4, 7_324), ("midpoint_voltage_uv", -1e4, 7_324),
        ("controller_voltage_uv", -2e4, 7_324),
        ("receiver_voltage_uv", -1e3, 7_324), ("pulse_a_us", 10, 1), ("pulse_b_us", 10, 1),
    )  # fmt: skip
    rests = {"battery_voltage_uv": 2.5e7, "midpoint_voltage_uv": 1.25e7, "controller_voltage_uv": 2.48e7}
    rests |= {"receiver_voltage_uv": 5e6, "pulse_a_us": 1300, "pulse_b_us": 1300}
    columns = {
        name: (np.round((rests.get(name, 0) + gain * load) / step + rng.normal(0, 1, rows)) * step).astype(np.int32)
        for name, gain, step in names
    }
    return pl.DataFrame({"t_us": (np.arange(rows) * 2000).astype(np.int64), **columns})


def seconds(task: Callable[[], object]) -> float:
    began = time.process_time()
    task()
    return time.process_time() - began


def in_turn(with_it: Callable[[], object], without: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Minimum processor time of both; which one is first alternates."""
    found: dict[bool, list[float]] = {True: [], False: []}
    for turn in range(repeats):
        for checked in (turn % 2 == 0, turn % 2 == 1):
            gc.collect()
            found[checked].append(seconds(with_it if checked else without))
    return min(found[True]), min(found[False])


def inside(task: Callable[[], object]) -> float:
    """Share of a task's processor time that is spent in the checks of reading."""
    spent = [0.0]

    def timed(check: Callable[..., object]) -> Callable[..., object]:
        def run(*arguments: object) -> object:
            began = time.thread_time()
            try:
                return check(*arguments)
            finally:
                spent[0] += time.thread_time() - began

        return run

    with (
        patch.object(runfile, "read_checksums", timed(read_checksums)),
        patch.object(Proof, "check", timed(Proof.check)),
    ):
        whole = seconds(task)
    return spent[0] / whole


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=3_600_000)
    parser.add_argument("--repeats", type=int, default=5)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "run.parquet"
        table, metadata = drive(args.rows), Metadata("run", machine=CART.decode(), start_charge=1.0)

        def write() -> None:
            path.unlink(missing_ok=True)
            write_frame(path, table, metadata)

        def unchecked(task: Callable[[], object]) -> Callable[[], object]:
            def run() -> None:
                with (
                    patch.object(runfile, "write_checksums", lambda _: None),
                    patch.object(runfile, "_compare_checksums", lambda _: None),
                    patch.object(runfile, "read_checksums", lambda path: Proof(path, checksums.Stamp.of(path), ())),
                ):
                    task()

            return run

        def whole() -> None:
            proof = read_checksums(path)
            assert proof is not None
            assert not list(proof.damaged())

        def a_slice() -> None:
            open_run(path).read(["battery_current_ua"], args.rows // 2, 5000)

        def report() -> None:
            build_report(Run.open(path), with_ledger=False)

        lines = [("write, read back, compare", *in_turn(write, unchecked(write), args.repeats))]
        write()
        lines += [
            ("open, read ten seconds of a channel", *in_turn(a_slice, unchecked(a_slice), 4 * args.repeats)),
            ("report", *in_turn(report, unchecked(report), args.repeats)),
        ]
        size = path.stat().st_size
        verify_s = statistics.median(seconds(whole) for _ in range(4 * args.repeats))
        print(f"{args.rows:,} samples of {table.width - 1} channels, {size / 1e6:.1f} MB; processor time\n")
        print("| what | with checksums | without | cost |\n|---|---|---|---|")
        for what, one, other in lines:
            print(f"| {what} | {one * 1e3:.1f} ms | {other * 1e3:.1f} ms | {100 * (one / other - 1):+.1f} % |")
        share = statistics.median(inside(report) for _ in range(args.repeats))
        print(f"| share of the checks within a report | {100 * share:.2f} % | | |")
        print(f"| all checksums of the file alone | {verify_s * 1e3:.1f} ms, {size / 1e9 / verify_s:.1f} GB/s | | |")


if __name__ == "__main__":
    main()
