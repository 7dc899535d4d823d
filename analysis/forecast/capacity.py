"""Charge a block gives at a load: the rate law (Peukert) and the two-well model side by side, and temperature.

Both rest on two data-sheet points of the battery in use; there is no default exponent. Worked example: docs/methods.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from amptally.analysis.errors import AnalysisError
from amptally.analysis.forecast.kibam import Floats, Kinetic, kinetic_family
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, as_reasons, refuse
from amptally.tables import battery_capacity_temperature as temperature

GREATEST_PUBLISHED_K = 1.6  # flooded, upper end of the range on fxsolver.com, Peukert's law
SHEET_U = 0.05  # 1 σ, relative, of a new battery against its sheet; common practice, no source
SHEET_ABOVE = 0.3
"""How far above its sheet a battery may lie, relative, at 95 %: the measured lead-acid set of tests/data gave 18.9 Ah
at 1.8 times the rated current of a 17 Ah nameplate, 15 to 25 % above it with rate exponents of 1.05 to 1.2; the cell
model fitted to such batteries gives 29 % more at the rated current (PyBaMM 26.10.1.1, Sulzer2019)."""
MEASURED_U = 0.035  # 1 σ, relative: repeated discharges of one battery differ by 3.5 % (tests/data/README.md)
WORN_TO = 0.8  # a battery is replaced below 80 % of rated capacity (storage battery maintenance handbook, pinacia.com)
LIKELY_GROWTH, GREATEST_GROWTH = 2.0, 3.0
"""How many times k − 1 grows beyond the faster sheet point: a fixed k promises too much there.

Carrying a pair of slow points on to the 1 h rate needs 2.0 and 1.9 times (T1, the sheet of a 40 Ah sealed lead-acid
block, pairs 20-10 h and 10-5 h) and 2.0 and 2.7 times (PyBaMM 26.10.1.1, Sulzer2019 LOQS and Full, 0.85-1.7 A).
"""
LEAD_ACID = frozenset({"agm", "gel", "flooded"})
OTHER_CHEMISTRY_PER_K = 0.006
"""1 σ per kelvin from 25 °C where no table is known: the slow slope of lead-acid as a stand-in, no source."""


class DataSheetError(AnalysisError, ValueError):
    """The data-sheet numbers cannot support a capacity; the message is the reason to show."""


@dataclass(frozen=True, slots=True)
class DataSheet:
    """Capacity of one block as its maker states it, machine file table [battery]."""

    capacity_ah: float | None
    """Rated capacity [Ah]."""
    hours: float | None
    """Discharge time it is rated at [h]."""
    second_capacity_ah: float | None
    """Capacity at a second rate [Ah]."""
    second_hours: float | None
    """Discharge time of the second rate [h]."""


@dataclass(frozen=True, slots=True)
class RateForm:
    """t = H (C/(I H))^k, Peukert's law in rate form, through two data-sheet points."""

    capacity_ah: float
    """C, rated capacity [Ah]."""
    hours: float
    """H, the discharge time of the rating [h]."""
    k: float
    """Exponent from the pair; 1 means no effect of rate."""
    slow_a: float
    """Current of the slower point [A]."""
    fast_a: float
    """Current of the faster point [A]; the law is not supported beyond the two."""

    @property
    def rated_a(self) -> float:
        """I_n = C/H [A]."""
        return self.capacity_ah / self.hours

    def runtime_h(self, current_a: float) -> float:
        """Hours a full block lasts at a constant current above 0 [A]."""
        return float(self.hours * (self.rated_a / current_a) ** self.k)

    def available_ah(self, current_a: float) -> float:
        """Charge given at a constant current above 0 [A]: C (I_n/I)^(k − 1)."""
        return float(self.capacity_ah * (self.rated_a / current_a) ** (self.k - 1))

    def carried_ah(self, current_a: float, growth: float = LIKELY_GROWTH) -> float:
        """The same, carried on outside the two points as batteries do rather than as the law does.

        Slower than the slow point: no more than that point gives. Faster than the fast point: k − 1 grows `growth`
        times on the part beyond it.
        """
        if current_a <= self.slow_a:
            return self.available_ah(self.slow_a)
        beyond = max(current_a / self.fast_a, 1.0)
        return float(self.available_ah(current_a) * beyond ** ((1 - growth) * (self.k - 1)))

    def extrapolates(self, current_a: float) -> bool:
        """Whether a current lies outside the two data-sheet points (1 % of slack for rounding)."""
        return not 0.99 * self.slow_a <= current_a <= 1.01 * self.fast_a


