"""Remaining charge and runtime at the load of this run, as an interval over both battery models.

The first block at its limit ends the run, or the battery management or the controller before it. Promising too much is
the dangerous side, so wherever something is not known it widens the low side. docs/methods.md carries one case through.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from amptally.analysis.forecast.capacity import TemperatureFactor, temperature_factor
from amptally.analysis.forecast.capacity_models import capacity_models
from amptally.analysis.forecast.data_sheet import MEASURED_U, SHEET_U, DataSheetError
from amptally.analysis.forecast.depletion import Assumption, BlockCharge, Floats, deplete
from amptally.analysis.forecast.end_of_discharge import RISE, RISES_BELOW, Touch, end_of_discharge, unchecked_cutoff
from amptally.analysis.forecast.inputs import BatteryData, BlockState, Demand, EndsBy
from amptally.analysis.forecast.voltage_curve import WIDENING, VoltageKnee
from amptally.analysis.quality.doubts import Aspect, Doubts
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, refuse
from amptally.analysis.results.propagation import power_of, product
from amptally.analysis.results.reason import Reason

VOLTAGE_FALLS_U = 0.03  # 1 σ, relative, of the mean voltage still to come; no source
UNITS = {"charge_ah": "Ah", "energy_wh": "Wh", "runtime_s": "s", "distance_m": "m"}


@dataclass(frozen=True, slots=True)
class ModelForecast:
    """What one model alone predicts."""

    model: str
    """peukert, or kinetic with its c."""
    runtime_s: Estimate
    """Runtime by this model [s]."""
    ends_by: EndsBy
    """What ends the run by this model."""


@dataclass(frozen=True, slots=True)
class CutoffTouch:
    """When the voltage first reaches one cut-off if the load goes on, depth of discharge aside."""

    by: EndsBy
    """Whose it is."""
    limit_v: float
    """The cut-off [V]: of a block, of the whole battery, or at the controller."""
    at_peaks_s: Estimate
    """At the load's peaks, as an alarm sees it [s]; refused where the charge ends before."""
    at_mean_s: Estimate
    """At its mean current [s]; likewise."""


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
    """What ends it; None where refused."""
    by_model: tuple[ModelForecast, ...] = ()
    """Peukert's law and the members of the two-well family."""
    extrapolated: bool = False
    """Whether a block's load lies outside the two data-sheet points."""
    evidence: tuple[Reason, ...] = ()
    """What the answer rests on, and its largest uncertainty; empty where refused."""
    capacity_measured: bool = False
    """Whether it rests on a measured capacity."""
    load_growth: float = 1.0
    """Mean current still to come over that of the run."""
    touches: tuple[CutoffTouch, ...] = ()
    """Of every cut-off by voltage that can be checked; empty where refused."""

    def held(self, doubts: Doubts) -> Remaining:
        """What the doubts about battery current and voltage leave of it."""
        ahead: tuple[tuple[str, Aspect], ...] = (("battery_current_a", "ahead"), ("battery_voltage_v", "ahead"))
        values = replace(
            self,
            charge_ah=doubts.hold(self.charge_ah, *ahead),
            energy_wh=doubts.hold(self.energy_wh, *ahead, ("battery_voltage_v", "energy_left")),
            runtime_s=doubts.hold(self.runtime_s, *ahead),
            distance_m=doubts.hold(self.distance_m, *ahead),
        )
        if values.runtime_s.is_refused:
            return replace(values, ends_by=None, evidence=(), touches=())
        touches = [
            replace(
                each,
                at_peaks_s=doubts.hold(each.at_peaks_s, *ahead),
                at_mean_s=doubts.hold(each.at_mean_s, *ahead),
            )
            for each in self.touches
        ]
        return replace(values, touches=tuple(touches))

    def at_most(self, reason: Reason) -> Remaining:
        """The same with all four values known from above only."""
        charge, energy, runtime, distance = (
            part if part.bound == "at_most" else part.bounded("at_most", reason)
            for part in (self.charge_ah, self.energy_wh, self.runtime_s, self.distance_m)
        )
        return replace(self, charge_ah=charge, energy_wh=energy, runtime_s=runtime, distance_m=distance)

    def emptied(self, ends_by: EndsBy, reason: Reason) -> Remaining:
        """Nothing is left at this load: what has a value becomes 0."""
        charge, energy, runtime, distance = (
            part if part.is_refused else Estimate(0.0, 0.0, 0.0, part.unit, reasons=(reason,))
            for part in (self.charge_ah, self.energy_wh, self.runtime_s, self.distance_m)
        )
        emptied = replace(self, charge_ah=charge, energy_wh=energy, runtime_s=runtime, distance_m=distance)
        return self if self.runtime_s.is_refused else replace(emptied, ends_by=ends_by, evidence=(reason,), touches=())


