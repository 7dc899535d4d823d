"""Charge a block gives at a load: Peukert's law and the two-well model side by side, and the effect of temperature.

Both rest on two data-sheet points of the battery in use; there is no default exponent. Worked example: docs/methods.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from amptally.analysis.forecast.capacity_models import kinetic_models
from amptally.analysis.forecast.data_sheet import SHEET_U, WORN_TO, DataSheet, DataSheetError
from amptally.analysis.forecast.kibam import KineticModel
from amptally.analysis.forecast.peukert import MAX_GROWTH, MAX_PUBLISHED_K, peukert_law
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.tables import battery_capacity_temperature as temperature

LEAD_ACID = frozenset({"agm", "gel", "flooded"})
UNKNOWN_WITHIN_K = 10.0
"""Where no temperature is given, 25 °C within this is assumed."""
RECTANGULAR_U = 0.95 / COVERAGE_FACTOR
"""1 σ over the half-width of a rectangular law, as it counts here: 95 % of it lie within 0.95 of the half-width by
arithmetic, while 1.96 standard deviations reach beyond all of it."""
OTHER_CHEMISTRY_PER_K = 0.006
"""1 σ per kelvin from 25 °C where no table is known: the slow slope of lead-acid as a stand-in, no source."""


COLDEST_C = -20.0
"""Colder than this nothing is said of a lead-acid battery: a discharged one may freeze (from memory)."""
COLD_SLOPE_PER_K = 0.008
"""Loss of capacity per kelvin below 0 °C: the sheet of a 40 Ah sealed lead-acid block says 90 % at 10 °C and 74 % at
−10 °C."""
COLD_DOUBT_PER_K = 0.01
"""Half-width of a rectangular doubt about it, per kelvin below 0 °C. Our own choice."""


@dataclass(frozen=True, slots=True)
class TemperatureFactor:
    """Usable capacity over that at 25 °C."""

    factor: float
    """1 at 25 °C."""
    relative_u: float
    """1 σ, relative; where a rectangular law stands behind it, 1/1.96 of what holds 95 %."""
    reason: Reason
    """What it rests on."""


def temperature_factor(chemistry: str, temperature_c: float | None, discharge_h: float) -> TemperatureFactor:
    """Factor on capacity at `temperature_c` [°C] for a discharge lasting `discharge_h` [h].

    Lead-acid: the maker's table by discharge time. IEEE 485's polynomial is steeper; the two rules' distance is taken
    as the half-width of a rectangular law (JCGM 100, 4.3.7); below 0 °C, to −20 °C, the table's end carried on, with a
    doubt that grows. Other chemistries: no sourced table, factor 1 and a wider interval, below 0 °C lowered alike.
    Without a temperature 25 °C within 10 K, rectangular: for lead-acid as far as the same two rules fall to 15 °C.
    Raises DataSheetError for lead-acid below −20 and above 40 °C.
    """
    if temperature_c is None:
        if chemistry in LEAD_ACID:
            coldest = temperature_factor(chemistry, temperature.REFERENCE_C - UNKNOWN_WITHIN_K, discharge_h)
            u = math.hypot(RECTANGULAR_U * (1 - coldest.factor), coldest.factor * coldest.relative_u)
        else:
            u = RECTANGULAR_U * OTHER_CHEMISTRY_PER_K * UNKNOWN_WITHIN_K
        assumed = Reason("temperature_assumed", temperature_c=temperature.REFERENCE_C, within_k=UNKNOWN_WITHIN_K)
        return TemperatureFactor(1.0, u, assumed)
    if chemistry not in LEAD_ACID:
        u = OTHER_CHEMISTRY_PER_K * abs(temperature_c - temperature.REFERENCE_C)
        if temperature_c < 0:
            return _below_table(temperature_c, 1.0, u)
        none = Reason("no_temperature_table", chemistry=chemistry, temperature_c=temperature_c)
        return TemperatureFactor(1.0, u, none)
    lowest_c, highest_c = min(temperature.CHANGE_PERCENT), max(temperature.CHANGE_PERCENT)
    if COLDEST_C <= temperature_c < lowest_c:
        at_end = temperature_factor(chemistry, lowest_c, discharge_h)
        return _below_table(temperature_c, at_end.factor, at_end.relative_u)
    if not lowest_c <= temperature_c <= highest_c:
        outside = Reason(
            "temperature_outside_table", temperature_c=temperature_c, lowest_c=lowest_c, highest_c=highest_c
        )
        raise DataSheetError(outside)
    factor = temperature.maker_factor(temperature_c, discharge_h)
    steeper = 1 / temperature.ieee485_factor(temperature_c)
    u = RECTANGULAR_U * abs(steeper - factor) / factor
    return TemperatureFactor(factor, u, Reason("temperature_factor", factor=factor, temperature_c=temperature_c))


def _below_table(temperature_c: float, factor: float, relative_u: float) -> TemperatureFactor:
    """Below 0 °C, from the factor there and its 1 σ."""
    cold = max(factor - COLD_SLOPE_PER_K * -temperature_c, 0.1)
    u = math.hypot(relative_u, RECTANGULAR_U * COLD_DOUBT_PER_K * -temperature_c / cold)
    half = COVERAGE_FACTOR * u * cold
    stated = Reason(
        "temperature_below_table",
        temperature_c=temperature_c,
        lowest_c=0.0,
        low=max(cold - half, 0.0),
        high=min(cold + half, 1.0),
    )
    return TemperatureFactor(cold, u, stated)


@dataclass(frozen=True, slots=True)
class CapacityAtLoad:
    """Charge that a full block gives at a constant current, by both models."""

    peukert: Estimate
    """By Peukert's law [Ah]."""
    kinetic: Estimate
    """By the two-well model, the span of the family through the two points [Ah]."""


