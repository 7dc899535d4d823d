"""The first of all limits that a load meets: a block exhausted, a block's voltage, battery management, controller."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from amptally.analysis.forecast.battery_facts import BatteryFacts, BlockState, EndsBy, Use
from amptally.analysis.forecast.depletion import Assumption, Floats, Outlook
from amptally.analysis.results.estimate import COVERAGE_FACTOR
from amptally.tables.battery_rest_voltage import TABLES, chart_v

TRIED_H = 2.0 ** np.arange(21)
"""Hours among which a limit is looked for; beyond the last, 120 years, nothing ends."""
PARTS, ROUNDS = 9, 13
"""Into how many parts a stretch that holds a crossing is cut, and how often: to 4e-13 of it."""


@dataclass(frozen=True, slots=True)
class Ends:
    """What ends a run by each model under each assumption; arrays of shape (models, assumptions)."""

    hours: Floats
    """After how long; inf when nothing does."""
    by: tuple[EndsBy, ...]
    """What it is by each model under the first assumption."""


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
    battery: BatteryFacts,
    blocks: Sequence[BlockState],
    use: Use,
    outlooks: Sequence[Outlook],
    assumptions: Sequence[Assumption],
) -> Ends:
    """The first limit that the load meets, by each model under each assumption."""
    ends: list[tuple[Floats, EndsBy]] = []
    for block, ahead in zip(blocks, outlooks, strict=True):
        never = np.full(ahead.level.shape, np.inf)
        ends.append((first_below(_charge_limit(battery, ahead), never), block.name))
    if battery.chemistry in TABLES and resistance_known(blocks):
        horizon_h = np.minimum.reduce([hours for hours, _ in ends])
        for limit, by in _voltage_limits(battery, blocks, use, outlooks, assumptions):
            ends.append((first_below(limit, horizon_h), by))
    all_of_them = np.stack([hours for hours, _ in ends])
    first = all_of_them.argmin(axis=0)[:, 0].tolist()
    return Ends(all_of_them.min(axis=0), tuple(ends[place][1] for place in first))


def _charge_limit(battery: BatteryFacts, ahead: Outlook) -> Callable[[Floats], Floats]:
    if battery.depth_of_discharge is None:
        return ahead.fullness
    kept = 1 - battery.depth_of_discharge
    return lambda hours: np.asarray(np.minimum(ahead.fullness(hours), ahead.charge_left(hours) - kept))


def _voltage_limits(
    battery: BatteryFacts,
    blocks: Sequence[BlockState],
    use: Use,
    outlooks: Sequence[Outlook],
    assumptions: Sequence[Assumption],
) -> list[tuple[Callable[[Floats], Floats], EndsBy]]:
    """(volts above the limit after so many hours, what it is) for each cut-off voltage given."""
    pairs = list(zip(blocks, outlooks, strict=True))
    seen_a = {-1: max(use.brief_a, use.sustained_a), 0: use.sustained_a, 1: use.mean_a}
    load_scale = np.array([each.load_scale for each in assumptions])
    trip_a = load_scale * np.array([seen_a[each.trip_side] for each in assumptions])
    total_a = sum(block.load.mean_a for block in blocks)
    half = COVERAGE_FACTOR * TABLES[battery.chemistry].chart_u
    moved = half * np.array([each.voltage_side for each in assumptions])

    def block_v(block: BlockState, ahead: Outlook, current_a: Floats) -> Callable[[Floats], Floats]:
        drop_v = np.array([_ohm(block, each.ohm_side) for each in assumptions]) * current_a
        return lambda hours: chart_v(battery.chemistry, battery.block_voltage_v, ahead.fullness(hours) + moved) - drop_v

    share = [1.0] * len(pairs) if battery.in_series else [block.load.mean_a / total_a for block in blocks]
    each_v = [block_v(block, ahead, trip_a * part) for (block, ahead), part in zip(pairs, share, strict=True)]

    def battery_v(hours: Floats) -> Floats:
        volts = np.stack([each(hours) for each in each_v])
        return np.asarray(volts.sum(axis=0) if battery.in_series else volts.min(axis=0))

    def above(volts: Callable[[Floats], Floats], least_v: float | Floats) -> Callable[[Floats], Floats]:
        return lambda hours: volts(hours) - least_v

    limits: list[tuple[Callable[[Floats], Floats], EndsBy]] = []
    if battery.cutoff_v is not None:
        for block, ahead in pairs:
            limits.append((above(block_v(block, ahead, block.load.mean_a * load_scale), battery.cutoff_v), block.name))
    if battery.bms_cutoff_v is not None:
        limits.append((above(battery_v, battery.bms_cutoff_v), "bms"))
    if battery.controller_cutoff_v is not None:
        limits.append((above(battery_v, battery.controller_cutoff_v + use.lead_ohm * trip_a), "controller"))
    return limits


def _ohm(block: BlockState, side: int) -> float:
    resistance = block.resistance_ohm
    if resistance is None or resistance.value is None:
        return 0.0
    end = {-1: resistance.high, 0: resistance.value, 1: resistance.low}[side]
    return resistance.value if end is None else end


def first_below(limit: Callable[[Floats], Floats], horizon_h: Floats) -> Floats:
    """Hours until `limit` falls to 0, at most `horizon_h`; inf when it does not. Falling once it falls.

    `limit` takes hours of shape (…, *horizon_h.shape): all that is asked for closes in together.
    """
    lengthwise = (-1, *(1,) * horizon_h.ndim)
    tried = np.minimum(TRIED_H.reshape(lengthwise), horizon_h)
    below = limit(tried) <= 0
    high = np.take_along_axis(tried, below.argmax(axis=0)[None], axis=0)[0]
    low = np.where(below[0], 0.0, high / 2)
    inner = (np.arange(1, PARTS) / PARTS).reshape(lengthwise)
    for _ in range(ROUNDS):
        width = (high - low) / PARTS
        low = low + width * (limit(low + (high - low) * inner) > 0).sum(axis=0)
        high = low + width
    hours = np.where(below.any(axis=0), (low + high) / 2, np.inf)
    return np.asarray(np.where(limit(np.zeros_like(horizon_h)) <= 0, 0.0, hours))
