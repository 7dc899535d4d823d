"""Fuse margins from slow boards, and from runs whose worst moment fell into a gap.

The demo's simulator drives other machines on other circuits at 1 kHz. The reference is what the report itself says of
the true currents at 1 kHz, so that only sampling, sensors and gaps are measured here and not the method of the margin.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from amptally.logger.simulator import CartParameters, Drive, DriveParameters, Scenario, simulate
from amptally.logger.simulator.parameters import ChassisParameters
from amptally.logger.simulator.route import Course, Ramp, Segment, Stop
from tests.analysis.build_runs import write_run
from tests.studies.unseen_machine import Record

RATES_HZ = (10, 20, 50, 100, 500)
SLOW_HZ = (10, 20, 50)
"""Boards that are judged with less declared, too."""
GAPS_S = (0.15, 0.5, 2.0, 8.0)
GAP_RATE_HZ = 100
NEAR = 0.05
"""A margin within this of the reference is right."""
PLACES = {"left": "left_current_a", "right": "right_current_a", "main": "battery_current_a"}
KEPT = ("battery_current_a", "left_current_a", "right_current_a", "battery_voltage_v", "pulse_a_us", "pulse_b_us")
BETTER = ("past", "inside", "near", "below")
"""Verdicts from the gravest on; `unknown` is none of them."""


@dataclass(frozen=True, slots=True)
class MarginOutcome:
    """One fuse of one run."""

    case: str
    seed: int
    place: str
    true: float
    """At 1 kHz, without errors."""
    true_verdict: str
    value: float | None
    """None where refused."""
    low: float | None
    bound: str
    verdict: str

    @property
    def error(self) -> float | None:
        """Relative."""
        return None if self.value is None else self.value / self.true - 1

    @property
    def too_high(self) -> bool:
        """An estimate that says more than the reference allows."""
        return self.value is not None and self.bound == "estimate" and self.value > (1 + NEAR) * self.true

    @property
    def low_above(self) -> bool:
        """Its whole interval lies above the reference."""
        return self.low is not None and self.low > self.true * (1 + 1e-9)

    @property
    def unsafe(self) -> bool:
        """A better verdict than the reference's."""
        if "unknown" in (self.verdict, self.true_verdict):
            return False
        return BETTER.index(self.verdict) > BETTER.index(self.true_verdict)


def drawn(seed: int) -> Drive:
    """Another cart on another circuit, at 1 kHz; every second one is held fast once."""
    rng = np.random.default_rng([seed, 0xC0])
    sides = rng.uniform(2, 9, 4).tolist()
    pieces: list[Segment] = []
    for side, turn in zip(sides, (math.pi / 2, 2.0, -0.6, math.pi / 2), strict=True):
        pieces += [Segment(side, 0.0, float(rng.uniform(1.2, 1.9))), Segment(abs(turn) * 1.1, turn, 1.0)]
    length = sum(piece.length_m for piece in pieces)
    up = float(rng.uniform(0.04, 0.12))
    places = (length - 1.2, 0.45 * length)
    course = Course(
        tuple(pieces),
        (Ramp(1.0, 1.0 + sides[0] * 0.7, up), Ramp(length - 3.5, length - 0.5, -up)),
        tuple(Stop(at, float(rng.uniform(0.5, 3)), 0.0) for at in sorted(places)),
        float(rng.uniform(0.15, 0.4)) * length,
        float(rng.uniform(0.1, 0.3)),
    )
    base = CartParameters()
    chassis = ChassisParameters(
        mass_kg=float(rng.uniform(90, 260)),
        rolling=float(rng.uniform(0.02, 0.07)),
        scrub_m=float(rng.uniform(0.01, 0.03)),
    )
    controller = replace(base.controller, slew_per_s=float(rng.uniform(1.5, 10.0)))
    way = DriveParameters(
        course=course,
        laps=2,
        marks=False,
        rest_s=4.0,
        pace=float(rng.uniform(0.8, 1.2)),
        stall_lap=int(rng.random() < 0.5),
        stall_s=float(rng.uniform(0.2, 2.5)),
        push=float(rng.uniform(0.35, 0.8)),
    )
    return simulate(
        seed, scenario=Scenario(replace(base, chassis=chassis, controller=controller), way), interval_us=1000
    )


LIMITS = {
    "stall and peak current": ("stall_a = 170\nresistance_ohm = 0.14\n", "peak_a = 180\n"),
    "resistance": ("resistance_ohm = 0.14\n", ""),
    "nothing": ("", ""),
}
"""What a machine file says of the most that a lead can carry."""


