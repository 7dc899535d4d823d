"""python -m benchmarks: measure side by side, print one table, write JSON, docs/performance.md and its pictures."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from benchmarks import machine, suites
from benchmarks.growth import Growth
from benchmarks.table import Line, as_json, as_markdown, as_text

SUITES = ("storage", "decoding", "recording", "report", "day", "zoom", "commands", "summary", "growth")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("--only", nargs="+", choices=SUITES, default=SUITES, help="measure these alone")
    parser.add_argument("--quick", action="store_true", help="small sizes, once each: to see that all of it works")
    parser.add_argument("--repeats", type=int, default=3, help="runs of each task; medians are taken")
    parser.add_argument("--runs", type=int, default=80, help="runs of the summary")
    parser.add_argument("--folder", type=Path, help="keep the data here and use them again")
    parser.add_argument("--json", type=Path, default=Path("docs/performance/performance.json"))
    parser.add_argument("--docs", type=Path, default=Path("docs"), help="where performance.md and its pictures go")
    args = parser.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)
    bench = suites.Bench(folder, args.repeats, runs=args.runs)
    if args.quick:
        bench = suites.Bench(folder, 1, rows=700_000, day_rows=1_200_000, runs=6)
    about = {**machine.described(), "load before": machine.load()}
    lines: list[Line] = []
    growths: list[Growth] = []
    try:
        for name in (name for name in SUITES if name in args.only):
            begun = time.perf_counter()
            if name == "growth":
                growths = suites.growths(bench)
                lines += suites.growth_lines(growths)
            else:
                lines += getattr(suites, name)(bench)
            print(f"{name}: {time.perf_counter() - begun:.0f} s", file=sys.stderr, flush=True)
    finally:
        if args.folder is None:
            suites.tidy(folder)
    about["load after"] = machine.load()
    for growth in growths:
        growth.draw(args.docs / "performance")
    for place in (args.json.parent, args.docs):
        place.mkdir(parents=True, exist_ok=True)
    args.json.write_text(as_json(lines, growths, about, bench.values), encoding="utf-8")
    notes = Path(__file__).with_name("notes.md")
    (args.docs / "performance.md").write_text(as_markdown(lines, growths, about, notes), encoding="utf-8")
    print(as_text(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
