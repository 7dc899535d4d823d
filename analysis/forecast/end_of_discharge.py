"""What ends a discharge: a block exhausted, a block's voltage, battery management, or the controller."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from amptally.analysis.forecast.depletion import Assumption, Depletion, Floats
from amptally.analysis.forecast.inputs import BatteryData, BlockState, Demand, EndsBy
from amptally.analysis.results.estimate import COVERAGE_FACTOR
from amptally.analysis.results.reason import Reason
from amptally.tables.battery_rest_voltage import TABLES, chart_v

_BLOCKS = ("block_a", "block_b")
TRIED_H = 2.0 ** np.arange(21)
"""Hours between which a limit is searched for; beyond the last, 120 years, nothing ends."""
PARTS, ROUNDS = 9, 13
"""Into how many parts an interval that holds a crossing is divided, and how often: to 4e-13 of it."""


RISES_BELOW = 0.5
RISE = {-1: 2.0, 0: 1.0, 1: 0.0}
"""By how much, relative, the resistance of a block has risen at empty, in a straight line from half of what it can give
on; by side. Common practice, no source: lead-acid about doubles."""


@dataclass(frozen=True, slots=True)
class Touch:
    """When the voltage first reaches one cut-off; arrays of shape (models, assumptions), inf where it never does."""

    by: EndsBy
    limit_v: float
    at_peaks_h: Floats
    """With the largest 1 s RMS, as an alarm sees it."""
    at_mean_h: Floats
    """With the mean current."""


@dataclass(frozen=True, slots=True)
class EndOfDischarge:
    """What ends a discharge by each model under each assumption; arrays of shape (models, assumptions)."""

    hours: Floats
    """After how long [h]; inf where nothing does."""
    by: tuple[EndsBy, ...]
    """What it is by each model under the first assumption."""
    touches: tuple[Touch, ...] = ()
    """Of every cut-off by voltage that can be checked."""


def unchecked_cutoff(battery: BatteryData, blocks: Sequence[BlockState]) -> Reason | None:
    """Why a battery-management or controller cut-off cannot be checked; None where it can, or none is given.

    The block's own cutoff_v needs no check: it is the voltage to which the sheet counts the capacity.
    """
    if battery.bms_cutoff_v is None and battery.controller_cutoff_v is None:
        return None
    if battery.controller_cutoff_v is None and battery.cutoff_v is not None and battery.bms_cutoff_v is not None:
        series = sum(block.count for block in blocks) if battery.in_series else 1
        if battery.bms_cutoff_v <= 1.001 * series * battery.cutoff_v:
            return None  # the sheet's own end of discharge comes first, or with it
    if battery.chemistry not in TABLES:
        return Reason("cutoff_without_chart", chemistry=battery.chemistry)
    if not resistance_known(blocks):
        return Reason("cutoff_without_resistance")
    return None


def resistance_known(blocks: Sequence[BlockState]) -> bool:
    """Whether that of every block is."""
    return all(block.resistance_ohm is not None and block.resistance_ohm.value is not None for block in blocks)


def end_of_discharge(
    battery: BatteryData,
    blocks: Sequence[BlockState],
    demand: Demand,
    depletions: Sequence[Depletion],
    assumptions: Sequence[Assumption],
) -> EndOfDischarge:
    """The first limit that the load reaches, by each model under each assumption."""
    ends: list[tuple[Floats, EndsBy]] = []
    for block, depletion in zip(blocks, depletions, strict=True):
        never = np.full(depletion.level.shape, np.inf)
        ends.append((first_below(depletion.available, never), block.name))
    touches: list[Touch] = []
    if battery.chemistry in TABLES and resistance_known(blocks):
        horizon_h = np.minimum.reduce([hours for hours, _ in ends])
        scale = np.array([each.load_scale for each in assumptions])
        mean_a, peak_a = demand.mean_a * scale, max(demand.rms_1s_a, demand.rms_10s_a) * scale
        by_side_a = {-1: max(demand.rms_1s_a, demand.rms_10s_a), 0: demand.rms_10s_a, 1: demand.mean_a}
        trip_a = scale * np.array([by_side_a[each.trip_side] for each in assumptions])

        def reached_h(amps: Floats) -> list[Floats]:
            limits = _voltage_limits(battery, blocks, demand, depletions, assumptions, amps)
            return [first_below(limit, horizon_h) for limit, _, _ in limits]

        named = _voltage_limits(battery, blocks, demand, depletions, assumptions, mean_a)
        by_current = reached_h(mean_a), reached_h(trip_a), reached_h(peak_a)
        for (_, by, limit_v), mean, trip, peaks in zip(named, *by_current, strict=True):
            # The end of a sheet's discharge is one of a lasting load; what switches responds to peaks.
            ends.append((mean if by in _BLOCKS else trip, by))
            touches.append(Touch(by, limit_v, peaks, mean))
    all_of_them = np.stack([hours for hours, _ in ends])
    hours = all_of_them.min(axis=0)
    if battery.depth_of_discharge is not None and battery.depth_of_discharge < 1:
        # A share of what a full battery gives at this load, up to whatever ends it; the block used most counts.
        most = max(range(len(blocks)), key=lambda place: float(depletions[place].used_h[0]))
        hours = np.maximum(hours - (1 - battery.depth_of_discharge) * (hours + depletions[most].used_h), 0.0)
        return EndOfDischarge(hours, (blocks[most].name,) * len(hours), tuple(touches))
    first = all_of_them.argmin(axis=0)[:, 0].tolist()
    return EndOfDischarge(hours, tuple(ends[place][1] for place in first), tuple(touches))


def _voltage_limits(
    battery: BatteryData,
    blocks: Sequence[BlockState],
    demand: Demand,
    depletions: Sequence[Depletion],
    assumptions: Sequence[Assumption],
    whole_a: Floats,
) -> list[tuple[Callable[[Floats], Floats], EndsBy, float]]:
    """(volts above the limit after given hours, what it is, limit [V]) for each cut-off voltage given.

    `whole_a` [A], shape (assumptions,): current of the whole battery that pulls the voltage down.
    """
    total_a = sum(block.count * block.load.mean_a for block in blocks)
    counts = np.array([block.count for block in blocks])
    half = COVERAGE_FACTOR * TABLES[battery.chemistry].chart_u
    chart_shift = half * np.array([each.voltage_side for each in assumptions])
    rise = np.array([RISE[each.rise_side] for each in assumptions])

    def block_v(block: BlockState, depletion: Depletion) -> Callable[[Floats], Floats]:
        own_a = whole_a * (block.load.mean_a / (demand.mean_a if battery.in_series else total_a))
        drop_v = np.array([_ohm(block, each.ohm_side) for each in assumptions]) * own_a

        def volts(hours: Floats) -> Floats:
            share = depletion.available(hours)
            risen = 1 + rise * np.clip(1 - share / RISES_BELOW, 0.0, 1.0)
            resting = chart_v(battery.chemistry, battery.block_voltage_v, share + chart_shift)
            return np.asarray(resting - drop_v * risen)

        return volts

    each_v = [block_v(block, depletion) for block, depletion in zip(blocks, depletions, strict=True)]

    def battery_v(hours: Floats) -> Floats:
        volts = np.stack([each(hours) for each in each_v])
        return np.asarray(np.tensordot(counts, volts, 1) if battery.in_series else volts.min(axis=0))

    def above(volts: Callable[[Floats], Floats], limit_v: float | Floats) -> Callable[[Floats], Floats]:
        return lambda hours: volts(hours) - limit_v

    limits: list[tuple[Callable[[Floats], Floats], EndsBy, float]] = []
    if battery.cutoff_v is not None:
        limits += [
            (above(own_v, battery.cutoff_v), block.name, battery.cutoff_v)
            for block, own_v in zip(blocks, each_v, strict=True)
        ]
    if battery.bms_cutoff_v is not None:
        limits.append((above(battery_v, battery.bms_cutoff_v), "bms", battery.bms_cutoff_v))
    if battery.controller_cutoff_v is not None:
        at_battery_v = battery.controller_cutoff_v + demand.lead_ohm * whole_a
        limits.append((above(battery_v, at_battery_v), "controller", battery.controller_cutoff_v))
    return limits


def _ohm(block: BlockState, side: int) -> float:
    resistance = block.resistance_ohm
    if resistance is None or resistance.value is None:
        return 0.0
    end = {-1: resistance.high, 0: resistance.value, 1: resistance.low}[side]
    return resistance.value if end is None else end


def first_below(limit: Callable[[Floats], Floats], horizon_h: Floats) -> Floats:
    """Hours until `limit` falls to 0, searched up to `horizon_h`; inf where it does not. Once falling, it goes on.

    `limit` takes hours of shape (…, *horizon_h.shape): all crossings are bracketed together.
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
