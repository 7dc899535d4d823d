"""What does kill -9 cost? Kills `amptally record` at random moments and recovers what is left.

    python -m benchmarks.kill_study 200 [--seed 1] [--parallel 2]

Moments are drawn from the start of the process to four seconds of recording, a quarter of them on a board whose clock
runs fast, so that segments are sealed all the time, and a quarter after the recorder was asked to stop, so that the
writing of the run file is hit too. Lost: samples that the board had put on the line before the kill and that no file
holds afterwards.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter

from tests.studies.kills import RATE_HZ, study


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int, nargs="?", default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--parallel", type=int, default=2)
    args = parser.parse_args()
    # Recovery in this process looks for running recorders: not for the user's own ones.
    with tempfile.TemporaryDirectory() as state:
        os.environ["XDG_STATE_HOME"] = state
        kills = study(args.count, args.seed, args.parallel)
    print("| killed while | kills | left behind | unreadable | lost, median | lost, worst |")
    print("|---|---|---|---|---|---|")
    for moment in ("starting", "recording", "sealing", "stopping"):
        some = [kill for kill in kills if kill.moment == moment]
        if not some:
            continue
        lost_s = sorted(kill.lost / RATE_HZ for kill in some)
        left = ", ".join(f"{what} {count}" for what, count in Counter(kill.left for kill in some).most_common())
        bad = sum(bool(kill.unreadable) for kill in some)
        print(f"| {moment} | {len(some)} | {left} | {bad} | {lost_s[len(some) // 2]:.3f} s | {lost_s[-1]:.3f} s |")
    print(f"The machine kept a board waiting for {max(kill.stalled_s for kill in kills):.3f} s at most.")
    for kill in kills:
        if kill.unreadable:
            print(kill)


if __name__ == "__main__":
    main()
