"""The first of all limits that a load meets: a block exhausted, a block's voltage, battery management, controller."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from analysis.battery_facts import BatteryFacts, BlockState, EndsBy, Use
from analysis.estimate import COVERAGE_FACTOR
from analysis.outlook import Assumption, BlockModel
from analysis.state_of_charge import open_circuit_v
from analysis.tables.rest_voltage import TABLES


@dataclass(frozen=True, slots=True)
class End:
    """What ends a run, and after how many hours; inf when nothing does."""

    hours: float
    by: EndsBy


def unexamined(battery: BatteryFacts, blocks: Sequence[BlockState]) -> str:
    """Why a battery-management or controller cut-off cannot be examined; empty when it can, or none is given.

    The block's own cutoff_v needs no such doubt: it is the voltage to which the sheet counts the capacity.
    """
    if battery.bms_cutoff_v is None and battery.controller_cutoff_v is None:
        return ""
    if battery.controller_cutoff_v is None and battery.cutoff_v is not None and battery.bms_cutoff_v is not None:
        series = 2 if battery.in_series else 1
        if battery.bms_cutoff_v <= 1.001 * series * battery.cutoff_v:
            return ""  # the sheet's own end of discharge comes first, or with it
    if battery.chemistry not in TABLES:
        return f"no rest-voltage chart for {battery.chemistry}: a cut-off by voltage may come sooner"
    if not resistance_known(blocks):
        return "block resistance not known: a cut-off by voltage may come sooner"
    return ""


def resistance_known(blocks: Sequence[BlockState]) -> bool:
    return all(block.resistance_ohm is not None and block.resistance_ohm.value is not None for block in blocks)


def first_limit(
    battery: BatteryFacts, blocks: Sequence[BlockState], use: Use, models: Sequence[BlockModel], assumed: Assumption
) -> End:
    """The first limit that the load meets under one set of assumptions."""
    ends = []
    for block, model in zip(blocks, models, strict=True):
        ends.append(End(_first_below(_charge_limit(battery, model, assumed), math.inf), block.name))
    if battery.chemistry not in TABLES or not resistance_known(blocks):
        return min(ends, key=lambda end: end.hours)
    horizon_h = min(end.hours for end in ends)
    for limit, by in _voltage_limits(battery, blocks, use, models, assumed):
        ends.append(End(_first_below(limit, horizon_h), by))
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
