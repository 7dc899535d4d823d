"""How often intervals of energy, resistance, charge, runtime and laps hold the truth, beside plain baselines.

Each seed draws a machine and a drive (chemistry, arrangement, wear, temperature, load, sensor errors, sampling, what
its owner knows) on a battery that the analysis has no model of, records part of a charge and lets the rest of it run.
"Coverage" is coverage in that simulation. The tests take a few machines, `python -m benchmarks.battery_coverage` many.
"""

from __future__ import annotations

import math
import statistics
import tempfile
from collections import defaultdict
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from amptally.analysis.report.build import Report, build_report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats
from tests.analysis.build_runs import write_run
from tests.studies.machines import Drive, Load, Machine, draw_load, draw_machine, drive, goes_on

INTERVALS_S = (0.02, 0.02, 0.04, 0.1, 0.2, 1.0)
BOW = 5e-4
"""Curvature of a sensor, relative at full scale; nobody declares it."""
FIXED = 0.2
"""The plain baseline's interval for resistance, runtime and laps: ± this share, whatever the data."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One quantity of one machine."""

    what: str
    truth: float
    value: float | None
    """None where refused."""
    low: float | None
    high: float | None
    plain: float | None
    """The baseline's value."""
    plain_share: float
    """The baseline's half-width, relative to its value."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """Declared 1 σ of one sensor, from which its own errors are drawn."""

    offset_u: float
    gain_u: float
    noise: float
    step: float
    full_scale: float
    delay_u: float

    def read(self, rng: np.random.Generator, time_s: Floats, true: Floats, interval_s: float, mean: bool) -> Floats:
        """Samples every `interval_s`: means over the interval before, or points."""
        every = round(interval_s / float(time_s[1] - time_s[0]))
        late = np.interp(time_s - abs(rng.normal(0, self.delay_u)), time_s, true)
        count = len(late) // every
        seen = late[: count * every].reshape(count, every).mean(axis=1) if mean else late[: count * every : every]
        seen = seen * (1 + rng.normal(0, self.gain_u)) + rng.normal(0, self.offset_u)
        seen = seen + BOW * seen**2 / self.full_scale + rng.normal(0, self.noise, count)
        return np.asarray(np.round(seen / self.step) * self.step)

    def text(self, name: str) -> str:
        """Its section of the machine file."""
        return (
            f"[sensors.{name}]\noffset_u = {self.offset_u}\ngain_u = {self.gain_u}\nnoise = {self.noise}\n"
            f"resolution = {self.step:.6g}\nfull_scale = {self.full_scale:.6g}\ndelay_u = {self.delay_u}\n"
        )


def sensors(rng: np.random.Generator, greatest_a: float, greatest_v: float) -> tuple[Sensor, Sensor]:
    """Current and voltage sensor of a board, better or worse."""
    range_a, range_v = 2.0 * greatest_a, 1.5 * greatest_v
    worse = float(np.exp(rng.uniform(np.log(0.5), np.log(2.5))))
    current = Sensor(3e-4 * range_a * worse, 0.006 * worse, 4e-4 * range_a * worse, range_a / 32768, range_a, 0.001)
    return current, Sensor(
        2e-4 * range_v * worse, 0.0012 * worse, 1e-4 * range_v * worse, range_v / 32768, range_v, 0.001
    )


def record(rng: np.random.Generator, machine: Machine, found: Drive, folder: Path) -> Report:
    """The report its owner would get."""
    battery_a, battery_v = sensors(rng, float(np.abs(found.amps).max()), float(found.volts.max()))
    interval_s, mean = float(rng.choice(INTERVALS_S)), bool(rng.random() < 0.7)
    amps = battery_a.read(rng, found.time_s, found.amps, interval_s, mean)
    volts = battery_v.read(rng, found.time_s, found.volts, interval_s, mean)
    # A mean over an interval belongs to its middle; what the run begins with is its first sample.
    t_us = np.rint(1e6 * interval_s * np.arange(len(amps))).astype(np.int64)
    marks = np.searchsorted(found.marks_s, t_us * 1e-6 + (0.5 * interval_s if mean else 0.0), "right")
    channels = {"battery_current_a": amps, "battery_voltage_v": volts, "mark": marks}
    text = machine.text + battery_a.text("battery_current") + battery_v.text("battery_voltage")
    path = write_run(folder / "run.parquet", t_us * 1e-6, channels, machine=text)
    return build_report(Run.open(path), fraction=machine.stated, with_ledger=False)


def resistance_ohm(machine: Machine, found: Drive, scale_s: float) -> float:
    """Drop per ampere of the whole so long after a step of the drive's RMS current."""
    each_a = float(np.sqrt(np.mean(found.amps**2))) / machine.in_parallel
    parts = []
    for cells in deepcopy(found.middle):
        before = cells.open_v() - cells.settled_v()
        parts.append(cells.relaxing.after(cells.ohm(), each_a, scale_s))
        cells.take(each_a * scale_s, 0.0, scale_s)
        # Diffusion holds charge back for a while: that is resistance. The charge itself is not.
        parts[-1] += (before - cells.open_v() + cells.settled_v()) / each_a
    return sum(parts) if machine.in_series == 2 else sum(parts) / len(parts) / machine.in_parallel