def machine_text(seed: int, drive: Drive, corner_hz: float, known: str = "stall and peak current") -> str:
    """Fuses whose ratings more or less fit the drive, in air of some temperature; motor and controller as on sheets.

    `known`, of LIMITS, is what it says of the most that a lead can carry.
    """
    rng = np.random.default_rng([seed, 0xC1])
    text = '[battery]\nchemistry = "agm"\nblocks = 2\narrangement = "series"\nblock_voltage_v = 12\n'
    motor, controller = LIMITS[known]
    text += f"[motor]\nrated_a = 27\nrated_voltage_v = 24\n{motor}"
    text += f'[controller]\nsensed = "supply_leg"\ncontinuous_a = 60\nmixing = "controller"\n{controller}'
    made = np.array([20, 25, 30, 35, 40, 50, 60, 80])
    for place, name in PLACES.items():
        rms = float(np.sqrt(np.mean(drive.true[name] ** 2)))
        rating = made[np.abs(made - float(rng.uniform(1.3, 3.5)) * max(rms, 12.0)).argmin()]
        text += (
            f'[fuse.{place}]\nfamily = "blade_large"\nrating_a = {rating}\n'
            f'ambient_c = {rng.uniform(15, 45):.0f}\nposition = "supply_leg"\n'
        )
        text += (
            f"[sensors.{name.removesuffix('_a')}]\noffset_u = 0.05\ngain_u = 0.005\nnoise = 0.05\n"
            f"resolution = 0.00610352\nfull_scale = 200\nbandwidth_hz = {corner_hz:g}\naverages = true\n"
        )
    return text


def at_rate(drive: Drive, rate_hz: int) -> Record:
    """What a board of this rate sends: means over its intervals, from the measured channels at 1 kHz."""
    every = 1000 // rate_hz
    count = len(drive.measured["t_s"]) // every
    found: Record = {"t_s": np.arange(count) / rate_hz}
    for name in KEPT:
        table = drive.measured[name][: count * every].reshape(count, every)
        found[name] = table[:, -1] if name.startswith("pulse") else table.mean(axis=1)
    return found


def fuses(record: Record, machine: str) -> dict[str, Any]:
    """The report's `fuse`."""
    with tempfile.TemporaryDirectory() as folder:
        channels = {name: value for name, value in record.items() if name != "t_s"}
        path = write_run(Path(folder) / "run.parquet", record["t_s"], channels, machine=machine)
        found: dict[str, Any] = build_report(Run.open(path), with_ledger=False).as_json()["fuse"]
        return found


def _judged(
    case: str, seed: int, truth: dict[str, Any], found: dict[str, Any], places: Iterable[str]
) -> list[MarginOutcome]:
    return [
        MarginOutcome(
            case,
            seed,
            place,
            truth[place]["margin"]["value"],
            truth[place]["verdict"],
            found[place]["margin"]["value"],
            found[place]["margin"]["low"],
            found[place]["margin"]["bound"],
            found[place]["verdict"],
        )
        for place in places
        if truth[place]["margin"]["value"] is not None
    ]


def without(record: Record, from_s: float, to_s: float) -> Record:
    """The same with no samples between two moments."""
    keep = (record["t_s"] < from_s) | (record["t_s"] >= to_s)
    return {name: value[keep] for name, value in record.items()}


def study(seed: int, rates_hz: tuple[int, ...] = RATES_HZ, gaps_s: tuple[float, ...] = GAPS_S) -> list[MarginOutcome]:
    """One drive from boards of all rates, then with a gap over the worst moment of each fuse."""
    drive = drawn(seed)
    true = {"t_s": drive.measured["t_s"], **{name: drive.true[name] for name in PLACES.values()}}
    truth = fuses(true, machine_text(seed, drive, 5000.0))
    machine = machine_text(seed, drive, 150.0)
    found: list[MarginOutcome] = []
    for rate_hz in rates_hz:
        board = at_rate(drive, rate_hz)
        found += _judged(f"{rate_hz} Hz", seed, truth, fuses(board, machine), PLACES)
        if rate_hz in SLOW_HZ:
            for known in list(LIMITS)[1:]:
                less = machine_text(seed, drive, 150.0, known)
                found += _judged(f"{rate_hz} Hz, {known} known", seed, truth, fuses(board, less), PLACES)
    usual = at_rate(drive, GAP_RATE_HZ)
    for gap_s in gaps_s:
        for place in PLACES:
            at_s, window_s = truth[place]["tightest_at_s"], truth[place]["tightest_window_s"]
            if at_s is None:
                continue
            amps, time_s = true[PLACES[place]], true["t_s"]
            inside = (time_s >= at_s - max(window_s, 0.02)) & (time_s <= at_s)
            middle_s = float(time_s[inside][np.argmax(np.abs(amps[inside]))]) if inside.any() else at_s
            cut = without(usual, middle_s - 0.5 * gap_s, middle_s + 0.5 * gap_s)
            found += _judged(f"gap of {gap_s:g} s", seed, truth, fuses(cut, machine), (place,))
    return found