def capacity_at_load(
    sheet: DataSheet, current_a: float, chemistry: str, temperature_c: float | None = None
) -> CapacityAtLoad:
    """Capacity of one full block at `current_a` [A]; the interval holds sheet tolerance, wear to 80 %, temperature.

    Refused with the reason where the sheet lacks its second point, its points contradict each other, or the
    temperature [°C] is outside the tables. Outside the two points the reasons hold "extrapolated".
    """
    try:
        law, models = peukert_law(sheet), kinetic_models(sheet)
        if not current_a > 0:
            raise DataSheetError(Reason("no_discharge_current"))
        likely_ah = law.extrapolated_ah(current_a)
        factor = temperature_factor(chemistry, temperature_c, likely_ah / current_a)
    except DataSheetError as error:
        return CapacityAtLoad(refuse("Ah", error.reason), refuse("Ah", error.reason))
    shared: tuple[Reason, ...] = (factor.reason,)
    if law.extrapolates(current_a):
        shared = (Reason("extrapolated", slow_a=law.slow_a, fast_a=law.fast_a), factor.reason)
    exponent = Reason("exponent_from_sheet", k=law.k, above_published=law.k > MAX_PUBLISHED_K)
    span = (law.extrapolated_ah(current_a, MAX_GROWTH), likely_ah, law.available_ah(current_a))
    peukert = _with_sheet_tolerance(span, factor, (exponent, *shared))
    given = sorted(full_capacity_ah(model, current_a) for model in models) or [law.capacity_ah]
    family = Reason("no_rate_effect")
    if models:
        family = Reason("two_well_family", lowest_c=models[0].c, highest_c=models[-1].c)
    kinetic_span = (given[0], sum(given) / len(given), given[-1])
    return CapacityAtLoad(peukert, _with_sheet_tolerance(kinetic_span, factor, (family, *shared)))


def full_capacity_ah(model: KineticModel, current_a: float) -> float:
    """Charge [Ah] a full two-well battery gives at a constant current [A], found by bisection on Q(T) = I T."""
    low, high = model.c * model.qmax_ah / current_a, model.qmax_ah / current_a
    for _ in range(60):
        hours = (low + high) / 2
        low, high = (hours, high) if model.capacity_ah(hours) > current_a * hours else (low, hours)
    return current_a * low


def _with_sheet_tolerance(
    span_ah: tuple[float, float, float], factor: TemperatureFactor, reasons: tuple[Reason, ...]
) -> Estimate:
    low, value, high = (factor.factor * ah for ah in span_ah)
    both = COVERAGE_FACTOR * math.hypot(SHEET_U, factor.relative_u)
    below = math.hypot(value - low, both * value, (1 - WORN_TO) * value)
    above = math.hypot(high - value, both * value)
    tolerance = Reason("sheet_tolerance", relative_u=SHEET_U, worn_to=WORN_TO)
    return Estimate(value, max(value - below, 0.0), value + above, "Ah", reasons=(tolerance, *reasons))