def refused_remaining(*reasons: Reason) -> Remaining:
    """A forecast that cannot be made."""
    charge, energy, runtime, distance = (refuse(unit, *reasons) for unit in UNITS.values())
    return Remaining(charge, energy, runtime, distance, None)


@dataclass(frozen=True, slots=True)
class _Spread:
    """Runtime or charge of one model: its central value and how far single assumptions move it."""

    value: float
    below: float
    above: float
    downward: tuple[str, ...] = ()
    """What moves it down most, largest first."""


def forecast(battery: BatteryData, blocks: Sequence[BlockState], demand: Demand) -> Remaining:
    """Remaining charge, energy, runtime and distance at the run's load, for one block or two.

    Refused with the reason where a start charge or the capacity is not known, the temperature is outside the tables, or
    the run drew nothing. Each assumption is moved alone to its 95 % end; the moves add in quadrature for each model,
    and the interval spans all models. A cut-off voltage that cannot be checked, for lack of a rest-voltage chart or a
    resistance, leaves the result `at_most`. Raises ValueError without any block.
    """
    against = _why_not(blocks, demand)
    if against:
        return refused_remaining(*against)
    load_a = max(block.load.mean_a for block in blocks)
    try:
        models = capacity_models(battery.sheet, battery.chemistry, load_a, battery.measured)
        full_h = models.likely.extrapolated_ah(load_a) / load_a
        factor = temperature_factor(battery.chemistry, battery.temperature_c, full_h)
        if battery.measured is not None and battery.measured.temperature_c is not None:
            then = temperature_factor(battery.chemistry, battery.measured.temperature_c, battery.measured.hours)
            # One rule moves both: its error counts for the way between the two.
            ratio, u = factor.factor / then.factor, abs(factor.relative_u - then.relative_u)
            factor = replace(factor, factor=ratio, relative_u=u)
    except DataSheetError as error:
        return refused_remaining(error.reason)
    load_u = max(block.load.relative_u for block in blocks)
    names, assumptions = zip(*_assumptions(factor, battery, load_u, demand.current_growth), strict=True)
    depletions = [deplete(models, _block_charge(block), assumptions) for block in blocks]
    ends = end_of_discharge(battery, blocks, demand, depletions, assumptions)
    if not np.isfinite(ends.hours).all():
        return refused_remaining(Reason("load_too_small"))
    amps = demand.mean_a * np.array([each.load_scale for each in assumptions])
    times = [_spread(names, row) for row in (3600 * ends.hours).tolist()]
    charges = [_spread(names, row) for row in (ends.hours * amps).tolist()]
    model_names = ["peukert", *(f"kinetic c {each.c:g}" for each in models.kinetic)]
    forecasts = [
        ModelForecast(model, _merged([time], "s"), by)
        for model, time, by in zip(model_names, times, ends.by, strict=True)
    ]
    extrapolated = any(models.extrapolates(block.load.mean_a) for block in blocks)
    reasons = [Reason("models_used", two_well_models=len(models.kinetic))]
    if models.assumed is not None:
        reasons.append(models.assumed)
    reasons += [_capacity_from(battery), factor.reason]
    if any(block.count > 1 for block in blocks):
        reasons.append(Reason("blocks_taken_alike", blocks=sum(block.count for block in blocks)))
    if not battery.shares_measured:
        reasons.append(Reason("equal_shares_assumed"))
    if extrapolated:
        reasons.append(Reason("extrapolated", slow_a=models.likely.slow_a, fast_a=models.likely.fast_a))
    if ends.touches:
        reasons.append(Reason("resistance_rises", below=RISES_BELOW, times=1 + RISE[0], times_high=1 + RISE[-1]))
    reasons += blocks[0].start_charge.reasons
    charge, runtime = _merged(charges, "Ah", reasons), _merged(times, "s", reasons)
    evidence = _evidence(battery, times)
    measured = battery.measured is not None
    knee = demand.knee
    if knee is not None and charge.high is not None and knee.remaining_max_ah < charge.high:
        charge, runtime, evidence = _limited_by_knee(charge, runtime, knee, demand.mean_a, evidence, measured)
    one_sided = _one_sided(battery, blocks)
    if one_sided:
        charge, runtime = charge.bounded("at_most", *one_sided), runtime.bounded("at_most", *one_sided)
    volts = power_of(
        demand.voltage_share / demand.mean_a,
        demand.mean_power_w,
        1,
        "V",
        {"voltage to come": VOLTAGE_FALLS_U},
    )
    speed = refuse("m/s", Reason("no_speed")) if demand.speed_m_s is None else demand.speed_m_s
    first = min(forecasts, key=lambda each: each.runtime_s.value or 0.0)
    return Remaining(
        charge_ah=charge,
        energy_wh=product(charge, volts, "Wh"),
        runtime_s=runtime,
        distance_m=product(runtime, speed, "m"),
        ends_by=first.ends_by,
        by_model=tuple(forecasts),
        extrapolated=extrapolated,
        evidence=evidence,
        capacity_measured=measured,
        load_growth=math.sqrt(demand.current_growth),
        touches=tuple(_touch(names, each, ends.hours) for each in ends.touches),
    )


