"""Machines and drives of the coverage study, drawn from a seed: battery, age, temperature, load, sensors, sampling."""

from __future__ import annotations

import math
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np

from amptally.analysis.signals.series import Floats
from amptally.logger.simulator.parameters import BlockParameters
from tests.studies.batteries import (
    END_V,
    NOMINAL_V,
    Cells,
    LeadAcid,
    Lithium,
    LithiumParameters,
    Relaxing,
    constant_discharge_ah,
)

GRID_S = 0.02
TICK_S = 1.0
LATER_S = 4.0
"""About the time step after the recorded part."""
SUSTAINED_S = 60.0
"""The voltage that ends a drive is a mean over this long: a dip ends nothing."""
REST_S = 15.0
LOWEST_SHARE = 0.5
"""Of the voltage at the start: below it no controller draws more to keep its power."""


@dataclass(frozen=True, slots=True)
class Machine:
    """One machine, as it is and as its file says."""

    chemistry: str
    fresh: Callable[[float], list[Cells]]
    """The blocks as they are, from a charge 0..1."""
    in_series: int
    in_parallel: int
    block_v: float
    cutoff_v: float
    """Of a block, sustained."""
    charge: float
    """What the blocks hold at the start."""
    stated: float
    """What the owner says they hold."""
    text: str
    """[battery] of the machine file."""
    size_ah: float
    """Sheet capacity of a block."""


@dataclass(frozen=True, slots=True)
class Load:
    """What the machine is asked for: laps that differ."""

    shape_a: Floats
    """Current over one lap on the fine grid, for a factor of 1."""
    factors: Floats
    """Factor of each lap, for as long as anything can last."""
    constant_power: bool
    laps: int
    """Complete laps in the recorded drive."""

    @property
    def lap_s(self) -> float:
        """Length of a lap."""
        return len(self.shape_a) * GRID_S


def draw_machine(rng: np.random.Generator) -> Machine:
    """A battery of one or two blocks, new or worn, cold or warm, and what its owner knows of it."""
    chemistry = str(rng.choice(["agm", "gel", "flooded", "li_ion", "lfp"], p=[0.35, 0.1, 0.15, 0.25, 0.15]))
    lead = chemistry in ("agm", "gel", "flooded")
    arrangement = str(rng.choice(["series", "parallel", "single"], p=[0.55, 0.15, 0.3] if lead else [0.2, 0.1, 0.7]))
    size_ah = float(np.exp(rng.uniform(np.log(8), np.log(80))))
    worn, air_c = float(rng.uniform(0.8, 1.05)), float(rng.uniform(5, 35))
    grown = 1 + 1.5 * (1 - min(worn, 1.0))
    blocks = 1 if arrangement == "single" else 2
    apart = [1.0] if blocks == 1 else [1.0, float(np.exp(rng.normal(0, 0.03)))]
    ohm = float(np.exp(rng.normal(0, 0.25)))
    if lead:
        p = BlockParameters()
        scale = p.capacity_ah / size_ah * ohm * grown
        worn_p = replace(
            p,
            capacity_ah=size_ah * worn,
            resistance_ohm=p.resistance_ohm * scale,
            fast_ohm=p.fast_ohm * scale,
            fast_knee_a=p.fast_knee_a * size_ah / p.capacity_ah,
            slow_ohm=p.slow_ohm * scale,
            slow_s=float(rng.uniform(8, 30)),
            hysteresis_ah=p.hysteresis_ah * size_ah / p.capacity_ah,
            surface_ah=p.surface_ah * size_ah / p.capacity_ah,
            temperature_c=air_c,
            heat_j_k=p.heat_j_k * size_ah / p.capacity_ah,
        )
        new_p = replace(
            worn_p, capacity_ah=size_ah, temperature_c=25.0, resistance_ohm=worn_p.resistance_ohm / grown, charge=1.0
        )
        block_v, cutoff_v = 12.0, 10.5

        def make(share: float, charge: float) -> Cells:
            return LeadAcid(replace(worn_p, capacity_ah=worn_p.capacity_ah * share, charge=charge), air_c)

        def new() -> Cells:
            return LeadAcid(new_p, 25.0)

        slow_h, fast_h = 20.0, float(rng.choice([1.0, 5.0]))
    else:
        cells = int(rng.choice([4, 7] if chemistry == "li_ion" else [4, 8]))
        relaxing = Relaxing(
            0.012 * cells / size_ah * ohm * grown, float(rng.uniform(0.1, 0.8)), 1.5 * size_ah,
            0.02 * cells / size_ah * ohm * grown, float(rng.uniform(8, 60)),
        )  # fmt: skip
        worn_l = LithiumParameters(
            chemistry, cells, size_ah * worn, 1.0, 0.04 * cells / size_ah * ohm * grown, relaxing,
            float(rng.uniform(30, 150)), air_c,
        )  # fmt: skip
        block_v, cutoff_v = NOMINAL_V[chemistry] * cells, END_V[chemistry] * cells

        def make(share: float, charge: float) -> Cells:
            return Lithium(replace(worn_l, capacity_ah=worn_l.capacity_ah * share, charge=charge))

        def new() -> Cells:
            return Lithium(replace(worn_l, capacity_ah=size_ah, temperature_c=25.0))

        slow_h, fast_h = 5.0, 1.0
    full = rng.random() < 0.6
    charge = float(rng.uniform(0.96, 1.0)) if full else float(rng.uniform(0.6, 0.97))
    stated = 1.0 if full else round(min(max(charge + float(rng.normal(0, 0.03)), 0.5), 1.0), 2)
    in_series, in_parallel = (2 if arrangement == kind else 1 for kind in ("series", "parallel"))
    text = (
        f'[battery]\nchemistry = "{chemistry}"\nblocks = {blocks}\narrangement = "{arrangement}"\n'
        f"block_voltage_v = {block_v:.6g}\ncutoff_v = {cutoff_v:.6g}\n"
    )
    text += _sheet(rng, new, size_ah, slow_h, fast_h, cutoff_v)
    if rng.random() < 0.25:
        rate_a = size_ah / float(rng.choice([3.0, 5.0, 8.0]))
        measured = constant_discharge_ah(make(min(apart), 1.0), rate_a, cutoff_v, 10.0) * (1 + rng.normal(0, 0.02))
        text += f"measured_capacity_ah = {measured:.4g}\nmeasured_hours = {measured / rate_a:.4g}\n"
    if rng.random() < 0.6:
        text += f"ambient_c = {air_c + rng.normal(0, 1.5):.1f}\n"
    return Machine(
        chemistry, lambda start: [make(share, start) for share in apart], in_series, in_parallel, block_v, cutoff_v,
        charge, stated, text, size_ah,
    )  # fmt: skip


