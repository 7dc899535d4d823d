"""Made logs, right and in wrong units, signs and times: what an import asks.

    python -m benchmarks.import_study [--seeds 2] [--first-seed 0]

The families are those of benchmarks.unseen_drives; docs/methods.md, Units at import, holds the result.
"""

from __future__ import annotations

import argparse

from tests.studies.imports import TOO_LONG, judge_import
from tests.studies.unseen_logs import LOGS


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=0)
    arguments = parser.parse_args()
    seen, asked, noticed = 0, 0, {"sign": 0, "mA": 0, "ms": 0}
    for family in LOGS:
        if family.name in TOO_LONG:
            continue
        for seed in range(arguments.first_seed, arguments.first_seed + arguments.seeds):
            found = judge_import(family.make(seed))
            seen += 1
            asked += found.asked is not None
            each = {"sign": found.turned, "mA": found.milliamperes, "ms": found.milliseconds}
            for name, was in each.items():
                noticed[name] += was
            missed = [name for name, was in each.items() if not was]
            if missed or found.asked:
                print(f"{family.name}, seed {seed}: not noticed {', '.join(missed) or 'none'}; asked: {found.asked}")
    print(f"{seen} logs; right ones asked about {asked}; noticed {noticed}")


if __name__ == "__main__":
    main()
