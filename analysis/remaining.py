"""Charge left and runtime at the load of this run, as an interval over both battery models. docs/methods.md carries
one case through.

The first block at its limit ends the run, or the battery management or the controller before it. Promising too much is
the dangerous side, so wherever something is not known it widens the low side.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

from analysis.capacity import (
    SHEET_U,
    WORN_TO,
    DataSheet,
    DataSheetError,
    TemperatureFactor,
    kinetic_models,
    rate_form,
    temperature_factor,
)
from analysis.estimate import COVERAGE_FACTOR, Estimate, refuse
from analysis.load_profile import LoadProfile
from analysis.outlook import Assumption, BlockCount, BlockModel, RateBlock, kinetic_block
from analysis.propagate import power_of, product
from analysis.state_of_charge import open_circuit_v
from analysis.tables.rest_voltage import TABLES

EndsBy = Literal["block_a", "block_b", "controller", "bms"]
VOLTAGE_FALLS_U = 0.03  # 1 σ, relative: the mean voltage of what is left lies below the run's; no source
UNITS = {"charge_ah": "Ah", "energy_wh": "Wh", "runtime_s": "s", "distance_m": "m"}


@dataclass(frozen=True, slots=True)
class BlockState:
    """One block of the battery."""

    name: Literal["block_a", "block_b"]
    """block_a is the lower one in series."""
    start_charge: Estimate
    """Fraction of rated capacity when `drawn` begins; refused when not known."""
    load: LoadProfile
    """Current that will go on: that of the driven part of the run."""
    drawn: LoadProfile | None = None
    """Current since `start_charge` held; None for a forecast from there."""
    drawn_u_ah: float = 0.0
    """1 σ of the drawn charge [Ah], from the sensor."""
    resistance_ohm: Estimate | None = None
    """Resistance of the block at about 10 s; None when neither measured nor given."""


@dataclass(frozen=True, slots=True)
class BatteryFacts:
    """What the machine file says of the battery."""

    sheet: DataSheet
    """Capacity of one block."""
    chemistry: str
    """agm, gel, flooded, lfp, li_ion or nimh."""
    block_voltage_v: float
    """Nominal voltage of one block [V]."""
    in_series: bool
    """Whether two blocks share one current; False for parallel and for one block."""
    temperature_c: float | None = None
    """Of the battery [°C]."""
    depth_of_discharge: float | None = None
    """Part of rated capacity that the owner lets go, 0..1; None for all of it."""
    worn_to: float = WORN_TO
    """Least part of the sheet's capacity that the blocks may be down to; 1 when a capacity test says so."""
    cutoff_v: float | None = None
    """Voltage of a block under load at which the run is to end [V]."""
    bms_cutoff_v: float | None = None
    """Voltage of the whole battery at which its management opens [V]."""
    controller_cutoff_v: float | None = None
    """Voltage at the controller's terminals at which it stops [V]."""


@dataclass(frozen=True, slots=True)
class Use:
    """What this run asked of the whole battery."""

    mean_a: float
    """Mean battery current of the driven part [A]."""
    sustained_a: float
    """Greatest 10 s RMS of the battery current [A]."""
    brief_a: float
    """Greatest 1 s RMS of the battery current [A]."""
    mean_power_w: Estimate
    """Mean power of the driven part [W]."""
    speed_m_s: Estimate | None = None
    """Mean speed of the driven part [m/s]; None without wheel counts or lap length."""
    lead_ohm: float = 0.0
    """Resistance between battery and controller terminals [Ω]."""


@dataclass(frozen=True, slots=True)
class ModelForecast:
    """What one model alone says."""

    model: str
    """rate, or kinetic with its c."""
    runtime_s: Estimate
    """Runtime by this model [s]."""
    ends_by: EndsBy
    """What ends the run by this model."""


@dataclass(frozen=True, slots=True)
class Remaining:
    """The report's `remaining`, and each model's part in it."""

    charge_ah: Estimate
    """Charge the battery still gives at this load [Ah]."""
    energy_wh: Estimate
    """The same as energy [Wh]."""
    runtime_s: Estimate
    """How long it lasts [s]."""
    distance_m: Estimate
    """How far it goes [m]."""
    ends_by: EndsBy | None
    """What ends it; None when refused."""
    by_model: tuple[ModelForecast, ...] = ()
    """The rate law and the members of the two-well family."""
    extrapolated: bool = False
    """Whether a block's load lies outside the two data-sheet points."""

    def as_json(self) -> dict[str, object]:
        """The report's object."""
        estimates = {name: getattr(self, name).as_json() for name in UNITS}
        return {**estimates, "ends_by": self.ends_by}


