"""Fuse margins and charges estimated through duty, beside the current that the simulator put there.

Machines, drives and controllers are drawn: slope of the duty from 1.5 to 8 /s, dead band from 0 to 50 µs a stick. The
current sensors of left and right sit in the motor leads, the fuses in the supply legs. Once nothing of the controller
is told, once slope and dead band. The tests take one machine, `python -m benchmarks.duty_study` many.
"""

from __future__ import annotations

import math
import random
import statistics
import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.fuse import FuseSpec, assess_fuse
from amptally.analysis.report.build import build_report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.runs.run import Run
from amptally.logger.channels import BY_SI_NAME
from amptally.logger.simulator import draw_scenario, simulate
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_frame

CART = Path(__file__).parents[2] / "sample_runs" / "cart.toml"
INTERVAL_US = 10_000
Outcome = tuple[str, float, float | None, float | None, float | None]
"""What, truth, value, low, high; value None where refused."""


def outcomes(seed: int, laps: int = 2) -> list[Outcome]:
    """One machine and one drive, judged twice."""
    rng = random.Random(seed)
    scenario = draw_scenario(seed)
    slope, dead_us = 1.5 * (8 / 1.5) ** rng.random(), rng.uniform(0, 50)
    controller = replace(scenario.cart.controller, slew_per_s=slope, deadband=dead_us / 500)
    scenario = replace(
        scenario,
        cart=replace(scenario.cart, controller=controller),
        drive=replace(scenario.drive, laps=laps, stall_lap=rng.choice([0, 1, 2])),
    )
    drive = simulate(seed, scenario=scenario, interval_us=INTERVAL_US)
    noise = np.random.default_rng(seed)
    columns = {name: pl.Series(name, values) for name, values in drive.stored.items()}
    for side in ("left", "right"):
        channel = BY_SI_NAME[f"{side}_current_a"]
        motor_a = drive.true[f"{side}_motor_a"]
        read_a = motor_a * (1 + noise.normal(0, 0.005)) + noise.normal(0, 0.05) + noise.normal(0, 0.05, len(motor_a))
        columns[channel.name] = pl.Series(channel.name, np.rint(read_a / channel.si_per_step))
    frame = pl.DataFrame({k: v.cast(pl.Int64 if k == "t_us" else pl.Int32) for k, v in columns.items()})
    silent = CART.read_text(encoding="utf-8").replace('sensed = "supply_leg"', 'sensed = "motor_lead"')
    told = silent.replace("[controller]\n", f"[controller]\nramp_s = {1 / slope:.3f}\ndead_band_us = {dead_us:.1f}\n")
    found: list[Outcome] = []
    with tempfile.TemporaryDirectory() as folder:
        for words, machine in (("nothing told", silent), ("told", told)):
            path = Path(folder) / f"{words.replace(' ', '-')}.parquet"
            write_frame(path, frame, Metadata(run_id=path.stem, machine=machine))
            report = build_report(Run.open(path), with_ledger=False)
            for side in ("left", "right"):
                supply_a = drive.true[f"{side}_current_a"]
                time_s = drive.measured["t_s"]
                exposure = Exposure.prepare(time_s, supply_a, np.zeros(len(time_s) - 1, bool))
                own = FuseSpec(side, "blade_large", 40, 25, "supply_leg", "supply_leg")
                true, fuse = assess_fuse(own, exposure), report.fuses[side]
                for name in ("margin", "margin_latest", "continuous_fraction"):
                    truth = getattr(true, name).value
                    if truth is not None:
                        found.append(_outcome(f"{name}, {words}", truth, getattr(fuse, name)))
                true_ah = float(supply_a.sum()) * INTERVAL_US / 3.6e9
                found.append(_outcome(f"net charge, {words}", true_ah, report.energy.by_channel[side][0]))
    return found


def _outcome(what: str, truth: float, result: Estimate) -> Outcome:
    return what, truth, result.value, result.low, result.high


def table(found: list[Outcome]) -> str:
    """One row a figure: cases, share that hold the truth, median of low end, value and high end over the truth."""
    by_what: dict[str, list[Outcome]] = defaultdict(list)
    for outcome in found:
        by_what[outcome[0]].append(outcome)
    lines = [
        "| figure | cases | hold the truth | low ÷ truth | value ÷ truth | high ÷ truth |",
        "|---|---|---|---|---|---|",
    ]
    for what, each in by_what.items():
        given = [(truth, value, low, high) for _, truth, value, low, high in each if value is not None]
        held = sum(
            (-math.inf if low is None else low) <= truth <= (math.inf if high is None else high)
            for truth, _, low, high in given
        )
        medians = [
            statistics.median([end / case[0] for case in given if (end := case[place]) is not None] or [math.nan])
            for place in (2, 1, 3)
        ]
        ends = " | ".join(f"{median:.2f}" for median in medians)
        lines.append(f"| {what} | {len(given)} | {held / max(len(given), 1):.0%} | {ends} |")
    return "\n".join(lines)