def peukert_k(hours: float, current_a: float, second_hours: float, second_a: float) -> float:
    """k = ln(t₂/t₁)/ln(I₁/I₂) from two constant-current discharges."""
    if min(hours, current_a, second_hours, second_a) <= 0 or current_a == second_a:
        raise DataSheetError("two different positive currents and times are needed for the rate exponent")
    return math.log(second_hours / hours) / math.log(current_a / second_a)


def rate_form(sheet: DataSheet) -> RateForm:
    """The rate law of a data sheet; DataSheetError says which number is missing or cannot be."""
    capacity_ah, hours, second_ah, second_h = _points(sheet)
    rated_a, second_a = capacity_ah / hours, second_ah / second_h
    if rated_a == second_a or (rated_a - second_a) * (hours - second_h) >= 0:
        raise DataSheetError("of the two data-sheet points the one with the shorter time must have the higher current")
    k = peukert_k(hours, rated_a, second_h, second_a)
    if k < 1 - 1e-9:
        raise DataSheetError(
            "the two data-sheet points give a rate exponent below 1, more charge at the faster rate: check the numbers"
        )
    return RateForm(capacity_ah, hours, max(k, 1.0), min(rated_a, second_a), max(rated_a, second_a))


def _points(sheet: DataSheet) -> tuple[float, float, float, float]:
    if sheet.capacity_ah is None or sheet.hours is None:
        raise DataSheetError("capacity_ah and capacity_hours are not given in the machine file")
    if sheet.second_capacity_ah is None or sheet.second_hours is None:
        raise DataSheetError(
            "no second data-sheet point: give second_capacity_ah and second_hours, there is no default rate exponent"
        )
    points = (sheet.capacity_ah, sheet.hours, sheet.second_capacity_ah, sheet.second_hours)
    if not all(math.isfinite(number) and number > 0 for number in points):
        raise DataSheetError("capacities and hours of the data sheet must be above 0")
    return points


def used_ah(form: RateForm, current_a: Floats, duration_h: Floats) -> Floats:
    """Charge used in terms of the rated current: ∫ I (I/I_n)^(k − 1) dt; the block is empty when it reaches C.

    `current_a` and `duration_h` have one entry per piece of constant current, along the last axis. While charging no
    rate term applies (NPTEL 108103009, module 9). Below the slower point the weight stays that of the slower point: a
    weight that goes to 0 with the current would let an idle load run for ever.
    """
    current = np.asarray(current_a, dtype=float)
    weight = (np.maximum(current, form.slow_a) / form.rated_a) ** (form.k - 1)
    return np.asarray(np.sum(np.where(current > 0, current * weight, current) * duration_h, axis=-1))


@lru_cache(maxsize=64)
def kinetic_models(sheet: DataSheet) -> tuple[Kinetic, ...]:
    """The two-well models through a sheet's two points; empty where the sheet shows no effect of rate."""
    form = rate_form(sheet)  # the same checks
    _, _, second_ah, second_h = _points(sheet)
    return kinetic_family(form.hours, form.capacity_ah, second_h, second_ah)


@dataclass(frozen=True, slots=True)
class TemperatureFactor:
    """Usable capacity over that at 25 °C."""

    factor: float
    """1 at 25 °C."""
    relative_u: float
    """1 σ, relative."""
    basis: str
    """Table and doubt."""


