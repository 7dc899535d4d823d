"""Charge left and runtime at the load of this run, as an interval over both battery models. docs/methods.md carries
one case through.

The first block at its limit ends the run, or the battery management or the controller before it. Promising too much is
the dangerous side, so wherever something is not known it widens the low side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from amptally.analysis.forecast.battery_facts import BatteryFacts, BlockState, EndsBy, Use
from amptally.analysis.forecast.capacity import (
    MEASURED_U,
    SHEET_ABOVE,
    SHEET_U,
    DataSheetError,
    TemperatureFactor,
    temperature_factor,
)
from amptally.analysis.forecast.depletion import Assumption, BlockCount, outlook
from amptally.analysis.forecast.end_of_discharge import first_limit, unexamined
from amptally.analysis.forecast.peukert import rate_law
from amptally.analysis.forecast.voltage_curve import MOST, Knee
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, as_reasons, refuse
from amptally.analysis.results.propagation import power_of, product

VOLTAGE_FALLS_U = 0.03  # 1 σ, relative, of the mean voltage of what is left; no source
UNITS = {"charge_ah": "Ah", "energy_wh": "Wh", "runtime_s": "s", "distance_m": "m"}


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
    evidence: str | None = None
    """What drives the answer, and its greatest doubt; None when refused."""
    capacity_measured: bool = False
    """Whether it rests on a measured capacity."""
    load_growth: float = 1.0
    """Mean current of what is left over that of the run."""


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

    Refused with the reason when a start charge or the capacity is not known, the temperature is outside the tables, or
    the run drew nothing. Each assumption is moved alone to its 95 % end; the moves add in
    quadrature for each model, and the interval spans all models. A cut-off voltage that cannot be examined, for lack
    of a rest-voltage chart or a resistance, leaves the result `at_most`.
    """
    reason = _why_not(blocks, use)
    if reason is not None:
        return _refused(reason)
    load_a = max(block.load.mean_a for block in blocks)
    try:
        law = rate_law(battery.sheet, battery.chemistry, load_a, battery.measured)
        factor = temperature_factor(battery.chemistry, battery.temperature_c, law.likely.carried_ah(load_a) / load_a)
    except DataSheetError as error:
        return _refused(str(error))
    load_u = max(block.load.relative_u for block in blocks)
    names, assumptions = zip(*_assumptions(factor, battery, load_u, use.power_growth), strict=True)
    ahead = [outlook(law, _count(block), assumptions) for block in blocks]
    ends = first_limit(battery, blocks, use, ahead, assumptions)
    if not np.isfinite(ends.hours).all():
        return _refused("the load is too small for a forecast of its end")
    amps = use.mean_a * np.array([each.load_scale for each in assumptions])
    times = [_spread(names, row) for row in (3600 * ends.hours).tolist()]
    charges = [_spread(names, row) for row in (ends.hours * amps).tolist()]
    models = ["rate", *(f"kinetic c {well.c:g}" for well in law.wells)]
    forecasts = [
        ModelForecast(model, _merged([time], "s", ""), by)
        for model, time, by in zip(models, times, ends.by, strict=True)
    ]
    extrapolated = any(law.extrapolates(block.load.mean_a) for block in blocks)
    beyond = f"extrapolated: the data sheet covers {law.likely.slow_a:.3g} to {law.likely.fast_a:.3g} A a block"
    notes = (
        f"rate law and {len(law.wells)} two-well models",
        law.assumed,
        _capacity_note(battery),
        factor.basis,
        beyond if extrapolated else "",
        f"start: {blocks[0].start_charge.basis}",
    )
    basis = "; ".join(filter(None, notes))
    charge, runtime = _merged(charges, "Ah", basis), _merged(times, "s", basis)
    evidence = _evidence(battery, times)
    if use.knee is not None and charge.high is not None and use.knee.most_left_ah < charge.high:
        charge, runtime, evidence = _by_the_knee(
            charge, runtime, use.knee, use.mean_a, evidence, battery.measured is not None
        )
    one_sided = unexamined(battery, blocks) or _open_below(blocks)
    if one_sided:
        charge, runtime = charge.bounded("at_most", one_sided), runtime.bounded("at_most", one_sided)
    volts = power_of(
        use.voltage_share / use.mean_a, use.mean_power_w, 1, "V", {"voltage of what is left": VOLTAGE_FALLS_U}
    )
    if use.speed_m_s is None:
        distance = refuse("m", "no speed: neither wheel counts nor a lap length")
    else:
        distance = product(runtime, use.speed_m_s, "m")
    first = min(forecasts, key=lambda each: each.runtime_s.value or 0.0)
    energy = product(charge, volts, "Wh")
    measured = battery.measured is not None
    return Remaining(
        charge,
        energy,
        runtime,
        distance,
        first.ends_by,
        tuple(forecasts),
        extrapolated,
        evidence,
        measured,
        math.sqrt(use.power_growth),
    )


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


