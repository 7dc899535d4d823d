"""How often intervals of energy, resistance, charge, runtime and laps hold the truth, beside plain baselines.

    python -m benchmarks.battery_coverage [--machines 500] [--first-seed 0] [--workers 1] [--json FILE]

Each seed draws a machine and a drive (chemistry, arrangement, wear, temperature, load, sensor errors, sampling, what
its owner knows) on a battery that the analysis has no model of, records part of a charge and lets the rest of it run.
"Coverage" is coverage in that simulation. `coverage_study` asks the same of peaks, margins and sag on the whole cart.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from benchmarks.workers import study_pool
from tests.studies.battery_coverage import Outcome, study, table


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--machines", type=int, default=500)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.machines)
    outcomes: list[Outcome] = []
    with study_pool(args.workers) as pool:
        for done in pool.map(study, seeds):
            outcomes += done
    rows = table(outcomes)
    names = list(rows[0])
    print("| " + " | ".join(names) + " |")
    print("|" + "---|" * len(names))
    for each in rows:
        cells = [f"{100 * value:.1f} %" if isinstance(value, float) else str(value) for value in each.values()]
        print("| " + " | ".join(cells) + " |")
    if args.json:
        args.json.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