def _touch(names: Sequence[str], touch: Touch, ends_h: Floats) -> CutoffTouch:
    """One cut-off's estimates; where it is not reached before the charge ends, that end stands in for the interval."""

    def when(hours: Floats) -> Estimate:
        if not np.isfinite(hours[:, 0]).all():
            return refuse("s", Reason("charge_ends_before_cutoff"))
        seconds = 3600 * np.where(np.isfinite(hours), hours, np.maximum(hours[:, :1], ends_h))
        return _merged([_spread(names, row) for row in seconds.tolist()], "s")

    return CutoffTouch(touch.by, touch.limit_v, when(touch.at_peaks_h), when(touch.at_mean_h))


def _why_not(blocks: Sequence[BlockState], demand: Demand) -> tuple[Reason, ...]:
    if not blocks:
        raise ValueError("a forecast needs at least one block")
    for block in blocks:
        if block.start_charge.is_refused:
            return block.start_charge.reasons
    if not (demand.mean_a > 0 and all(block.load.mean_a > 0 for block in blocks)):
        return (Reason("no_net_current"),)
    return ()


def _one_sided(battery: BatteryData, blocks: Sequence[BlockState]) -> tuple[Reason, ...]:
    """Why the forecast is known from above only; empty where it is not."""
    unchecked = unchecked_cutoff(battery, blocks)
    if any(block.start_charge.low is None for block in blocks):
        return (*_some(unchecked), Reason("start_charge_open_below"))
    return _some(unchecked)


def _some(reason: Reason | None) -> tuple[Reason, ...]:
    return () if reason is None else (reason,)


def _block_charge(block: BlockState) -> BlockCharge:
    start = block.start_charge
    assert start.value is not None
    low = 0.0 if start.low is None else start.low
    high = 1.0 if start.high is None else start.high
    return BlockCharge((low, start.value, high), block.drawn, COVERAGE_FACTOR * block.drawn_u_ah, block.load)


def _capacity_from(battery: BatteryData) -> Reason:
    measured = battery.measured
    if measured is not None:
        return Reason(
            "capacity_measured",
            charge_ah=measured.charge_ah,
            hours=measured.hours,
            relative_u=MEASURED_U,
            temperature_c=measured.temperature_c,
            block=measured.block,
        )
    return Reason(
        "capacity_from_sheet",
        relative_u=SHEET_U,
        above=battery.sheet_above,
        likely_left=battery.likely_left,
        worn_to=battery.worn_to,
    )


def _evidence(battery: BatteryData, times: Sequence[_Spread]) -> tuple[Reason, ...]:
    """What the answer rests on and its largest uncertainty."""
    measured = battery.measured is not None
    lowest = min(times, key=lambda each: each.value - each.below)
    largest = lowest.downward[0] if lowest.downward else None
    if not measured and largest in ("wear", "capacity"):
        return Reason("counted_against_capacity", measured=False), Reason("capacity_is_largest_uncertainty")
    return Reason("counted_against_capacity", measured=measured), Reason("largest_uncertainty", term=largest)


