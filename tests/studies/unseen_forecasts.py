"""Sag, resistance, open-circuit voltage and forecasts on a battery whose every number is known.

The battery is `unseen_battery`, of which the analysis has no model; loads are laps of starts, holds and stops.
"""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats
from tests.analysis.build_runs import measured, write_run
from tests.studies.unseen_battery import battery_text, colder, draw_pack
from tests.studies.unseen_logs import MEASURED
from tests.studies.unseen_machine import Record

STEP_S = 0.05
NOTHING_S = 60.0
"""A runtime up to this is none."""
SENSORS = (
    "[sensors.battery_current]\noffset_u = 0.03\ngain_u = 0.005\nnoise = 0.03\nresolution = 0.01\n"
    "[sensors.battery_voltage]\noffset_u = 0.006\ngain_u = 0.001\nnoise = 0.003\nresolution = 0.002\n"
)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of one run."""

    what: str
    seed: int
    truth: float | None
    """None where no value should be given."""
    value: float | None
    low: float | None
    high: float | None
    note: str = ""

    @property
    def holds(self) -> bool:
        """The interval holds the truth."""
        return (
            self.truth is not None
            and (self.low is None or self.low <= self.truth)
            and (self.high is None or self.truth <= self.high)
        )

    @property
    def below(self) -> bool:
        """The truth lies below the interval: more was promised than there is."""
        return self.truth is not None and self.low is not None and self.truth < self.low

    @property
    def width(self) -> float | None:
        """Of the interval, relative to the truth; None where open or refused."""
        if not self.truth or self.low is None or self.high is None:
            return None
        return (self.high - self.low) / self.truth


def report(record: Record, machine: str, start: float | None = None) -> dict[str, Any]:
    """The report's JSON form."""
    with tempfile.TemporaryDirectory() as folder:
        channels = {name: value for name, value in record.items() if name != "t_s"}
        path = write_run(Path(folder) / "run.parquet", record["t_s"], channels, machine=machine)
        return build_report(Run.open(path), fraction=start, with_ledger=False).as_json()


def _figure(what: str, seed: int, truth: float | None, told: dict[str, Any], note: str = "") -> Figure:
    return Figure(what, seed, truth, told["value"], told["low"], told["high"], note)


def lap_shape(rng: np.random.Generator, step_s: float = STEP_S) -> Floats:
    """Current over one lap of 25 to 90 s with a mean of 1: starts, holds, a climb, a stop."""
    edges = np.cumsum(rng.uniform(2, 9, int(rng.integers(6, 12))))
    time_s = np.arange(0, edges[-1], step_s)
    levels = rng.uniform(0.3, 1.8, len(edges))
    levels[rng.integers(len(levels))], levels[-1] = 2.6, 0.04
    place = np.minimum(np.searchsorted(edges, time_s, "right"), len(levels) - 1)
    since = time_s - np.concatenate(([0.0], edges))[place]
    shape = levels[place] * (1 + 0.8 * np.exp(-since / 0.6))
    return np.asarray(shape / shape.mean())


def laps_load(rng: np.random.Generator, shape: Floats, count: int, mean_a: float) -> Floats:
    """So many laps one after the other, each a little harder or easier."""
    factors = np.exp(rng.normal(0, rng.uniform(0.01, 0.04), count))
    return np.asarray((mean_a * factors[:, None] * shape).ravel())


def read(rng: np.random.Generator, amps: Floats, volts: Floats, every: int, step_s: float = STEP_S) -> Record:
    """Single readings every so many steps, with the errors that SENSORS declares."""
    seen_a, seen_v = amps[::every], volts[::every]
    count = len(seen_a)
    return {
        "t_s": np.arange(count) * every * step_s,
        "battery_current_a": np.round(
            (seen_a * (1 + rng.normal(0, 0.005)) + rng.normal(0, 0.03) + rng.normal(0, 0.03, count)) / 0.01
        )
        * 0.01,
        "battery_voltage_v": np.round(
            (seen_v * (1 + rng.normal(0, 0.001)) + rng.normal(0, 0.006) + rng.normal(0, 0.003, count)) / 0.002
        )
        * 0.002,
    }


def slow_rows(seed: int, interval_s: float) -> list[Figure]:
    """Resistance over a time shorter than the rows are apart: must be refused."""
    rng = np.random.default_rng([seed, 0xD0])
    pack = draw_pack(rng)
    seconds = min(250 * interval_s, 6 * 3600.0)
    fine_s = min(1.0, interval_s)
    time_s = np.arange(round(seconds / fine_s)) * fine_s
    edges = np.sort(rng.uniform(0.05, 1.0, int(rng.integers(2, 9)))) * seconds
    levels = np.concatenate(([0.0], rng.choice([0.0, 0.5, 1.0, 1.5], len(edges))))
    levels[1] = 1.0
    amps = levels[np.searchsorted(edges, time_s)]
    amps = amps * 0.5 * pack.capacity_ah * 3600 / max(float(amps.sum()) * fine_s, 1e-9)
    amps = np.minimum(amps, 0.8 * pack.capacity_ah)
    every = round(interval_s / fine_s)
    told = report(read(rng, amps, pack.volts(amps, fine_s, 0.0), every, fine_s), battery_text(pack) + SENSORS)
    found = told["battery"]["resistance_ohm"]
    return [
        _figure(f"resistance {scale} s, rows {interval_s:g} s apart", seed, None, found[scale])
        for scale in ("0.1", "1", "10")
        if float(scale) < interval_s
    ]


