"""How often the report's 95 % intervals hold the simulated truth, and how wide they are.

    python -m benchmarks.coverage_study [--drives 100] [--first-seed 1000] [--workers 2] [--of cart|others]

Machines and drives are drawn (motors, blocks, temperatures, loads, sensor errors) and simulated by a model that the
analysis does not use: hysteresis, surface charge, diffusion, temperatures, sensors that bend and wander. "Coverage" is
coverage in that simulation. `cart`: the demo's simulator; `others`: slow boards, no battery sensor, motor leads,
parallel blocks, lithium and more, of tests/studies/coverage_cases.py, as many drives of each, three of long ones.
"""

from __future__ import annotations

import argparse
import json
import math
import statistics
import tempfile
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.integrals.energy import integrate
from amptally.analysis.protection.fuse import assess_fuse
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.runs.run import Run
from amptally.logger.simulator import Drive, draw_scenario, simulate
from amptally.logger.simulator.battery import Block
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_frame
from benchmarks.workers import study_pool
from tests.studies.coverage_cases import CASES, FEW
from tests.studies.unseen_circuits import opened

CART = Path(__file__).parent.parent / "sample_runs" / "cart.toml"
CASE_SEEDS = 1000
"""Seeds between cases: with the same seed two cases would share the errors of their sensors."""


class Outcome(NamedTuple):
    """One figure of one drive."""

    case: str
    what: str
    truth: float
    value: float | None
    """None where refused."""
    low: float | None
    high: float | None

    @property
    def holds(self) -> bool:
        """The truth lies within the interval; an open side holds all."""
        return (self.low is None or self.low <= self.truth) and (self.high is None or self.truth <= self.high)


def report_of(drive: Drive, folder: Path) -> Report:
    """The report a user would get of this drive."""
    columns = {
        name: pl.Series(name, values, pl.Int64 if name == "t_us" else pl.Int32) for name, values in drive.stored.items()
    }
    path = folder / f"{drive.seed}.parquet"
    write_frame(
        path, pl.DataFrame(columns), Metadata(run_id=f"s{drive.seed}", machine=CART.read_text(encoding="utf-8"))
    )
    try:
        return build_report(Run.open(path))
    finally:
        path.unlink()


def true_resistance_ohm(drive: Drive, current_a: float, scale_s: float) -> float:
    """Drop per ampere T seconds after a step from the drive's RMS current, from the blocks' own parameters."""
    cart = drive.scenario.cart
    total = 0.0
    for parameters in (cart.block_a, cart.block_b):
        # The secant, as a drop over a current is one.
        fast = parameters.fast_ohm / (1 + current_a / parameters.fast_knee_a)
        total += Block(parameters, cart.ambient_c).discharging_ohm
        total += fast * -math.expm1(-scale_s / parameters.fast_s)
        total += parameters.slow_ohm * -math.expm1(-scale_s / parameters.slow_s)
    return total


def truths(drive: Drive) -> dict[str, float]:
    """The true values of the report's figures."""
    time_s, true = drive.measured["t_s"], drive.true
    none = np.zeros(len(time_s) - 1, bool)
    amps, volts = true["battery_current_a"], true["battery_voltage_v"]
    found = {
        "net Ah": integrate(time_s, amps, none).net / 3600,
        "net Wh": integrate(time_s, amps * volts, none).net / 3600,
        "recovered Wh": integrate(time_s, amps * volts, none).back / 3600,
        "sag V": float(np.median(volts[time_s < 8]) - volts.min()),
        "rest V": float(np.median(volts[time_s < 8])),
    }
    for side in ("left", "right"):
        exposure = Exposure.prepare(time_s, true[f"{side}_current_a"], none)
        # The report takes the warmest air at the fuses that was measured.
        fuse = FuseSpec(
            side, "blade_large", 40, 25, "supply_leg", "supply_leg", measured_c=float(true["fuse_temp_c"].max())
        )
        margin = assess_fuse(fuse, exposure).margin.value
        if margin is not None:
            found[f"{side} fuse margin"] = margin
    rms = float(np.sqrt((amps**2).mean()))
    for scale in (0.1, 1.0, 10.0):
        found[f"resistance {scale:g} s"] = true_resistance_ohm(drive, rms, scale)
    return found