def _limited_by_knee(
    charge: Estimate,
    runtime: Estimate,
    knee: VoltageKnee,
    mean_a: float,
    evidence: tuple[Reason, ...],
    measured: bool,
) -> tuple[Estimate, Estimate, tuple[Reason, ...]]:
    """Remaining charge [Ah] and runtime [s], limited to what the knee of the voltage allows; it never adds any."""
    assert charge.value is not None
    assert charge.low is not None
    limit_ah = knee.remaining_max_ah
    if charge.value > (limit_ah if measured else min(WIDENING * knee.remaining_ah, limit_ah)):
        # The count contradicts the curve: less remains than was counted. A nameplate gives way sooner.
        value, low = knee.remaining_ah, min(charge.low, 0.5 * knee.remaining_ah)
        evidence = (Reason("knee_contradicts_count", bend=knee.bend),)
    else:
        value, low = charge.value, charge.low
        evidence = (*evidence, Reason("knee_limits", bend=knee.bend))
    reasons = (Reason("at_most_by_knee", limit_ah=limit_ah), *charge.reasons)
    limited = Estimate(value, low, limit_ah, "Ah", reasons=reasons)
    seconds = [3600 * part / mean_a for part in (value, low, limit_ah)]
    if value == charge.value:
        assert runtime.value is not None
        assert runtime.low is not None
        seconds = [runtime.value, runtime.low, max(seconds[2], runtime.value)]
    return limited, Estimate(seconds[0], seconds[1], seconds[2], "s", reasons=reasons), evidence


def _assumptions(
    factor: TemperatureFactor, battery: BatteryData, load_u: float, current_growth: float
) -> list[tuple[str, Assumption]]:
    """The central assumption, then each one moved alone to its ends, by name."""
    # Neither constant current nor constant power is known: the centre is halfway between, each an end.
    likely_load = math.sqrt(current_growth)
    worn = battery.likely_left if battery.measured is None else 1.0
    central = Assumption(capacity_scale=factor.factor * worn, time_scale=factor.factor, load_scale=likely_load)
    of_temperature = COVERAGE_FACTOR * factor.relative_u
    if battery.measured is None:
        below = math.hypot(COVERAGE_FACTOR * SHEET_U, of_temperature)
        above = math.hypot(battery.sheet_above, of_temperature)
        worn_to = battery.worn_to
    else:
        below = above = math.hypot(COVERAGE_FACTOR * MEASURED_U, of_temperature)
        worn_to = 1.0

    def capacity(left: float, of_sheet: float) -> Assumption:
        at_every_rate = max(factor.factor * of_sheet, 0.05)
        return replace(central, capacity_scale=left * at_every_rate, time_scale=at_every_rate)

    moved = [
        ("", central),
        ("capacity", capacity(worn, 1 - below)),
        ("capacity", capacity(1.0, 1 + above)),
        ("wear", capacity(min(worn_to, worn), 1.0)),
        ("power kept while the voltage falls", replace(central, load_scale=current_growth)),
        ("current kept while the voltage falls", replace(central, load_scale=1.0)),
    ]
    for side in (-1, 1):
        moved += [
            ("start charge", replace(central, start_side=side)),
            ("charge drawn", replace(central, drawn_side=side)),
            ("load to come", replace(central, load_scale=likely_load * max(1 - side * COVERAGE_FACTOR * load_u, 0.1))),
            ("rest-voltage chart", replace(central, voltage_side=side)),
            ("resistance", replace(central, ohm_side=side)),
            ("resistance towards empty", replace(central, rise_side=side)),
            ("peaks at the cut-off", replace(central, trip_side=side)),
            ("rate exponent", replace(central, rate_side=side)),
        ]
    return moved


def _spread(names: Sequence[str], outcomes: Sequence[float]) -> _Spread:
    central = outcomes[0]
    down = sorted(((max(central - each, 0.0), name) for name, each in zip(names, outcomes, strict=True)), reverse=True)
    below = math.hypot(*(move for move, _ in down))
    above = math.hypot(*(max(each - central, 0.0) for each in outcomes))
    return _Spread(central, below, above, tuple(name for move, name in down[:3] if move > 0.1 * below > 0))


def _merged(spreads: Sequence[_Spread], unit: str, reasons: Sequence[Reason] = ()) -> Estimate:
    """Peukert's law and the two-well family with equal weight.

    The low end is that of the lowest model: nothing is promised that one of them denies. At the high end which model is
    right and how large the battery is are two doubts, and add in quadrature.
    """
    peukert, *family = spreads

    def mean(of: Callable[[_Spread], float]) -> float:
        return (of(peukert) + sum(map(of, family)) / len(family)) / 2 if family else of(peukert)

    value = mean(lambda each: each.value)
    lowest = min(spreads, key=lambda each: each.value - each.below)
    low = max(lowest.value - lowest.below, 0.0)
    high = value + math.hypot(max(each.value for each in spreads) - value, mean(lambda each: each.above))
    low_end = (Reason("low_end_from", terms=lowest.downward),) if lowest.downward else ()
    return Estimate(value, low, high, unit, reasons=(*low_end, *reasons))