def rows_on_change(seed: int) -> list[Figure]:
    """Rows 60 s apart and one more just before and after each step, as testers log: still nothing at 1 s or 10 s."""
    rng = np.random.default_rng([seed, 0xD5])
    pack = draw_pack(rng)
    fine_s = 0.2
    time_s = np.arange(round(7200 / fine_s)) * fine_s
    starts = np.sort(rng.choice(np.arange(20, 110), int(rng.integers(1, 5)), replace=False)) * 60.0 + 31.0
    levels = np.concatenate(([0.0], np.where(np.arange(len(starts)) % 2 == 0, 1.0, 0.2)))
    amps = levels[np.searchsorted(starts, time_s)] * max(float(rng.uniform(0.2, 0.5)) * pack.capacity_ah, 4.0)
    volts = pack.volts(amps, fine_s, 0.1 * pack.capacity_ah)
    keep = np.isin(np.arange(len(time_s)), np.arange(0, len(time_s), 300))
    at = np.searchsorted(time_s, starts)
    keep[np.concatenate((at - 1, at + 1))] = True
    made = read(rng, amps, volts, 1, fine_s)
    told = report({name: value[keep] for name, value in made.items()}, battery_text(pack) + SENSORS)
    found = told["battery"]["resistance_ohm"]
    return [
        _figure(f"resistance {scale} s, 60 s and a row at each step", seed, None, found[scale]) for scale in ("1", "10")
    ]


def measured_rows() -> list[Figure]:
    """The measured lead-acid set, rows 60 s apart under load."""
    name, text = MEASURED[1]
    time_s, amps, volts = measured(name)
    told = report({"t_s": time_s, "battery_current_a": amps, "battery_voltage_v": volts}, text)
    found = told["battery"]["resistance_ohm"]
    return [_figure(f"resistance {scale} s, measured set, 60 s", 0, None, found[scale]) for scale in ("0.1", "1", "10")]


def known(seed: int, chemistry: str, rested: bool) -> list[Figure]:
    """Open-circuit voltage and resistance on a drive of some laps, from rest or recorded from mid-drive on."""
    rng = np.random.default_rng([seed, 0xD1])
    pack = draw_pack(rng, chemistry)
    start_ah = float(rng.choice([0.0, 0.3])) * pack.capacity_ah
    mean_a = float(rng.uniform(0.2, 0.7)) * pack.capacity_ah
    shape = lap_shape(rng)
    amps = laps_load(rng, shape, int(rng.integers(3, 8)), mean_a)
    rest = np.zeros(round((15.0 if rested else 0.0) / STEP_S))
    whole = np.concatenate((rest, amps))
    before_a = 0.0 if rested else mean_a
    volts = pack.volts(whole, STEP_S, start_ah, before_a)
    told = report(read(rng, whole, volts, int(rng.choice([1, 2, 4]))), battery_text(pack) + SENSORS)["battery"]
    how = "from rest" if rested else "already under load"
    kind = "from full" if start_ah == 0 else "at 70 %"
    half_ah = start_ah + 0.5 * float(whole.sum()) * STEP_S / 3600
    found = [
        _figure(f"open-circuit V, {chemistry}, {how}", seed, float(pack.open_v(start_ah)), told["open_circuit_v"], kind)
    ]
    found += [
        _figure(
            f"resistance {scale} s, {chemistry}",
            seed,
            pack.after_ohm(float(scale), half_ah),
            told["resistance_ohm"][scale],
            how,
        )
        for scale in ("1", "10")
    ]
    if rested:
        drop = float((pack.open_v(pack.drawn_ah(whole, STEP_S, start_ah)) - volts).max())
        load_drop = told.get("load_drop_v")
        if load_drop is not None:
            found.append(_figure(f"drop under load V, {chemistry}", seed, drop, load_drop))
    return found


