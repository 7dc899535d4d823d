"""How often fuse margins and charges estimated through duty hold the simulated truth, and how wide they are.

    python -m benchmarks.duty_study [--drives 40] [--first-seed 5000] [--workers 2]

Machines, drives and controllers are drawn: slope of the duty from 1.5 to 8 /s, dead band from 0 to 50 µs a stick. The
current sensors of left and right sit in the motor leads, the fuses in the supply legs; truth is the current that the
simulator put there. Once nothing of the controller is told, once slope and dead band. "Coverage" is coverage in that
simulation.
"""

from __future__ import annotations

import argparse

from benchmarks.workers import study_pool
from tests.studies.duty import outcomes, table


def main() -> None:
    """Run the study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--drives", type=int, default=40)
    parser.add_argument("--first-seed", type=int, default=5000)
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    seeds = range(asked.first_seed, asked.first_seed + asked.drives)
    with study_pool(asked.workers) as pool:
        found = [outcome for each in pool.map(outcomes, seeds) for outcome in each]
    print(table(found))


if __name__ == "__main__":
    main()
