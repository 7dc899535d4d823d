"""How a forecast from part of a measured discharge compares with its real end, beside a straight line.

    python -m benchmarks.forecast_study [--json FILE]

Both measured sets of tests/data are cut after 30 to 95 % of their charge and forecast from there, once with the
capacity that the discharge itself had (somebody measured it before) and once with the nameplate alone. The plain
baseline carries the voltage on to the cut-off along the straight line through the part seen, and has no interval.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
from dataclasses import asdict
from pathlib import Path

from tests.studies.forecasts import SETS, scores


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = [score for battery in SETS for score in scores(battery, Path(folder))]
    print("| set | drawn | left, real | measured capacity | nameplate | straight line |")
    print("|---|---|---|---|---|---|")
    for first, second in zip(found[::2], found[1::2], strict=True):
        cells = []
        for each in (first, second):
            low, high = ((side or 0) / each.truth_s - 1 for side in (each.low_s, each.high_s))
            cells.append(f"{each.error:+.0%} ({low:+.0%} to {high:+.0%})")
        line = f"{first.line_s / first.truth_s - 1:+.0%}"
        print(
            f"| {first.file.split('_')[0]} | {first.part:.0%} | {first.truth_s:.0f} s | {' | '.join(cells)} | {line} |"
        )
    for name in ("measured", "nameplate"):
        own = [score for score in found if score.capacity == name]
        print(
            f"{name}: median |error| {statistics.median(abs(s.error) for s in own):.1%}, greatest overshoot "
            f"{max(s.error for s in own):+.1%}, intervals that hold the end {sum(s.holds for s in own)} of {len(own)}, "
            f"end below the interval in {sum((s.low_s or 0) > s.truth_s for s in own)}"
        )
    lines = [score.line_s / score.truth_s - 1 for score in found[::2]]
    print(f"straight line: median |error| {statistics.median(map(abs, lines)):.1%}, overshoot up to {max(lines):+.1%}")
    if args.json:
        args.json.write_text(json.dumps([asdict(score) for score in found], indent=1))


if __name__ == "__main__":
    main()