def under_its_limit(seed: int) -> list[Figure]:
    """A battery that its load pulls below the end of discharge already in the run: nothing is left, to a minute.

    The note says whether a finding of severity danger names the battery.
    """
    rng = np.random.default_rng([seed, 0xD2])
    pack = draw_pack(rng)
    worn = colder(pack, float(rng.uniform(1.5, 3.0)), 0.8)
    shape = lap_shape(rng)
    mean_a = 0.5 * pack.capacity_ah
    start_ah, amps = 0.0, laps_load(rng, shape, 400, mean_a)
    until_s = worn.ends_s(amps, STEP_S, start_ah)
    if not math.isfinite(until_s) or until_s < 300:
        mean_a, until_s = 0.3 * pack.capacity_ah, 0.0
        amps = laps_load(rng, shape, 400, mean_a)
        until_s = worn.ends_s(amps, STEP_S, start_ah)
    end = round((until_s + 45.0) / STEP_S)
    first = max(0, end - round(600.0 / STEP_S))
    drawn_ah = float(amps[:first].sum()) * STEP_S / 3600
    part = np.concatenate((np.zeros(200), amps[first:end]))
    volts = worn.volts(part, STEP_S, drawn_ah)
    stated = round(min(max(1 - drawn_ah / pack.sheet_ah(20.0 if pack.cells == 12 else 5.0), 0.05), 1.0), 2)
    told = report(read(rng, part, volts, 2), battery_text(worn, pack) + SENSORS, stated)
    grave = [f["code"] for f in told["findings"] if f["severity"] == "danger"]
    names = ("battery", "block", "limit", "cutoff", "discharge")
    note = "danger" if any(name in code for code in grave for name in names) else "no danger"
    runtime = told["remaining"]["runtime_s"]
    truth = min(runtime["value"] or 0.0, NOTHING_S)
    return [_figure("runtime s, already under its limit", seed, truth, runtime, note)]


def depth(seed: int) -> list[Figure]:
    """Usable charge with depth_of_discharge 0.5 over that without, to 0.02; and below that depth nothing is left."""
    rng = np.random.default_rng([seed, 0xD3])
    pack = draw_pack(rng)
    amps = np.concatenate(
        (np.zeros(300), laps_load(rng, lap_shape(rng), 6, float(rng.uniform(0.1, 0.5)) * pack.capacity_ah))
    )
    made = read(rng, amps, pack.volts(amps, STEP_S, 0.0), 2)
    drawn_ah = float(amps.sum()) * STEP_S / 3600
    whole, half = (
        report(made, battery_text(pack, more=more) + SENSORS, 1.0)["remaining"]["charge_ah"]["value"]
        for more in ("", "depth_of_discharge = 0.5\n")
    )
    # From full: half of all, less what was drawn, over all of it less what was drawn.
    wanted = None if whole is None else max(0.5 * (whole + drawn_ah) - drawn_ah, 0.0) / whole
    ratio = None if not whole or half is None else half / whole
    low, high = (None, None) if ratio is None else (ratio - 0.02, ratio + 0.02)
    below = report(made, battery_text(pack, more="depth_of_discharge = 0.5\n") + SENSORS, 0.45)["remaining"][
        "charge_ah"
    ]
    return [
        Figure("usable charge at depth 0.5 over that at 1", seed, wanted, ratio, low, high),
        _figure("charge Ah left of half a charge, at 45 %", seed, 0.0, below),
    ]


def laps_ahead(seed: int) -> list[Figure]:
    """Marked laps from part of a charge: how many a full charge gives, how many are left, how long it lasts."""
    rng = np.random.default_rng([seed, 0xD4])
    new = draw_pack(rng)
    pack = colder(new, float(rng.uniform(1.0, 1.5)), float(rng.uniform(0.8, 1.03)))
    mean_a = float(np.exp(rng.uniform(np.log(0.08), np.log(0.7)))) * new.capacity_ah
    step_s = 0.2
    shape = lap_shape(rng, step_s)
    lap_s = len(shape) * step_s
    whole_laps = math.ceil(1.6 * 3600 * new.capacity_ah / (mean_a * lap_s))
    amps = laps_load(rng, shape, whole_laps, mean_a)
    full_s = pack.ends_s(amps, step_s, 0.0)
    seen = max(3, int(float(rng.uniform(0.05, 0.5)) * full_s / lap_s))
    seen = min(seen, max(3, round(5400 / lap_s)))
    rest = np.zeros(round(20 / step_s))
    drive = np.concatenate((rest, amps[: seen * len(shape)], rest))
    made = read(rng, drive, pack.volts(drive, step_s, 0.0), 1, step_s)
    marks = 20.0 + lap_s * np.arange(seen + 1)
    made["mark"] = np.searchsorted(marks, made["t_s"], "right").astype(float)
    told = report(made, battery_text(pack, new) + '[lap]\nmarked_by = "marker"\n' + SENSORS, 1.0)
    return [
        _figure("laps per charge", seed, full_s / lap_s, told["laps"]["per_charge"], new.chemistry),
        _figure("laps remaining", seed, max(full_s / lap_s - seen, 0.0), told["laps"]["remaining"], new.chemistry),
        _figure("runtime s", seed, max(full_s - seen * lap_s, 0.0), told["remaining"]["runtime_s"], new.chemistry),
    ]


CHEMISTRIES = ("agm", "li_ion", "lfp")


def study(seed: int) -> list[Figure]:
    """All of it for one seed."""
    found = measured_rows() if seed == 0 else []
    for interval_s in (5.0, 10.0, 20.0, 60.0):
        found += slow_rows(seed, interval_s)
    found += rows_on_change(seed)
    for chemistry in CHEMISTRIES:
        for rested in (True, False):
            found += known(seed, chemistry, rested)
    return [*found, *under_its_limit(seed), *depth(seed), *laps_ahead(seed)]