def _sheet(
    rng: np.random.Generator, new: Callable[[], Cells], size_ah: float, slow_h: float, fast_h: float, cutoff_v: float
) -> str:
    """What its maker prints of a new block: one capacity, or two."""

    def at(hours: float) -> float:
        guess = size_ah
        for _ in range(4):
            guess = constant_discharge_ah(new(), guess / hours, cutoff_v, max(hours, 1.0) * 3.0)
        return guess

    off = float(np.exp(rng.normal(0, 0.03)))
    text = f"capacity_ah = {off * at(slow_h):.3g}\ncapacity_hours = {slow_h:g}\n"
    if rng.random() < 0.6:
        text += f"second_capacity_ah = {off * at(fast_h):.3g}\nsecond_hours = {fast_h:g}\n"
    return text


def draw_load(rng: np.random.Generator, whole_ah: float) -> Load:
    """Laps of starts, holds and stops at a mean of C/10 to 0.8 C, which drift and differ."""
    lap_s = float(rng.uniform(20, 70))
    pieces = int(rng.integers(5, 14))
    edges = np.sort(rng.uniform(0, lap_s, pieces - 1))
    levels = rng.gamma(1.6, 1.0, pieces)
    levels[rng.random(pieces) < 0.2] = 0.03
    if rng.random() < 0.4:
        levels[int(rng.integers(pieces))] = -0.3
    grid = np.arange(0, lap_s, GRID_S)
    shape = lagged(levels[np.searchsorted(edges, grid)], GRID_S, float(rng.uniform(0.05, 0.3)))
    shape *= 1 + 0.06 * lagged(rng.normal(size=len(grid)), GRID_S, 0.05) * math.sqrt(2 * 0.05 / GRID_S)
    mean_a = whole_ah * float(np.exp(rng.uniform(np.log(0.1), np.log(0.8))))
    shape *= mean_a / float(shape.mean())
    count = 4000
    apart = float(rng.uniform(0.01, 0.05))
    slow = lagged(rng.normal(0, 0.03 * math.sqrt(2 * 30), count), 1.0, 30.0)
    factors = np.exp(rng.normal(0, apart, count) + slow)
    laps = int(np.exp(rng.uniform(np.log(2), np.log(40))))
    return Load(shape, np.maximum(factors, 0.3), bool(rng.random() < 0.5), laps)


def lagged(values: Floats, step_s: float, tau_s: float) -> Floats:
    """First-order lag from 0, one value at a time."""
    keep = math.exp(-step_s / tau_s)
    found = accumulate(values.tolist(), lambda state, value: keep * state + (1 - keep) * value, initial=0.0)
    return np.fromiter(found, float, len(values) + 1)[1:]


