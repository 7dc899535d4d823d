"""What a run did to a wire: ampacity, short-time heating, voltage drop and loss. Worked example: docs/methods.md."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from amptally.analysis.protection.fuse_margin import CONTINUOUS_WINDOW_S, run_shorter
from amptally.analysis.quality.doubts import Aspect
from amptally.analysis.results.estimate import COVERAGE_FACTOR, UNDECLARED, Bound, Estimate, refuse
from amptally.analysis.results.propagation import power_of
from amptally.analysis.results.reason import Fact, Reason
from amptally.logger.machine.fields import Wire
from amptally.tables import wire_ampacity as table
from amptally.tables.fuse_above_wire import fuse_against_wire
from amptally.tables.wire_ampacity import Ampacity
from amptally.tables.wire_gauge import sae_area_ratio
from amptally.tables.wire_resistance import ALPHA_PER_K, STRANDING_U, resistance_ohm
from amptally.tables.wire_short_time import LONGEST_S, adiabatic_current_a, short_time_k

LENGTH_U = 0.05  # 1 σ, relative: a tape measure along a loom; common practice, no source

Part = Literal["fuse", "wire", "holder", "connector", "cutoff", "controller", "motor", "both_motors"]
"""What a lead is made of, and what its current passes."""
Verdict = Literal["under", "over", "unknown"]
Hold: TypeAlias = Callable[[Estimate, Aspect], Estimate]
"""What doubts about the lead's current leave of a value that rests on this aspect of it."""


@dataclass(frozen=True, slots=True)
class WireResult:
    """One wire of the report."""

    conductor: Wire
    """The wire as the machine file describes it."""
    ampacity_a: float | None
    """None when not supported; `ampacity_basis` says why."""
    ampacity_basis: Reason
    """Where the ampacity comes from, or why there is none."""
    margin: Estimate
    """Ampacity over the largest 10 min RMS."""
    adiabatic_margin: Estimate
    """Smallest ratio, over windows up to 5 s, of the current that heats the wire to its limit to the RMS."""
    drop_v: Estimate
    """Voltage lost in the wire at the peak current."""
    loss_w: Estimate
    """Heat in the wire at the RMS of the whole run."""
    verdict: Verdict
    """over: a value below 1. under: both low ends at 1 or more. Else unknown."""
    rule: tuple[Reason, ...]
    """What was measured, against which limit, with what margin."""


def ampacity(wire: Wire, ambient_c: float | None = None) -> Ampacity:
    """The ampacity of a wire in air at `ambient_c` [°C], None where it is not given."""
    return table.ampacity(wire.awg, wire.mm2, wire.insulation_c, ambient_c)


def ampacity_reason(limit: Ampacity) -> Reason:
    """Where an ampacity comes from and what was done to the table; why there is none."""
    if limit.value_a is None:
        return Reason(
            "no_ampacity",
            missing=limit.missing,
            area_mm2=limit.area_mm2,
            insulation_c=limit.insulation_c,
            column_c=limit.column_c,
            air_c=limit.air_c,
        )
    return Reason(
        "ampacity_of_table",
        rows_awg=limit.rows_awg,
        interpolated=limit.interpolated,
        insulation_c=limit.insulation_c,
        column_c=limit.column_c,
        air_factor=limit.air_factor,
        air_c=limit.air_c,
        air_given=limit.air_given,
    )


