"""How decisions hold on drives and logs unlike those that they were built on: laps, bad data, margins, forecasts.

    python -m benchmarks.unseen_drives [--quick] [--seeds 20] [--first-seed 0] [--workers 2] [--only laps …] [--cases]

Four parts, each over generators of tests/studies/unseen_*.py that know the truth. Nothing in the analysis is tuned on
them, but thresholds about bad data on logs of seeds below 500. **Laps**: complete laps found against those driven;
"near" is the share of right counts whose boundaries lie within 5 % of a lap. **Logs**: findings about bad data where
nothing is wrong, and the share of typed-in currents that is found; unseen_odd_logs adds short, cut and skewed ones.
**Margins**: fuse margins from slow boards, and with a gap over the worst moment, against the same drive at 1 kHz.
**Forecasts**: figures against a battery whose every number is known. `--cases` lists what is wrong by family and seed.
Families with the same seed share machine and circuit, so that they can be compared.
"""

from __future__ import annotations

import argparse
import json
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from benchmarks.workers import study_pool
from tests.studies import unseen_forecasts, unseen_laps, unseen_logs, unseen_margins, unseen_odd_logs
from tests.studies.unseen_forecasts import Figure
from tests.studies.unseen_laps import LapOutcome
from tests.studies.unseen_logs import NEVER, LogOutcome
from tests.studies.unseen_margins import MarginOutcome

LOG_FAMILIES = unseen_logs.BY_NAME | unseen_odd_logs.BY_NAME
BESIDE = frozenset(family.name for family in unseen_odd_logs.BESIDE)
PARTS = ("laps", "logs", "margins", "forecasts")
BOUNDARY = 0.05
VERDICTS = ("right", "off by one", "over", "under", "refused", "false")
Outcome = LapOutcome | LogOutcome | MarginOutcome | Figure


class Job(NamedTuple):
    """One thing to make and to judge."""

    part: str
    family: str
    seed: int
    quick: bool


def jobs(parts: Iterable[str], seeds: Sequence[int], quick: bool) -> list[Job]:
    """All of a study, the long ones first."""
    found = []
    if "margins" in parts:
        found += [Job("margins", "", seed, quick) for seed in seeds[: 2 if quick else None]]
    if "forecasts" in parts:
        found += [Job("forecasts", "", seed, quick) for seed in seeds[: 2 if quick else None]]
    if "laps" in parts:
        for family in unseen_laps.FAMILIES:
            few = 1 if family.name in unseen_laps.SLOW else 3
            found += [Job("laps", family.name, seed, quick) for seed in seeds[: few if quick else None]]
    if "logs" in parts:
        for log in LOG_FAMILIES.values():
            few = 1 if log.name in unseen_logs.ONE_SEED else 2 if quick else len(seeds)
            found += [Job("logs", log.name, seed, quick) for seed in seeds[:few]]
    return found


def work(job: Job) -> list[Outcome]:
    """Do one job."""
    if job.part == "laps":
        return [unseen_laps.judge(unseen_laps.BY_NAME[job.family], job.seed)]
    if job.part == "logs":
        return [unseen_logs.judge(LOG_FAMILIES[job.family], job.seed)]
    if job.part == "margins":
        return [
            *(unseen_margins.study(job.seed, (10, 50), (0.5, 2.0)) if job.quick else unseen_margins.study(job.seed))
        ]
    return [*unseen_forecasts.study(job.seed)]


def _grouped(outcomes: Iterable[Any], key: str) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = defaultdict(list)
    for outcome in outcomes:
        found[getattr(outcome, key)].append(outcome)
    return found


def _lines(head: str, rows: Iterable[Sequence[object]]) -> str:
    columns = head.split(" | ")
    body = ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
    return "\n".join([f"| {head} |", "|" + "---|" * len(columns), *body])


def _share(count: int, whole: int) -> str:
    return "–" if whole == 0 else f"{100 * count / whole:.0f} %"


def _rare(count: int, whole: int) -> str:
    """A share of what should not be there: a dash where it is not."""
    return _share(count, whole) if count else "–"