def truths(machine: Machine, load: Load, found: Drive) -> dict[str, float]:
    """What the report should have found."""
    hours = found.time_s / 3600
    left = goes_on(machine, load, found.cells, found.nominal_v, load.laps)
    full = goes_on(machine, load, machine.fresh(1.0), found.nominal_v, 0)
    return {
        "net Ah": float(np.trapezoid(found.amps, hours)),
        "net Wh": float(np.trapezoid(found.amps * found.volts, hours)),
        "open-circuit V": found.open_v,
        **{f"resistance {scale:g} s": resistance_ohm(machine, found, scale) for scale in (0.1, 1.0, 10.0)},
        "charge left Ah": left.charge_ah,
        "energy left Wh": left.energy_wh,
        "runtime s": left.seconds,
        "laps remaining": left.laps,
        "laps per charge": full.laps,
    }


def plain(machine: Machine, run: Run) -> dict[str, float | None]:
    """What anyone would do on one sheet: sums of samples, one straight V-I line, nameplate less what was counted."""
    amps, volts, mark = (run.series(name) for name in ("battery_current_a", "battery_voltage_v", "mark"))
    assert amps is not None
    assert volts is not None
    assert mark is not None
    step_h = float(np.median(np.diff(amps.time_s))) / 3600
    drawn_ah = float(amps.value.sum()) * step_h
    slope, level = np.polyfit(amps.value, volts.value, 1)
    driven = amps.value[np.flatnonzero(np.abs(amps.value) > 0.5)[0] :]
    whole_ah = machine.in_parallel * float(machine.text.split("capacity_ah = ")[1].split()[0])
    left_ah = machine.stated * whole_ah - drawn_ah
    laps = float(mark.value[-1] - mark.value[0]) - 1
    return {
        "net Ah": drawn_ah,
        "net Wh": float((amps.value * volts.value).sum()) * step_h,
        "open-circuit V": float(level),
        **{f"resistance {scale:g} s": -float(slope) for scale in (0.1, 1.0, 10.0)},
        "charge left Ah": left_ah,
        "energy left Wh": left_ah * float(volts.value.mean()),
        "runtime s": 3600 * left_ah / float(driven.mean()),
        "laps remaining": left_ah * laps / drawn_ah,
        "laps per charge": whole_ah * laps / drawn_ah,
    }


def study(seed: int) -> list[Outcome]:
    """One machine on one drive."""
    rng = np.random.default_rng([seed, 77])
    machine = draw_machine(rng)
    load = draw_load(rng, machine.size_ah * machine.in_parallel)
    found = drive(machine, load)
    with tempfile.TemporaryDirectory() as folder:
        report = record(rng, machine, found, Path(folder))
        baseline = plain(machine, report.run)
    estimates: dict[str, Estimate] = {
        "net Ah": report.energy.net_ah,
        "net Wh": report.energy.net_wh,
        "open-circuit V": report.sag.resistance.open_circuit_v,
        **{f"resistance {scale:g} s": value for scale, value in report.sag.resistance.by_scale.items()},
        "charge left Ah": report.charge.remaining.charge_ah,
        "energy left Wh": report.charge.remaining.energy_wh,
        "runtime s": report.charge.remaining.runtime_s,
        "laps remaining": report.laps_remaining,
        "laps per charge": report.laps_per_charge,
    }
    wide = {"net Ah": 0.01, "net Wh": 0.01, "open-circuit V": 0.01}
    known = "measured" if report.charge.remaining.capacity_measured else "nameplate"
    split = {"charge left Ah", "energy left Wh", "runtime s", "laps remaining", "laps per charge"}
    outcomes = []
    for what, truth in truths(machine, load, found).items():
        name, own = f"{what}, {known}" if what in split else what, estimates[what]
        share = wide.get(what, FIXED)
        outcomes.append(Outcome(name, truth, own.value, own.low, own.high, baseline[what], share))
    return outcomes


def row(what: str, found: list[Outcome]) -> dict[str, object]:
    """Coverage, width and error of one quantity, and of its baseline; shares of the truth.

    "plain width for as many": how wide the baseline would have to be to hold as many truths.
    """
    given = [each for each in found if each.value is not None]
    both = [each for each in given if each.low is not None and each.high is not None]
    inside = [
        (each.low is None or each.low <= each.truth) and (each.high is None or each.truth <= each.high)
        for each in given
    ]
    errors = [(each.value or 0.0) / each.truth - 1 for each in given]
    plain_errors = [each.plain / each.truth - 1 for each in found if each.plain is not None]
    plain_inside = [
        abs(each.truth - each.plain) <= each.plain_share * abs(each.plain) for each in found if each.plain is not None
    ]
    return {
        "what": what,
        "machines": len(found),
        "refused": len(found) - len(given),
        "holds": sum(inside) / len(given) if given else math.nan,
        "truth below": sum(each.low is not None and each.truth < each.low for each in given) / max(len(given), 1),
        "width": statistics.median(((each.high or 0) - (each.low or 0)) / each.truth for each in both)
        if both
        else None,
        "error": statistics.median(errors) if errors else None,
        "|error|": statistics.median(map(abs, errors)) if errors else None,
        "plain |error|": statistics.median(map(abs, plain_errors)),
        "plain holds": sum(plain_inside) / len(plain_inside),
        "plain width": 2 * found[0].plain_share,
        "plain width for as many": 2 * float(np.quantile(np.abs(plain_errors), sum(inside) / max(len(given), 1))),
    }


def table(outcomes: list[Outcome]) -> list[dict[str, object]]:
    """One row a quantity."""
    by_name: dict[str, list[Outcome]] = defaultdict(list)
    for outcome in outcomes:
        by_name[outcome.what].append(outcome)
    return [row(what, found) for what, found in by_name.items()]