@dataclass(frozen=True, slots=True)
class _End:
    hours: float
    by: EndsBy


@dataclass(frozen=True, slots=True)
class _Spread:
    """Runtime or charge of one model: its central value and how far single assumptions move it."""

    value: float
    below: float
    above: float
    downward: tuple[str, ...] = ()
    """What moves it down most, greatest first."""


def forecast(battery: BatteryFacts, blocks: Sequence[BlockState], use: Use) -> Remaining:
    """Charge left, energy, runtime and distance at the run's load.

    Refused with the reason when a start charge is not known, the sheet lacks its second point, the temperature is
    outside the tables, or the run drew nothing. Each assumption is moved alone to its 95 % end; the moves add in
    quadrature for each model, and the interval spans all models. A cut-off voltage that cannot be examined, for lack
    of a rest-voltage chart or a resistance, leaves the result `at_most`.
    """
    reason = _why_not(blocks, use)
    if reason is not None:
        return _refused(reason)
    try:
        form, family = rate_form(battery.sheet), kinetic_models(battery.sheet)
        load_a = max(block.load.mean_a for block in blocks)
        factor = temperature_factor(battery.chemistry, battery.temperature_c, form.carried_ah(load_a) / load_a)
    except DataSheetError as error:
        return _refused(str(error))
    counts = [_count(block) for block in blocks]
    outlooks: list[tuple[str, Sequence[BlockModel]]] = [
        ("rate", [RateBlock(form, count) for count in counts]),
        *(
            (f"kinetic c {each.c:g}", [kinetic_block(each, form.capacity_ah, count) for count in counts])
            for each in family
        ),
    ]
    load_u = max(block.load.relative_u for block in blocks)
    unexamined = _unexamined(battery, blocks)
    names, assumptions = zip(*_assumptions(factor, battery.worn_to, load_u), strict=True)
    times, charges, forecasts = [], [], []
    for model_name, models in outlooks:
        ends = [_end(battery, blocks, use, models, assumed) for assumed in assumptions]
        if not all(math.isfinite(end.hours) for end in ends):
            return _refused("the load is too small for a forecast of its end")
        times.append(_spread(names, [3600 * end.hours for end in ends]))
        amps = [use.mean_a * assumed.load_scale for assumed in assumptions]
        charges.append(_spread(names, [end.hours * current for end, current in zip(ends, amps, strict=True)]))
        forecasts.append(ModelForecast(model_name, _merged([times[-1]], "s", ""), ends[0].by))
    extrapolated = any(form.extrapolates(block.load.mean_a) for block in blocks)
    beyond = f"extrapolated: the data sheet covers {form.slow_a:.3g} to {form.fast_a:.3g} A a block"
    notes = (
        f"rate law and {len(family)} two-well models",
        f"sheet ±{100 * SHEET_U:.0f} % (1 σ), wear down to {100 * battery.worn_to:.0f} % not ruled out",
        factor.basis,
        beyond if extrapolated else "",
        f"start: {blocks[0].start_charge.basis}",
    )
    basis = "; ".join(filter(None, notes))
    charge, runtime = _merged(charges, "Ah", basis), _merged(times, "s", basis)
    one_sided = unexamined or _open_below(blocks)
    if one_sided:
        charge, runtime = charge.bounded("at_most", one_sided), runtime.bounded("at_most", one_sided)
    volts = power_of(1 / use.mean_a, use.mean_power_w, 1, "V", {"voltage of what is left": VOLTAGE_FALLS_U})
    if use.speed_m_s is None:
        distance = refuse("m", "no speed: neither wheel counts nor a lap length")
    else:
        distance = product(runtime, use.speed_m_s, "m")
    first = min(forecasts, key=lambda each: each.runtime_s.value or 0.0)
    energy = product(charge, volts, "Wh")
    return Remaining(charge, energy, runtime, distance, first.ends_by, tuple(forecasts), extrapolated)