def temperature_factor(chemistry: str, temperature_c: float | None, discharge_h: float) -> TemperatureFactor:
    """Factor on capacity for a discharge lasting `discharge_h`; DataSheetError outside the tables' 0 to 40 °C.

    Lead-acid: the maker's table by discharge time. IEEE 485's polynomial is steeper; the two rules' distance is taken
    as the half-width of a rectangular doubt. Other chemistries: no sourced table, factor 1 and a widened interval.
    """
    if temperature_c is None:
        # 15 to 35 °C unknown: ±10 K, rectangular, on the slow slope of about 1 % per K between 10 and 25 °C.
        return TemperatureFactor(1.0, 0.10 / math.sqrt(3), "battery temperature not given, 25 °C within 10 K assumed")
    if chemistry not in LEAD_ACID:
        u = OTHER_CHEMISTRY_PER_K * abs(temperature_c - temperature.REFERENCE_C)
        return TemperatureFactor(1.0, u, f"no temperature table for {chemistry}: factor 1 at {temperature_c:g} °C")
    try:
        factor = temperature.maker_factor(temperature_c, discharge_h)
        steeper = 1 / temperature.ieee485_factor(temperature_c)
    except ValueError as error:
        raise DataSheetError(f"battery temperature: {error}") from None
    u = abs(steeper - factor) / factor / math.sqrt(3)
    return TemperatureFactor(factor, u, f"{temperature.SOURCE}: {factor:.3f} at {temperature_c:g} °C")


@dataclass(frozen=True, slots=True)
class CapacityAtLoad:
    """Charge that a full block gives at a constant current, by both models."""

    rate: Estimate
    """By the rate law [Ah]."""
    kinetic: Estimate
    """By the two-well model, the span of the family through the two points [Ah]."""


def capacity_at_load(
    sheet: DataSheet, current_a: float, chemistry: str, temperature_c: float | None = None
) -> CapacityAtLoad:
    """Capacity of one full block at `current_a` [A]; the interval holds sheet tolerance, wear to 80 %, temperature.

    Refused with the reason when the sheet lacks its second point or its points cannot be. Outside the two points the
    basis says "extrapolated".
    """
    try:
        form, models = rate_form(sheet), kinetic_models(sheet)
        if not current_a > 0:
            raise DataSheetError("no discharge current to state a capacity at")
        rate_ah = form.carried_ah(current_a)
        factor = temperature_factor(chemistry, temperature_c, rate_ah / current_a)
    except DataSheetError as error:
        return CapacityAtLoad(refuse("Ah", str(error)), refuse("Ah", str(error)))
    notes = [f"k = {form.k:.4f}" + (" (above published ranges)" if form.k > GREATEST_PUBLISHED_K else "")]
    if form.extrapolates(current_a):
        notes.append(f"extrapolated: the sheet covers {form.slow_a:.3g} to {form.fast_a:.3g} A")
    notes.append(factor.basis)
    span = (form.carried_ah(current_a, GREATEST_GROWTH), rate_ah, form.available_ah(current_a))
    rate = _ranged(span, factor, notes)
    given = sorted(full_capacity_ah(model, current_a) for model in models) or [form.capacity_ah]
    spread = (
        f"two-well models with c {models[0].c:g} to {models[-1].c:g}" if models else "no effect of rate in the sheet"
    )
    return CapacityAtLoad(rate, _ranged((given[0], sum(given) / len(given), given[-1]), factor, [spread, *notes[1:]]))


def full_capacity_ah(model: Kinetic, current_a: float) -> float:
    """Charge a full two-well battery gives at a constant current [A], found by bisection on Q(T) = I T."""
    low, high = model.c * model.qmax_ah / current_a, model.qmax_ah / current_a
    for _ in range(60):
        hours = (low + high) / 2
        low, high = (hours, high) if model.capacity_ah(hours) > current_a * hours else (low, hours)
    return current_a * low


def _ranged(span: tuple[float, float, float], factor: TemperatureFactor, notes: list[str]) -> Estimate:
    low, value, high = (factor.factor * ah for ah in span)
    both = COVERAGE_FACTOR * math.hypot(SHEET_U, factor.relative_u)
    below = math.hypot(value - low, both * value, (1 - WORN_TO) * value)
    above = math.hypot(high - value, both * value)
    basis = f"sheet ±{100 * SHEET_U:.0f} % (1 σ), wear down to {100 * WORN_TO:.0f} % not ruled out; {'; '.join(notes)}"
    return Estimate(value, max(value - below, 0.0), value + above, "Ah", reasons=as_reasons(basis))