@dataclass(frozen=True, slots=True)
class Drive:
    """The recorded part: truth on the fine grid."""

    time_s: Floats
    amps: Floats
    volts: Floats
    marks_s: Floats
    """When the start line was passed."""
    middle: list[Cells]
    """The blocks as they stood in the middle of the drive."""
    open_v: float
    """Open-circuit voltage of the whole at the start."""
    cells: list[Cells]
    """As they stand at the end."""
    nominal_v: float
    """Voltage at which the load's current is its shape; constant power draws more below."""


def drive(machine: Machine, load: Load) -> Drive:
    """Rest, then the load's laps."""
    cells = machine.fresh(machine.charge)
    per_tick = round(TICK_S / GRID_S)
    shape = np.concatenate(
        [np.zeros(round(REST_S / GRID_S)), *(load.shape_a * factor for factor in load.factors[: load.laps])]
    )
    shape = shape[: len(shape) // per_tick * per_tick]
    ticks = shape.reshape(-1, per_tick).mean(axis=1)
    nominal_v = machine.in_series * cells[0].open_v()
    growth, open_v, ohms = np.empty(len(ticks)), np.empty((len(cells), len(ticks))), np.empty((len(cells), len(ticks)))
    middle = cells
    for tick, amps in enumerate(ticks.tolist()):
        if tick == len(ticks) // 2:
            middle = deepcopy(cells)
        open_v[:, tick], ohms[:, tick] = [each.open_v() for each in cells], [each.ohm() for each in cells]
        level = _joined(machine, open_v[:, tick] - ohms[:, tick] * amps / machine.in_parallel)
        growth[tick] = nominal_v / max(level, LOWEST_SHARE * nominal_v) if load.constant_power else 1.0
        for each in cells:
            each.take(amps * growth[tick] * TICK_S / machine.in_parallel, 0.0, TICK_S)
    time_s = np.arange(len(shape)) * GRID_S
    at = np.arange(len(ticks)) * TICK_S
    amps = shape * np.interp(time_s, at, growth)
    volts = []
    for place, each in enumerate(cells):
        own = amps / machine.in_parallel
        part = each.relaxing
        volts.append(
            np.interp(time_s, at, open_v[place]) - np.interp(time_s, at, ohms[place]) * own
            - part.fast_v(lagged(own, GRID_S, part.fast_s)) - part.slow_ohm * lagged(own, GRID_S, part.slow_s)
        )  # fmt: skip
    whole = np.sum(volts, axis=0) if machine.in_series == 2 else np.mean(volts, axis=0)
    marks = REST_S + load.lap_s * np.arange(load.laps + 1)
    return Drive(time_s, amps, whole, marks, middle, _joined(machine, open_v[:, 0]), cells, nominal_v)


def _joined(machine: Machine, volts: Floats) -> float:
    return float(volts.sum()) if machine.in_series == 2 else float(volts.mean())


@dataclass(frozen=True, slots=True)
class Rest:
    """What a battery still gives."""

    seconds: float
    laps: float
    charge_ah: float
    energy_wh: float


def goes_on(machine: Machine, load: Load, cells: list[Cells], nominal_v: float, from_lap: int) -> Rest:
    """Until the first block's sustained voltage is at its cut-off, from lap `from_lap` on."""
    count = max(round(load.lap_s / LATER_S), 1)
    pieces = np.array([part.mean() for part in np.array_split(load.shape_a, count)])
    tick_s = load.lap_s / count
    keep = math.exp(-tick_s / SUSTAINED_S)
    slow = [0.0] * len(cells)
    level = [each.open_v() for each in cells]
    seconds, drawn_laps, given_ah, given_wh = 0.0, 0.0, 0.0, 0.0
    for factor in load.factors[from_lap:].tolist():
        for amps in (pieces * factor).tolist():
            grown = amps
            if load.constant_power:
                now = [each.open_v() - each.ohm() * amps / machine.in_parallel for each in cells]
                grown *= nominal_v / max(_joined(machine, np.array(now)), LOWEST_SHARE * nominal_v)
            own = grown / machine.in_parallel
            terminal = []
            for place, each in enumerate(cells):
                part = each.relaxing
                slow[place] += -math.expm1(-tick_s / part.slow_s) * (own - slow[place])
                fast = part.fast_ohm * part.knee_a * math.asinh(own / part.knee_a)
                volts = each.open_v() - each.ohm() * own - fast - part.slow_ohm * slow[place]
                terminal.append(volts)
                level[place] = keep * level[place] + (1 - keep) * volts
                each.take(own * tick_s, 0.0, tick_s)
            seconds += tick_s
            given_ah += grown * tick_s / 3600
            given_wh += grown * tick_s / 3600 * _joined(machine, np.array(terminal))
            drawn_laps += 1 / count
            if min(level) <= machine.cutoff_v:
                return Rest(seconds, drawn_laps, given_ah, given_wh)
    raise RuntimeError("the load was too small to empty the battery")