def _why_not(blocks: Sequence[BlockState], use: Use) -> str | None:
    if not blocks:
        raise ValueError("a forecast needs at least one block")
    for block in blocks:
        if block.start_charge.value is None:
            return block.start_charge.refused or f"the charge of {block.name} at the start is not known"
    if not (use.mean_a > 0 and all(block.load.mean_a > 0 for block in blocks)):
        return "the run drew no net current: there is no load to go on at"
    return None


def _refused(reason: str) -> Remaining:
    charge, energy, runtime, distance = (refuse(unit, reason) for unit in UNITS.values())
    return Remaining(charge, energy, runtime, distance, None)


def _count(block: BlockState) -> BlockCount:
    start = block.start_charge
    assert start.value is not None
    low = 0.0 if start.low is None else start.low
    high = 1.0 if start.high is None else start.high
    return BlockCount((low, start.value, high), block.drawn, COVERAGE_FACTOR * block.drawn_u_ah, block.load)


def _assumptions(factor: TemperatureFactor, worn_to: float, load_u: float) -> list[tuple[str, Assumption]]:
    """The central assumption, then each one moved alone to its ends, by name."""
    central = Assumption(capacity_scale=factor.factor)
    new = COVERAGE_FACTOR * math.hypot(SHEET_U, factor.relative_u)
    smaller, larger, worn = (max(factor.factor * scale, 0.05) for scale in (1 - new, 1 + new, worn_to))
    moved = [
        ("", central),
        ("capacity", replace(central, capacity_scale=smaller)),
        ("capacity", replace(central, capacity_scale=larger)),
        ("wear", replace(central, capacity_scale=worn)),
    ]
    for side in (-1, 1):
        moved += [
            ("start charge", replace(central, start_side=side)),
            ("charge drawn", replace(central, drawn_side=side)),
            ("load to come", replace(central, load_scale=max(1 - side * COVERAGE_FACTOR * load_u, 0.1))),
            ("rest-voltage chart", replace(central, voltage_side=side)),
            ("resistance", replace(central, ohm_side=side)),
            ("peaks at the cut-off", replace(central, trip_side=side)),
            ("rate beyond the sheet", replace(central, rate_side=side)),
        ]
    return moved


def _unexamined(battery: BatteryFacts, blocks: Sequence[BlockState]) -> str:
    """Why a battery-management or controller cut-off cannot be examined; empty when it can, or none is given.

    The block's own cutoff_v needs no such doubt: it is the voltage to which the sheet counts the capacity.
    """
    if battery.bms_cutoff_v is None and battery.controller_cutoff_v is None:
        return ""
    if battery.chemistry not in TABLES:
        return f"no rest-voltage chart for {battery.chemistry}: a cut-off by voltage may come sooner"
    if not _resistance_known(blocks):
        return "block resistance not known: a cut-off by voltage may come sooner"
    return ""


def _resistance_known(blocks: Sequence[BlockState]) -> bool:
    return all(block.resistance_ohm is not None and block.resistance_ohm.value is not None for block in blocks)


def _open_below(blocks: Sequence[BlockState]) -> str:
    return "start charge known only from above" if any(block.start_charge.low is None for block in blocks) else ""


def _end(
    battery: BatteryFacts, blocks: Sequence[BlockState], use: Use, models: Sequence[BlockModel], assumed: Assumption
) -> _End:
    """The first limit that the load meets under one set of assumptions."""
    ends = []
    for block, model in zip(blocks, models, strict=True):
        ends.append(_End(_first_below(_charge_limit(battery, model, assumed), math.inf), block.name))
    if battery.chemistry not in TABLES or not _resistance_known(blocks):
        return min(ends, key=lambda end: end.hours)
    horizon_h = min(end.hours for end in ends)
    for limit, by in _voltage_limits(battery, blocks, use, models, assumed):
        ends.append(_End(_first_below(limit, horizon_h), by))
    return min(ends, key=lambda end: end.hours)


def _charge_limit(battery: BatteryFacts, model: BlockModel, assumed: Assumption) -> Callable[[float], float]:
    if battery.depth_of_discharge is None:
        return lambda hours: model.fullness(hours, assumed)
    kept = 1 - battery.depth_of_discharge
    return lambda hours: min(model.fullness(hours, assumed), model.charge_left(hours, assumed) - kept)