def assess_wire(
    conductor: Wire,
    *,
    rms_600_a: Estimate,
    peak_a: Estimate,
    whole_run_rms_a: Estimate,
    exposure: Sequence[tuple[float, float]],
    exposure_relative_u: float | None = None,
    exposure_bound: Bound = "estimate",
    ambient_c: float | None = None,
    rms_window_s: float = CONTINUOUS_WINDOW_S,
    hold: Hold = lambda value, _: value,
    description_fits: bool = True,
) -> WireResult:
    """Compare one lead's currents with what its wire carries.

    `exposure` holds (window [s], largest RMS [A]); windows above 5 s are not used. `exposure_relative_u` is the
    relative 1 σ of those RMS values (None: sensor not declared), `exposure_bound` is "at_least" when samples may have
    missed a shorter peak. `rms_window_s` is the length `rms_600_a` covers, when the run is shorter than ten minutes.
    A machine file whose battery does not fit the measured voltage (`description_fits` False) may describe another wire
    too: "over" stands, "under" does not.
    """
    limit = ampacity(conductor, ambient_c)
    margin = hold(_margin(limit, rms_600_a, rms_window_s), "margin")
    unknown = rms_600_a.reasons if rms_600_a.is_refused else (Reason("no_short_window", longest_s=LONGEST_S),)
    adiabatic, at_window_s = _adiabatic_margin(conductor, exposure, exposure_relative_u, exposure_bound, unknown)
    adiabatic = hold(adiabatic, "margin")
    drop, loss = _drop_and_loss(conductor, limit, ambient_c, rms_600_a, peak_a, whole_run_rms_a)
    verdict = verdict_of(margin, adiabatic)
    rule = _rule(limit, margin, rms_600_a, rms_window_s, adiabatic, at_window_s)
    if verdict == "under" and not description_fits:
        verdict, rule = "unknown", (*rule, Reason("verdict_withdrawn"))
    return WireResult(
        conductor,
        limit.value_a,
        ampacity_reason(limit),
        margin,
        adiabatic,
        hold(drop, "peak"),
        hold(loss, "heat"),
        verdict,
        rule,
    )


def _margin(limit: Ampacity, rms_a: Estimate, window_s: float) -> Estimate:
    if limit.value_a is None:
        return refuse("", ampacity_reason(limit))
    terms = {"ampacity between rows": limit.relative_u}
    found = power_of(limit.value_a, rms_a, -1, "", terms, note=Reason("ampacity_without_tolerance"))
    short = run_shorter(window_s)
    return found if short is None or found.is_refused else replace(found, reasons=(short, *found.reasons))


def _adiabatic_margin(
    wire: Wire,
    exposure: Sequence[tuple[float, float]],
    relative_u: float | None,
    bound: Bound,
    unknown: tuple[Reason, ...],
) -> tuple[Estimate, float | None]:
    if wire.size is None or wire.insulation_c is None:
        return refuse("", Reason("short_time_needs_wire")), None
    short = short_time_k(wire.insulation_c)
    if short is None:
        return refuse("", Reason("no_short_time_limit", insulation_c=wire.insulation_c)), None
    usable = [(window, rms) for window, rms in exposure if 0 < window <= LONGEST_S and rms > 0]
    if not usable:
        return refuse("", *unknown), None
    ratios = [(adiabatic_current_a(short.k, wire.size.area_mm2, window) / rms, window) for window, rms in usable]
    smallest, at_window_s = min(ratios)
    half = COVERAGE_FACTOR * (relative_u or 0.0)
    one = Estimate(1.0, 1 / (1 + half), 1 + half, "", reasons=() if relative_u is not None else (UNDECLARED,))
    less_copper = 1 - _sae_ratio(wire)
    terms = {"copper area": STRANDING_U}
    note = Reason(
        "short_time_k",
        k=short.k,
        start_c=short.start_c,
        end_c=short.end_c,
        from_formula=short.from_formula,
        passed_over=short.passed_over,
    )
    result = power_of(smallest, one, 1, "", terms, doubt_low=less_copper * smallest, note=note)
    if bound == "at_least":
        result = result.bounded("at_most", Reason("shorter_peak_missed"))
    return result, at_window_s


def _sae_ratio(wire: Wire) -> float:
    return 1.0 if wire.size is None or wire.size.awg is None else sae_area_ratio(wire.size.awg)