def study(seed: int) -> list[Outcome]:
    """One machine on one drive."""
    drive = simulate(seed, scenario=draw_scenario(seed))
    with tempfile.TemporaryDirectory() as folder:
        report = report_of(drive, Path(folder))
    energy, sag = report.energy, report.sag
    estimates = {
        "net Ah": energy.net_ah,
        "net Wh": energy.net_wh,
        "recovered Wh": energy.recovered_wh,
        "sag V": sag.worst_sag_v,
        "rest V": sag.rest_voltage_v,
        **{f"{side} fuse margin": report.fuses[side].margin for side in ("left", "right")},
        **{f"resistance {scale:g} s": value for scale, value in sag.resistance.by_scale.items()},
    }
    return [
        Outcome("cart", name, truth, estimates[name].value, estimates[name].low, estimates[name].high)
        for name, truth in truths(drive).items()
    ]


def study_case(job: tuple[str, int]) -> list[Outcome]:
    """One drive of a case, by (name, seed)."""
    name, seed = job
    case = CASES[name](seed)
    with opened(case.record, case.machine) as run:
        report = build_report(run, with_ledger=False).as_json()
    found = []
    for what, truth in case.truth.items():
        given = figure(report, what)
        found.append(Outcome(name, what, truth, given["value"], given["low"], given["high"]))
    return found


def figure(report: dict[str, Any], what: str) -> dict[str, Any]:
    """The estimate of a report's JSON that a dotted name means; a key may itself hold a dot."""
    section, rest = what.split(".", 1)
    found = report[section]
    while rest not in found:
        key, rest = rest.split(".", 1)
        found = found[key]
    estimate: dict[str, Any] = found[rest]
    return estimate


def table(outcomes: list[Outcome], group: Callable[[Outcome], str]) -> list[dict[str, object]]:
    """One row a group: figures, refused, share of intervals that hold the truth, width and error relative to it."""
    by_name: dict[str, list[Outcome]] = defaultdict(list)
    for outcome in outcomes:
        by_name[group(outcome)].append(outcome)
    rows: list[dict[str, object]] = []
    for name, found in by_name.items():
        given = [outcome for outcome in found if outcome.value is not None]
        widths = [
            (each.high - each.low) / abs(each.truth) for each in given if each.low is not None and each.high is not None
        ]
        errors = [(each.value - each.truth) / abs(each.truth) for each in given if each.value is not None]
        rows.append(
            {
                "what": name,
                "figures": len(found),
                "refused": len(found) - len(given),
                "coverage": sum(each.holds for each in given) / len(given) if given else None,
                "median width": statistics.median(widths) if widths else None,
                "median error": statistics.median(errors) if errors else None,
                "median |error|": statistics.median(map(abs, errors)) if errors else None,
            }
        )
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drives", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--of", choices=("cart", "others"), default="cart")
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.drives)
    jobs = [
        (name, seed + CASE_SEEDS * place)
        for place, name in enumerate(CASES)
        for seed in (seeds[:3] if name in FEW else seeds)
    ]
    outcomes: list[Outcome] = []
    with study_pool(args.workers) as pool:
        for done in pool.map(study, seeds) if args.of == "cart" else pool.map(study_case, jobs):
            outcomes += done
    rows = table(outcomes, lambda each: each.what)
    if args.of == "others":
        rows += table(outcomes, lambda each: each.case)
    print("| what | figures | refused | holds the truth | median width | median error | median abs. error |")
    print("|---|---|---|---|---|---|---|")
    for row in rows:
        cells = [f"{100 * row[key]:.1f} %" if isinstance(row[key], float) else "–" for key in list(row)[3:]]
        print(f"| {row['what']} | {row['figures']} | {row['refused']} | " + " | ".join(cells) + " |")
    if args.json:
        args.json.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
