"""Hostile bytes for as long as you like: frames, journals, run files, tables to import and machine files, all spoilt.

    python -m benchmarks.fuzz_study --minutes 30 [--seed 1]

Each slice runs in a process of its own, so that a crash, a hang or a memory that grows is seen and not suffered. A
slice is repeated with: python -m benchmarks.fuzz_study --slice KIND --seed N --seconds S
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from collections import Counter
from dataclasses import asdict

from tests.studies.fuzz import SLICE_S, TRIES, Slice, run_slice

MOST_MEMORY_MB = 1500
SHARES = {"frames": 0.5, "journal": 0.15, "run": 0.15, "import": 0.1, "machine": 0.1}


def in_a_process(kind: str, seed: int, seconds: float) -> Slice:
    """The same in a process of its own, whose death is a failure too."""
    command = [
        sys.executable,
        "-m",
        "benchmarks.fuzz_study",
        "--slice",
        kind,
        "--seed",
        str(seed),
        "--seconds",
        str(seconds),
    ]
    try:
        environment = {**os.environ, "RUST_BACKTRACE": "0"}
        out = subprocess.run(
            command, capture_output=True, text=True, timeout=10 * seconds + 60, check=False, env=environment
        )
    except subprocess.TimeoutExpired:
        return Slice(kind, seed, failures=["hangs"])
    try:
        done = Slice(**json.loads(out.stdout.strip().splitlines()[-1]))
    except (IndexError, ValueError, TypeError):
        return Slice(kind, seed, failures=[f"died with {out.returncode}: {out.stderr[-600:]}"])
    done.panics = out.stderr.count("panicked at")
    if done.memory_mb > MOST_MEMORY_MB:
        done.failures.append(f"{done.memory_mb:.0f} MB of memory")
    return done


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--slice", choices=tuple(TRIES))
    parser.add_argument("--seconds", type=float, default=SLICE_S)
    args = parser.parse_args()
    if args.slice:
        print(json.dumps(asdict(run_slice(args.slice, args.seed, args.seconds))))
        return
    ended = time.monotonic() + 60 * args.minutes
    spent: Counter[str] = Counter()
    slices: list[Slice] = []
    while time.monotonic() < ended:
        kind = min(SHARES, key=lambda name: spent[name] / SHARES[name])
        done = in_a_process(kind, args.seed + len(slices), args.seconds)
        spent[kind] += done.seconds or args.seconds
        slices.append(done)
        for failure in done.failures:
            print(f"FAILED {kind} seed {done.seed}: {failure}", flush=True)
    print(table(slices))
    sys.exit(any(done.failures for done in slices))


def table(slices: list[Slice]) -> str:
    """Totals by kind, as a Markdown table."""
    heads = (
        "input",
        "minutes",
        "cases",
        "frames and lines",
        "MB",
        "refused",
        "slowest case, s/MB",
        "memory",
        "panics caught",
    )
    lines = [f"| {' | '.join(heads)} | failures |", "|---" * (len(heads) + 1) + "|"]
    for kind in TRIES:
        some = [done for done in slices if done.kind == kind]
        if not some:
            continue
        sums = {
            name: sum(getattr(done, name) for done in some)
            for name in ("cases", "frames", "bytes", "seconds", "refused")
        }
        lines.append(
            f"| {kind} | {sums['seconds'] / 60:.1f} | {sums['cases']:,} | {sums['frames']:,} | "
            f"{sums['bytes'] / 1e6:,.0f} | {sums['refused']:,} | {max(done.slowest_s_per_mb for done in some):.2f} | "
            f"{max(done.memory_mb for done in some):.0f} MB | {sum(done.panics for done in some)} | "
            f"{sum(len(done.failures) for done in some)} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    main()