def _voltage_limits(
    battery: BatteryFacts, blocks: Sequence[BlockState], use: Use, models: Sequence[BlockModel], assumed: Assumption
) -> list[tuple[Callable[[float], float], EndsBy]]:
    """(volts above the limit after so many hours, what it is) for each cut-off voltage given."""
    pairs = list(zip(blocks, models, strict=True))
    trip_a = {-1: max(use.brief_a, use.sustained_a), 0: use.sustained_a, 1: use.mean_a}[assumed.trip_side]
    total_a = sum(block.load.mean_a for block in blocks)

    def block_v(block: BlockState, model: BlockModel, current_a: float, hours: float) -> float:
        half = COVERAGE_FACTOR * TABLES[battery.chemistry].chart_u
        fraction = model.fullness(hours, assumed) + assumed.voltage_side * half
        rest_v = open_circuit_v(battery.chemistry, battery.block_voltage_v, fraction)
        assert rest_v is not None
        return rest_v - _ohm(block, assumed.ohm_side) * current_a * assumed.load_scale

    def battery_v(hours: float) -> float:
        if battery.in_series:
            return sum(block_v(block, model, trip_a, hours) for block, model in pairs)
        return min(block_v(block, model, trip_a * block.load.mean_a / total_a, hours) for block, model in pairs)

    limits: list[tuple[Callable[[float], float], EndsBy]] = []
    if battery.cutoff_v is not None:
        # Bound early: a plain closure would see the last block only.
        for block, model in pairs:
            above = partial(_above_cutoff, block_v, block, model, battery.cutoff_v)
            limits.append((above, block.name))
    if battery.bms_cutoff_v is not None:
        bms_v = battery.bms_cutoff_v
        limits.append((lambda hours: battery_v(hours) - bms_v, "bms"))
    if battery.controller_cutoff_v is not None:
        at_battery_v = battery.controller_cutoff_v + use.lead_ohm * trip_a * assumed.load_scale
        limits.append((lambda hours: battery_v(hours) - at_battery_v, "controller"))
    return limits


def _above_cutoff(
    block_v: Callable[[BlockState, BlockModel, float, float], float],
    block: BlockState,
    model: BlockModel,
    cutoff_v: float,
    hours: float,
) -> float:
    return block_v(block, model, block.load.mean_a, hours) - cutoff_v


def _ohm(block: BlockState, side: int) -> float:
    resistance = block.resistance_ohm
    if resistance is None or resistance.value is None:
        return 0.0
    end = {-1: resistance.high, 0: resistance.value, 1: resistance.low}[side]
    return resistance.value if end is None else end


def _first_below(limit: Callable[[float], float], horizon_h: float) -> float:
    """Hours until `limit` falls to 0, at most `horizon_h`; inf when it does not. Falling once it falls."""
    if limit(0.0) <= 0:
        return 0.0
    low, high = 0.0, min(1.0, horizon_h)
    while limit(high) > 0:
        if high >= horizon_h or high > 1e6:
            return math.inf
        low, high = high, min(2 * high, horizon_h)
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if limit(middle) > 0 else (low, middle)
    return (low + high) / 2


def _spread(names: Sequence[str], outcomes: Sequence[float]) -> _Spread:
    central = outcomes[0]
    down = sorted(((max(central - each, 0.0), name) for name, each in zip(names, outcomes, strict=True)), reverse=True)
    below = math.hypot(*(move for move, _ in down))
    above = math.hypot(*(max(each - central, 0.0) for each in outcomes))
    return _Spread(central, below, above, tuple(name for move, name in down[:3] if move > 0.1 * below > 0))


def _merged(spreads: Sequence[_Spread], unit: str, basis: str) -> Estimate:
    """Rate law and two-well family with equal weight; the interval spans every model's own."""
    rate, *family = spreads
    value = (rate.value + sum(each.value for each in family) / len(family)) / 2 if family else rate.value
    lowest = min(spreads, key=lambda each: each.value - each.below)
    low = max(lowest.value - lowest.below, 0.0)
    high = max(each.value + each.above for each in spreads)
    down = f"low end: {', '.join(lowest.downward)}" if lowest.downward else ""
    return Estimate(value, low, high, unit, basis="; ".join(filter(None, (down, basis))))