def _drop_and_loss(
    wire: Wire,
    limit: Ampacity,
    ambient_c: float | None,
    rms_600_a: Estimate,
    peak_a: Estimate,
    whole_run_rms_a: Estimate,
) -> tuple[Estimate, Estimate]:
    if wire.size is None or wire.length_m is None:
        reason = Reason("resistance_needs_wire")
        return refuse("V", reason), refuse("W", reason)
    air_c = table.BASE_AIR_C if ambient_c is None else ambient_c
    rise_k, rise_u_k, from_load = _temperature_rise(limit, rms_600_a)
    ohm = resistance_ohm(wire.size.area_mm2, wire.length_m, air_c + rise_k)
    # An SAE cable of the gauge may hold less copper than ASTM's size: more resistance, on one side only.
    more = 1 / _sae_ratio(wire) - 1
    terms = {
        "length": LENGTH_U,
        "copper area": STRANDING_U,
        "conductor temperature": ALPHA_PER_K * rise_u_k / (1 + ALPHA_PER_K * (air_c + rise_k - 20)),
    }
    note = Reason("copper_resistance", resistance_ohm=ohm, copper_c=air_c + rise_k, from_load=from_load)

    def scaled(current_a: Estimate, exponent: int, unit: str) -> Estimate:
        doubt = 0.0 if current_a.value is None else more * ohm * abs(current_a.value) ** exponent
        return power_of(ohm, current_a, exponent, unit, terms, doubt_high=doubt, note=note)

    return scaled(peak_a, 1, "V"), scaled(whole_run_rms_a, 2, "W")


def _temperature_rise(limit: Ampacity, rms_a: Estimate) -> tuple[float, float, bool]:
    """(rise [K], its 1 σ [K], whether the load gives it): by the square of the load, up to the column's temperature."""
    if limit.value_a is None or rms_a.value is None or limit.column_c is None:
        return 25.0, 25.0 / math.sqrt(3), False
    to_limit_k = limit.column_c - limit.air_c
    rise_k = to_limit_k * min((rms_a.value / limit.value_a) ** 2, 1.0)
    # Half the rise as 1 σ: a run shorter than the wire's warm-up stays cooler, a bundled wire runs hotter.
    return rise_k, rise_k / 2, True


def verdict_of(margin: Estimate, adiabatic: Estimate) -> Verdict:
    """The verdict from both margins."""
    both = (margin, adiabatic)
    if any(each.value is not None and each.value < 1 for each in both):
        return "over"
    if all(each.low is not None and each.low >= 1 for each in both):
        return "under"
    return "unknown"


def _rule(
    limit: Ampacity,
    margin: Estimate,
    rms_a: Estimate,
    window_s: float,
    adiabatic: Estimate,
    at_window_s: float | None,
) -> tuple[Reason, ...]:
    if margin.value is None or limit.value_a is None:
        long = Reason("no_ampacity_margin", why=margin.reasons)
    else:
        long = Reason(
            "load_against_ampacity",
            window_s=window_s,
            rms_a=rms_a.value,
            ampacity_a=limit.value_a,
            **_interval(margin),
        )
    if adiabatic.value is None:
        return long, Reason("no_short_time_margin", why=adiabatic.reasons)
    return long, Reason("tightest_short_window", window_s=at_window_s, longest_s=LONGEST_S, **_interval(adiabatic))


def _interval(margin: Estimate) -> dict[str, Fact]:
    return {"margin": margin.value, "low": margin.low, "high": margin.high, "bound": margin.bound}


@dataclass(frozen=True, slots=True)
class WeakestPart:
    """The part of a current path with the lowest rating."""

    part: Part
    rating_a: float
    unrated: tuple[Part, ...]
    """Parts whose rating is not known: any of them may be weaker."""


def weakest_part(parts: Sequence[tuple[Part, float | None]]) -> WeakestPart | None:
    """The part with the lowest rating among (part, rating [A] or None); the first of equals; None without a rating."""
    rated = [(rating, part) for part, rating in parts if rating is not None]
    if not rated:
        return None
    rating, part = min(rated, key=lambda each: each[0])
    return WeakestPart(part, rating, tuple(part for part, amps in parts if amps is None))


def fuse_over_wire(place: str, fuse_rating_a: float, limit: Ampacity, fuse: str | None = None) -> Reason | None:
    """The finding that a fuse lets its wire carry more than its ampacity; None when it does not, or it stays open.

    `place` is the wire's; `fuse` is the fuse's where that is another one: the main fuse protects a lead that has none.
    """
    found = fuse_against_wire(fuse_rating_a, limit)
    if found.severity is None or found.ratio is None:
        return None
    return Reason(
        "fuse_above_wire",
        found.severity,
        place=place,
        fuse=fuse or place,
        ratio=found.ratio,
        at_least=found.at_least,
        rating_a=fuse_rating_a,
        ampacity_a=limit.value_a,
        most_a=limit.most_a,
        ampacity=ampacity_reason(limit),
    )
