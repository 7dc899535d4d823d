"""Damaged and hostile files, tens of thousands of them, through the command line.

    python -m benchmarks.damage_study --cases 5000 [--seed 1] [--json FILE] [--kind NAME …]

`--kind dashboard` calls the dashboard instead.
Cases run in a process whose death, whose silence of ten seconds and whose memory above 1 GB are answers too. With
--json the counts are added to those in the file, so that a long study can be made of short ones. A case is repeated
with: python -m benchmarks.damage_study --kind NAME --case N
"""

from __future__ import annotations

import argparse
import json
import math
import os
import select
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.studies.damage import ANSWERS, CASES, MUST_BE_NONE, OTHER_CASES, SHARES, Bench, tried
from tests.studies.fuzz import memory_mb

SECONDS = 10.0
MOST_MEMORY_MB = 1000.0
EACH = 250
"""Cases of one process."""


def worker(kind: str, first: int, count: int) -> None:
    """Try cases one after the other; a line before and after each."""
    lines = os.fdopen(os.dup(1), "w", encoding="utf-8")
    with tempfile.TemporaryDirectory() as name:
        os.environ["XDG_STATE_HOME"] = name
        bench = Bench(Path(name))
        for seed in range(first, first + count):
            # The first case of a process also imports and makes the whole files.
            begun = time.monotonic() if seed > first else math.inf
            answer = tried(kind, seed, bench)
            what = answer.what if memory_mb() < MOST_MEMORY_MB else "over 1 GB"
            print(
                json.dumps([seed, what, answer.text, max(time.monotonic() - begun, 0.0), memory_mb()]),
                file=lines,
                flush=True,
            )
            if what == "over 1 GB":
                return


def watched(kind: str, first: int, count: int, found: Counter[str], worst: dict[str, float]) -> None:
    """Run a worker to its end, or past the cases that end it."""
    while count > 0:
        process = subprocess.Popen(
            [sys.executable, "-m", "benchmarks.damage_study", "--worker", "--kind", kind, "--case", str(first),
             "--cases", str(count)],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        assert process.stdout is not None
        buffer, starting = b"", True
        while count > 0:
            ready, _, _ = select.select([process.stdout], [], [], SECONDS + 60 * starting)
            piece = os.read(process.stdout.fileno(), 1 << 16) if ready else b""
            if not piece:
                process.kill()
                ended = process.wait()
                what = "signal" if ready else f"over {SECONDS:.0f} s"
                if buffer or not ready or ended != 0:
                    _count(found, kind, first, what, f"ended with {ended}")
                    first, count = first + 1, count - 1
                break
            buffer, starting = buffer + piece, False
            *lines, buffer = buffer.split(b"\n")
            for line in lines:
                seed, what, text, seconds, memory = json.loads(line)
                over = seconds > SECONDS
                _count(found, kind, seed, f"over {SECONDS:.0f} s" if over else what, text)
                worst["seconds"], worst["MB"] = max(worst["seconds"], seconds), max(worst["MB"], memory)
                first, count = seed + 1, count - 1
        process.kill()
        process.wait()
        process.stdout.close()


def _count(found: Counter[str], kind: str, seed: int, what: str, text: str) -> None:
    found[f"{kind}|{what}"] += 1
    if what in MUST_BE_NONE:
        print(f"{what}: --kind '{kind}' --case {seed}: {text}", flush=True)


def table(found: Counter[str]) -> str:
    """Answers by kind, as a Markdown table."""
    lines = [f"| input | cases | {' | '.join(ANSWERS)} |", "|---" * (len(ANSWERS) + 2) + "|"]
    for kind in dict.fromkeys(key.split("|")[0] for key in found):
        counts = [found[f"{kind}|{what}"] for what in ANSWERS]
        lines.append(f"| {kind} | {sum(counts):,} | {' | '.join(f'{count:,}' for count in counts)} |")
    totals = [sum(count for key, count in found.items() if key.endswith(f"|{what}")) for what in ANSWERS]
    return "\n".join([*lines, f"| all | {sum(totals):,} | {' | '.join(f'{count:,}' for count in totals)} |"])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0, help="number of the first case")
    parser.add_argument("--minutes", type=float, default=10.0, help="begin no more cases after this time")
    parser.add_argument("--kind", choices=(*CASES, *OTHER_CASES), nargs="+", default=tuple(CASES))
    parser.add_argument("--json", type=Path)
    parser.add_argument("--case", type=int)
    parser.add_argument("--worker", action="store_true")
    args = parser.parse_args()
    if args.worker:
        worker(args.kind[0], args.case, args.cases)
        return 0
    found: Counter[str] = Counter()
    worst = {"seconds": 0.0, "MB": 0.0}
    if args.json is not None and args.json.exists():
        found.update(json.loads(args.json.read_text(encoding="utf-8")))
    if args.case is not None:
        watched(args.kind[0], args.case, 1, found, worst)
    else:
        ends, done = time.monotonic() + 60 * args.minutes, 0
        turns = [kind for kind in args.kind for _ in range(SHARES.get(kind, 1))]
        next_of = dict.fromkeys(args.kind, args.seed)
        while done < args.cases and time.monotonic() < ends:
            kind = turns[(done // EACH * 7) % len(turns)]
            count = min(EACH, args.cases - done)
            watched(kind, next_of[kind], count, found, worst)
            next_of[kind], done = next_of[kind] + count, done + count
    if args.json is not None:
        args.json.write_text(json.dumps(found, indent=1, sort_keys=True), encoding="utf-8")
    print(table(found))
    print(f"slowest case {worst['seconds']:.1f} s, most memory of a process {worst['MB']:.0f} MB")
    return int(any(found[key] for key in found if key.split("|")[1] in MUST_BE_NONE))


if __name__ == "__main__":
    sys.exit(main())