def laps_table(outcomes: Sequence[LapOutcome]) -> str:
    """One row a family, one for all that are ordinary, one for all without laps."""

    def row(name: str, found: Sequence[LapOutcome]) -> list[object]:
        counts = Counter(each.verdict for each in found)
        right = [each for each in found if each.verdict == "right" and each.true > 0]
        near = sum(each.error is not None and each.error <= BOUNDARY for each in right)
        factors = [each.found / each.true for each in found if each.verdict == "over"]
        invented = [each.found for each in found if each.verdict == "false"]
        times = f" (×{statistics.median(factors):.1f})" if factors else ""
        cells = [_share(counts["right"], len(found)), *(_rare(counts[each], len(found)) for each in VERDICTS[1:])]
        cells[2] += times
        cells[5] += f" ({statistics.median(invented):g} laps)" if invented else ""
        return [name, len(found), cells[0], _share(near, len(right)) if right else "–", *cells[1:]]

    rows = [row(name, found) for name, found in _grouped(outcomes, "family").items()]
    ordinary = [each for each in outcomes if unseen_laps.BY_NAME[each.family].ordinary]
    rows.append(row("**all ordinary**", ordinary))
    rows.append(row("**all without laps**", [each for each in outcomes if each.true == 0]))
    return _lines("drive | runs | right | near | off by one | over | under | refused | laps where there are none", rows)


def logs_table(outcomes: Sequence[LogOutcome]) -> str:
    """False alarms, one row a family in which nothing was typed in."""
    rows = []
    for name, found in _grouped(outcomes, "family").items():
        if LOG_FAMILIES[name].typed or name in BESIDE:
            continue
        counts = Counter(code for each in found for code in each.false)
        others = ", ".join(f"{code} {_share(count, len(found))}" for code, count in counts.items() if code not in NEVER)
        expected = [each.hit for each in found if each.hit is not None]
        cures = [each.cured for each in found if each.cured is not None]
        rows.append(
            [
                name,
                len(found),
                *(_rare(counts[code], len(found)) for code in NEVER),
                others or "–",
                f"{sum(expected)} of {len(expected)}" if expected else "–",
                f"{sum(cures)} of {len(cures)}" if cures else "–",
            ]
        )
    return _lines(f"log | runs | {' | '.join(NEVER)} | others | right finding raised | remedy cures", rows)


def typed_table(outcomes: Sequence[LogOutcome]) -> str:
    """Hit rate, one row a way of typing."""
    rows = []
    for name, found in _grouped(outcomes, "family").items():
        if LOG_FAMILIES[name].typed:
            others = Counter(code for each in found for code in each.false)
            also = ", ".join(f"{code} {_share(count, len(found))}" for code, count in others.items())
            rows.append(
                [
                    name.removeprefix("typed: "),
                    len(found),
                    _share(sum(bool(each.hit) for each in found), len(found)),
                    _rare(sum("voltage_jumps_alone" in each.raised for each in found), len(found)),
                    also or "–",
                ]
            )
    return _lines("typed in | runs | found | its few jumps named | also raised", rows)


def beside_table(outcomes: Sequence[LogOutcome]) -> str:
    """What is said where something past the sensor moves the voltage, one row a case."""
    codes = ("current_filled_in", "voltage_jumps_alone")
    rows = [
        [name, len(found), *(_rare(sum(code in each.raised for each in found), len(found)) for code in codes)]
        for name, found in _grouped(outcomes, "family").items()
        if name in BESIDE
    ]
    return _lines(f"past the sensor | runs | {' | '.join(codes)}", rows)


def margins_table(outcomes: Sequence[MarginOutcome]) -> str:
    """One row a rate or a length of gap."""
    rows = []
    for name, found in _grouped(outcomes, "case").items():
        errors = [each.error for each in found if each.error is not None]
        sizes = np.abs(errors) if errors else np.array([np.nan])
        unknown = [each for each in found if each.verdict == "unknown"]
        near = sum(each.error is not None and abs(each.error) <= unseen_margins.NEAR for each in unknown)
        rows.append(
            [
                name,
                len(found),
                _rare(sum(each.value is None for each in found), len(found)),
                _rare(sum(each.bound == "at_most" for each in found), len(found)),
                _rare(len(unknown), len(found)),
                _rare(near, len(found)),
                f"{100 * np.median(sizes):.1f} %",
                f"{100 * np.quantile(sizes, 0.95):.0f} %",
                _rare(sum(each.too_high for each in found), len(found)),
                _rare(sum(each.low_above for each in found), len(found)),
                _rare(sum(each.unsafe for each in found), len(found)),
            ]
        )
    head = "board | margins | refused | at most | verdict unknown | unknown though within 5 % | median error"
    more = "95 % of errors | too high, called estimate | low end above the truth | better verdict than the truth's"
    return _lines(f"{head} | {more}", rows)