def _capacity_note(battery: BatteryFacts) -> str:
    if battery.measured is not None:
        told = f"{battery.measured.charge_ah:.4g} Ah in {battery.measured.hours:.3g} h"
        return f"measured capacity {told} ±{100 * MEASURED_U:.1f} % (1 σ)"
    worn = f"wear down to {100 * battery.worn_to:.0f} % not ruled out"
    return f"sheet ±{100 * SHEET_U:.0f} % (1 σ), up to {100 * SHEET_ABOVE:.0f} % above it seen, {worn}"


def _evidence(battery: BatteryFacts, times: Sequence[_Spread]) -> str:
    """What drives the answer and, in plain words, its greatest doubt."""
    source = "the sheet's capacity" if battery.measured is None else "the measured capacity"
    lowest = min(times, key=lambda each: each.value - each.below)
    doubt = lowest.downward[0] if lowest.downward else "none"
    if battery.measured is None and doubt in ("wear", "capacity"):
        doubt = "capacity, which nobody measured"
    return f"charge counted against {source}; greatest doubt: {doubt}"


def _by_the_knee(
    charge: Estimate, runtime: Estimate, knee: Knee, mean_a: float, evidence: str, measured: bool
) -> tuple[Estimate, Estimate, str]:
    """Charge left [Ah] and runtime [s] held to what the bent voltage curve leaves open; it only ever takes away."""
    assert charge.value is not None
    assert charge.low is not None
    if charge.value > (knee.most_left_ah if measured else min(MOST * knee.left_ah, knee.most_left_ah)):
        # The count contradicts the curve: then less is there than was counted on. A nameplate gives way sooner.
        value, low = knee.left_ah, min(charge.low, 0.5 * knee.left_ah)
        evidence = f"voltage under load: its knee has begun (bend {knee.bend:.2f}), the count promises more"
    else:
        value, low = charge.value, charge.low
        evidence = f"{evidence}; the voltage's knee has begun (bend {knee.bend:.2f}) and bounds it from above"
    basis = f"at most {knee.most_left_ah:.3g} Ah by the knee; {charge.basis}"
    held = Estimate(value, low, knee.most_left_ah, "Ah", reasons=as_reasons(basis))
    seconds = [3600 * part / mean_a for part in (value, low, knee.most_left_ah)]
    if value == charge.value:
        assert runtime.value is not None
        assert runtime.low is not None
        seconds = [runtime.value, runtime.low, max(seconds[2], runtime.value)]
    return held, Estimate(seconds[0], seconds[1], seconds[2], "s", reasons=as_reasons(basis)), evidence


def _assumptions(
    factor: TemperatureFactor, battery: BatteryFacts, load_u: float, power_growth: float
) -> list[tuple[str, Assumption]]:
    """The central assumption, then each one moved alone to its ends, by name."""
    # Neither constant current nor constant power is known: halfway between, each an end.
    likely_load = math.sqrt(power_growth)
    central = Assumption(capacity_scale=factor.factor, load_scale=likely_load)
    of_air = COVERAGE_FACTOR * factor.relative_u
    if battery.measured is None:
        below, above = math.hypot(COVERAGE_FACTOR * SHEET_U, of_air), math.hypot(SHEET_ABOVE, of_air)
        worn_to = battery.worn_to
    else:
        below = above = math.hypot(COVERAGE_FACTOR * MEASURED_U, of_air)
        worn_to = 1.0
    smaller, larger, worn = (max(factor.factor * scale, 0.05) for scale in (1 - below, 1 + above, worn_to))
    moved = [
        ("", central),
        ("capacity", replace(central, capacity_scale=smaller)),
        ("capacity", replace(central, capacity_scale=larger)),
        ("wear", replace(central, capacity_scale=worn)),
        ("power kept while the voltage falls", replace(central, load_scale=power_growth)),
        ("current kept while the voltage falls", replace(central, load_scale=1.0)),
    ]
    for side in (-1, 1):
        moved += [
            ("start charge", replace(central, start_side=side)),
            ("charge drawn", replace(central, drawn_side=side)),
            ("load to come", replace(central, load_scale=likely_load * max(1 - side * COVERAGE_FACTOR * load_u, 0.1))),
            ("rest-voltage chart", replace(central, voltage_side=side)),
            ("resistance", replace(central, ohm_side=side)),
            ("peaks at the cut-off", replace(central, trip_side=side)),
            ("rate exponent", replace(central, rate_side=side)),
        ]
    return moved


def _open_below(blocks: Sequence[BlockState]) -> str:
    return "start charge known only from above" if any(block.start_charge.low is None for block in blocks) else ""


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
    return Estimate(value, low, high, unit, reasons=as_reasons("; ".join(filter(None, (down, basis)))))
