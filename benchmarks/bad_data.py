"""How often bad data are detected, how often good data are wrongly doubted, and which other findings bad data raise.

    python -m benchmarks.bad_data [--machines simulated|other] [--drives 60] [--first-seed 4000] [--workers 2]

Machines and drives are drawn and simulated (logger/simulator), or, with `other`, those of eleven kinds of boards,
batteries and drives in turn (tests/studies/defects.py, OTHERS). Each drive is looked at as it is, at other rates and
with fewer channels (there every finding is a false alarm), then with one defect after the other put in. "Named" is the
share of drives in which the defect's own code is raised; "also" lists other codes raised in more than one in ten. The
thresholds were set on seeds 0 to 39.
"""

from __future__ import annotations

import argparse
import functools
import json
from collections import Counter
from pathlib import Path

from benchmarks.workers import study_pool
from tests.studies.defects import BAD, GOOD, MACHINES, Defect, study


def table(
    outcomes: list[list[tuple[str, list[str]]]], kinds: tuple[Defect, ...] = (*GOOD, *BAD)
) -> list[dict[str, object]]:
    """One row a kind."""
    rows: list[dict[str, object]] = []
    for place, kind in enumerate(kinds):
        raised = [set(each[place][1]) for each in outcomes]
        others = Counter(code for each in raised for code in each if code != kind.code)
        rows.append(
            {
                "what": kind.name,
                "code": kind.code,
                "drives": len(raised),
                "named": sum(kind.code in each for each in raised) / len(raised) if kind.code else None,
                "false": None if kind.code else sum(bool(each) for each in raised) / len(raised),
                "also": {code: count / len(raised) for code, count in others.items()},
                "missed": [
                    number for number, each in enumerate(raised) if (kind.code not in each if kind.code else each)
                ],
            }
        )
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--machines", choices=MACHINES, default="simulated")
    parser.add_argument("--drives", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=4000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.drives)
    with study_pool(args.workers) as pool:
        outcomes = list(pool.map(functools.partial(study, machines=args.machines), seeds))
    rows = table(outcomes)
    print("| what | finding | drives | named | false alarms | also |")
    print("|---|---|---|---|---|---|")
    for row in rows:
        cells = [f"{100 * row[key]:.0f} %" if isinstance(row[key], float) else "–" for key in ("named", "false")]
        also = row["also"]
        assert isinstance(also, dict)
        said = ", ".join(
            f"{code} {100 * share:.0f} %" for code, share in also.items() if share > 0.1 or not row["code"]
        )
        print(
            f"| {row['what']} | {row['code'] or 'none'} | {row['drives']} | "
            + " | ".join(cells)
            + f" | {said or '–'} |"
        )
    if args.json:
        args.json.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