def forecasts_table(outcomes: Sequence[Figure]) -> str:
    """One row a figure."""
    rows = []
    for name, found in _grouped(outcomes, "what").items():
        given = [each for each in found if each.value is not None]
        known = [each for each in given if each.truth is not None]
        errors = [each.value / each.truth - 1 for each in known if each.truth]
        widths = [each.width for each in known if each.width is not None]
        notes = Counter(each.note for each in found if "danger" in each.note)
        rows.append(
            [
                name,
                len(found),
                len(found) - len(given),
                _rare(len(given) - len(known), len(found)),
                _share(sum(each.holds for each in known), len(known)),
                _rare(sum(each.below for each in known), len(known)),
                f"{100 * statistics.median(errors):+.1f} %" if errors else "–",
                f"{100 * statistics.median(widths):.0f} %" if widths else "–",
                f"danger told in {notes['danger']}" if notes else "–",
            ]
        )
    head = "figure | runs | refused | given though unknowable | interval holds the truth | truth below it"
    return _lines(f"{head} | median error | median width | note", rows)


def wrong(outcomes: Iterable[Outcome]) -> list[str]:
    """What is wrong, one line a case."""
    found = []
    for each in outcomes:
        if isinstance(each, LapOutcome):
            if each.verdict != "right":
                found.append(f"laps: {each.family}, seed {each.seed}: {each.verdict}, {each.found} for {each.true}")
            elif each.error is not None and each.error > BOUNDARY:
                off = f"a boundary is off by {each.error:.2f} laps"
                found.append(f"laps: {each.family}, seed {each.seed}: {each.found} counted, {off}")
        elif isinstance(each, LogOutcome):
            if each.false:
                found.append(f"logs: {each.family}, seed {each.seed}: {', '.join(sorted(each.false))}")
            if each.hit is False:
                found.append(f"logs: {each.family}, seed {each.seed}: what is wrong is not found")
        elif isinstance(each, MarginOutcome):
            if each.too_high or each.unsafe or each.low_above:
                given, truth = f"{each.value:.2f} {each.bound} {each.verdict}", f"{each.true:.2f} {each.true_verdict}"
                found.append(f"margins: {each.case}, seed {each.seed}, {each.place}: {given} for {truth}")
        elif each.value is not None and not each.holds:
            truth = "no value" if each.truth is None else f"{each.truth:.4g}"
            low, high = ("open" if side is None else f"{side:.4g}" for side in (each.low, each.high))
            found.append(f"forecasts: {each.what}, seed {each.seed}: {each.value:.4g} ({low} to {high}) for {truth}")
    return found


def tables(outcomes: Sequence[Outcome]) -> str:
    """All tables of what was judged, each under its title."""
    laps = [each for each in outcomes if isinstance(each, LapOutcome)]
    logs = [each for each in outcomes if isinstance(each, LogOutcome)]
    margins = [each for each in outcomes if isinstance(each, MarginOutcome)]
    figures = [each for each in outcomes if isinstance(each, Figure)]
    parts = []
    if laps:
        parts.append(f"Laps\n\n{laps_table(laps)}")
    if logs:
        parts.append(f"False alarms about bad data\n\n{logs_table(logs)}")
        parts.append(f"Currents typed in by hand\n\n{typed_table(logs)}")
        parts.append(f"Voltages that something past the sensor moves\n\n{beside_table(logs)}")
    if margins:
        parts.append(f"Fuse margins against the same drive at 1 kHz\n\n{margins_table(margins)}")
    if figures:
        parts.append(f"Figures of a known battery\n\n{forecasts_table(figures)}")
    return "\n\n".join(parts)


def _plain(outcome: Outcome) -> dict[str, Any]:
    return {name: sorted(value) if isinstance(value, frozenset) else value for name, value in asdict(outcome).items()}


def main() -> None:
    """Run the study and print its tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few seeds: to see that all of it works")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS)
    parser.add_argument("--cases", action="store_true", help="list what is wrong, family by family")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    seeds = range(asked.first_seed, asked.first_seed + asked.seeds)
    with study_pool(asked.workers) as pool:
        done = [outcome for each in pool.map(work, jobs(asked.only, seeds, asked.quick)) for outcome in each]
    print(tables(done))
    if asked.cases:
        print("\nWrong:\n\n" + "\n".join(wrong(done)))
    if asked.json:
        asked.json.write_text(json.dumps([_plain(each) for each in done], indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
