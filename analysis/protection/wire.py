"""What a run did to a wire: ampacity, short-time heating, voltage drop and loss. Worked example: docs/methods.md."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from amptally.analysis.exposure.exposure import (
    WINDOW_INTERVALS,
    CurrentError,
    Exposure,
    Window,
    rms_estimate,
    window_list,
)
from amptally.analysis.protection.fuse_margin import between
from amptally.analysis.protection.heating import Assumed, Hottest, first_current_a, hottest
from amptally.analysis.protection.thermal_memory import Network
from amptally.analysis.quality.doubts import Aspect
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, above_zero, estimate, refuse
from amptally.analysis.results.propagation import power_of
from amptally.analysis.results.reason import Fact, Reason
from amptally.analysis.signals.sampling import rms_sampling_u
from amptally.logger.machine.fields import Wire
from amptally.tables import wire_ampacity as table
from amptally.tables.fuse_above_wire import fuse_against_wire
from amptally.tables.wire_ampacity import Ampacity
from amptally.tables.wire_gauge import sae_area_ratio
from amptally.tables.wire_heating import time_constant_s
from amptally.tables.wire_resistance import ALPHA_PER_K, STRANDING_U, resistance_ohm
from amptally.tables.wire_short_time import LONGEST_S, adiabatic_current_a, short_time_k

LENGTH_U = 0.05  # 1 σ, relative: a tape measure along a loom; common practice, no source
STARTED_LOADED = 0.1
"""Share of the ampacity from which a first current is said to have been there before the run: 1 % of the rise."""
MEMORY_CONSTANTS = 2.3
"""Nine tenths of a rise come from the last time constants, this many: ln 10."""

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
    """Factor on the whole current at which its hottest moment would have reached the insulation's temperature: ampacity
    over current for a long steady one."""
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


@dataclass(frozen=True, slots=True)
class WireCurrent:
    """The current that passed a wire: measured in its own lead, or drawn from the lead beyond the controller."""

    likely: Exposure
    lower: Exposure | None
    """What bounds it from below: `likely` itself where it was measured. None: nothing does."""
    upper: Exposure | None
    """Likewise from above."""
    how: tuple[Reason, ...]
    """What an estimate rests on; empty where it was measured."""
    error: CurrentError
    peak_a: Estimate
    largest_a: float | None = None
    """No more can have flowed where nothing was measured, by what the machine file declares; None: not declared."""

    @property
    def measured(self) -> bool:
        """The sensor saw the wire's own current."""
        return not self.how

    def gives(self, value: Callable[[Exposure], Estimate], *, falls: bool) -> Estimate:
        """A value of this current, each end from the bound on its side; `falls`: it falls where the current rises."""
        middle = value(self.likely)
        if self.measured:
            return middle
        lower, upper = (None if each is None else value(each) for each in (self.lower, self.upper))
        return between(middle, upper if falls else lower, lower if falls else upper, self.how)


def assess_wire(
    conductor: Wire,
    current: WireCurrent | tuple[Reason, ...],
    *,
    ambient_c: float | None = None,
    hold: Hold = lambda value, _: value,
    description_fits: bool = True,
) -> WireResult:
    """Compare one lead's current, or the reasons why it is not known, with what its wire carries.

    A machine file whose battery does not fit the measured voltage (`description_fits` False) may describe another wire
    too: "over" stands, "under" does not.
    """
    limit = ampacity(conductor, ambient_c)
    if isinstance(current, WireCurrent):
        margin, heated = _margin(conductor, limit, current)
        adiabatic, at_window_s = _adiabatic_margin(conductor, current)
        error = current.error
        whole_a = current.gives(lambda each: rms_estimate(each, each.worst(each.duration_s), error), falls=False)
        drop, loss = _drop_and_loss(conductor, limit, ambient_c, heated, current.peak_a, whole_a)
        measured = current.measured
    else:
        unlimited = (ampacity_reason(limit),) if limit.value_a is None else current
        margin, heated, measured = refuse("", *unlimited), None, True
        adiabatic, at_window_s = refuse("", *current), None
        none = refuse("A", *current)
        drop, loss = _drop_and_loss(conductor, limit, ambient_c, heated, none, none)
    margin, adiabatic = hold(margin, "margin"), hold(adiabatic, "margin")
    verdict = verdict_of(margin, adiabatic, measured=measured)
    rule = _rule(limit, margin, heated, adiabatic, at_window_s)
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


def memory_of(limit: Ampacity) -> Network | None:
    """The wire's memory: one time constant, at its limit when its ampacity flows for ever. None without an ampacity."""
    if limit.value_a is None or limit.area_mm2 is None or limit.column_c is None:
        return None
    return Network.single(time_constant_s(limit.area_mm2, limit.value_a, limit.column_c, limit.air_c))


def careful_memory(wire: Wire, limit: Ampacity) -> Network | None:
    """The same by the least copper that the wire may hold: heat grows and what holds it shrinks, τ ∝ area²."""
    nominal = memory_of(limit)
    return None if nominal is None else Network.single(nominal.constants_s[0] * least_copper(wire) ** 2)


def least_copper(wire: Wire) -> float:
    """Share of its nominal copper that a wire holds at least: SAE's least of a gauge, and stranding."""
    return _sae_ratio(wire) * (1 - COVERAGE_FACTOR * STRANDING_U)


def _margin(wire: Wire, limit: Ampacity, current: WireCurrent) -> tuple[Estimate, Hottest | None]:
    """Ampacity over the steady current that would make the wire as hot as the run did, and when that was."""
    memory, careful = memory_of(limit), careful_memory(wire, limit)
    if memory is None or careful is None or limit.value_a is None:
        return refuse("", ampacity_reason(limit)), None
    terms = {"ampacity between rows": limit.relative_u}
    limit_a, found = limit.value_a, {}

    def margin(exposure: Exposure) -> Estimate:
        steady_a, found[id(exposure)] = _steady(exposure, memory, careful, limit_a, current)
        return power_of(limit_a, steady_a, -1, "", terms, note=Reason("ampacity_without_tolerance"))

    return current.gives(margin, falls=True), found[id(current.likely)]


def _steady(
    exposure: Exposure, memory: Network, careful: Network, limit_a: float, current: WireCurrent
) -> tuple[Estimate, Hottest]:
    """The steady current [A] that gives the run's highest rise, and the moment of that rise.

    Before the run its first current is taken to have flowed; no current is taken to have flowed in gaps, and at the
    upper end of the interval the largest that the machine file allows.
    """
    first_a, gap_s = first_current_a(exposure), float(exposure.gap_s.sum())
    largest_a = None if current.largest_a is None else max(current.largest_a, exposure.peak_a)
    value, upper, cold = hottest(
        exposure, [Assumed(memory, first_a), Assumed(careful, first_a, largest_a or 0.0), Assumed(memory)]
    )
    constant_s, amps = memory.constants_s[0], value.steady_a
    result = estimate(
        amps,
        "A",
        {
            **current.error.rms_terms(amps, min(constant_s, exposure.sampled_s) / exposure.coarse_s),
            "sampling": amps * _sampling_u(exposure, value, constant_s),
        },
        doubt_low=amps - cold.steady_a,
        doubt_high=upper.steady_a - amps,
        doubt="start, gaps and copper",
        note=Reason("wire_started_loaded", first_a=first_a) if first_a > STARTED_LOADED * limit_a else None,
    )
    result = above_zero(result)
    open_above = {
        Reason("gap_hides_current", gap_s=gap_s): gap_s > 0 and largest_a is None,
        Reason("shorter_peak_missed"): bool(current.error.unseen),
        Reason("wire_sampling_slow", interval_s=exposure.coarse_s, constant_s=constant_s): (
            WINDOW_INTERVALS * exposure.coarse_s > constant_s
        ),
    }
    reasons = tuple(reason for reason, holds in open_above.items() if holds)
    return result.bounded("at_least", *reasons) if reasons else result, value


def _sampling_u(exposure: Exposure, hottest_at: Hottest, constant_s: float) -> float:
    """1 σ, relative, of the steady current by the spacing of the samples that made it."""
    end_s = exposure.sampled_until(hottest_at.at_s)
    begin_s = max(end_s - MEMORY_CONSTANTS * constant_s, 0.0)
    if exposure.interval_rms or end_s <= begin_s:
        return 0.0
    held_a2s = float(exposure.square.between(np.array([begin_s]), np.array([end_s]))[0])
    return (
        rms_sampling_u(exposure.square.load, *exposure.square.span(begin_s, end_s), held_a2s) if held_a2s > 0 else 0.0
    )


def _adiabatic_margin(wire: Wire, current: WireCurrent) -> tuple[Estimate, float | None]:
    """Smallest ratio of the short-time limit to the RMS over windows up to 5 s, and the length of that window."""
    if wire.size is None or wire.insulation_c is None:
        return refuse("", Reason("short_time_needs_wire")), None
    short = short_time_k(wire.insulation_c)
    if short is None:
        return refuse("", Reason("no_short_time_limit", insulation_c=wire.insulation_c)), None
    k, area_mm2 = short.k, wire.size.area_mm2
    note = Reason(
        "short_time_k",
        k=short.k,
        start_c=short.start_c,
        end_c=short.end_c,
        from_formula=short.from_formula,
        passed_over=short.passed_over,
    )
    tightest: dict[int, float] = {}

    def margin(exposure: Exposure) -> Estimate:
        windows = [window for window in _short_windows(exposure) if window.rms_a > 0]
        if not windows:
            return refuse("", Reason("no_short_window", longest_s=LONGEST_S))
        closest = min(windows, key=lambda window: adiabatic_current_a(k, area_mm2, window.window_s) / window.rms_a)
        tightest[id(exposure)] = closest.window_s
        limit_a, gap_s = adiabatic_current_a(k, area_mm2, closest.window_s), float(exposure.gap_s.sum())
        smallest = least = limit_a / closest.rms_a
        if gap_s > 0 and current.largest_a is not None:
            largest_a = max(current.largest_a, exposure.peak_a)
            least = min(least, *(_filled_margin(k * area_mm2, window, gap_s, largest_a) for window in windows))
        found = power_of(
            limit_a,
            rms_estimate(exposure, closest, current.error),
            -1,
            "",
            {"copper area": STRANDING_U},
            doubt_low=smallest - least * _sae_ratio(wire),
            note=note,
        )
        if gap_s > 0 and current.largest_a is None and found.bound == "estimate":
            return found.bounded("at_most", Reason("gap_hides_current", gap_s=gap_s))
        return found

    return current.gives(margin, falls=True), tightest.get(id(current.likely))


def _short_windows(exposure: Exposure) -> list[Window]:
    lengths_s = window_list(exposure.duration_s, exposure.interval_s, (LONGEST_S,))
    return exposure.worst_of(each_s for each_s in lengths_s.tolist() if each_s <= LONGEST_S)


def _filled_margin(ks_a: float, window: Window, gap_s: float, largest_a: float) -> float:
    """The margin of windows of this length if the gaps, as far as they may lie in one, carried `largest_a`."""
    filled_s = min(gap_s, window.window_s)
    return ks_a / math.sqrt(largest_a**2 * filled_s + window.rms_a**2 * window.window_s)


def _sae_ratio(wire: Wire) -> float:
    return 1.0 if wire.size is None or wire.size.awg is None else sae_area_ratio(wire.size.awg)


def _drop_and_loss(
    wire: Wire,
    limit: Ampacity,
    ambient_c: float | None,
    heated: Hottest | None,
    peak_a: Estimate,
    whole_run_rms_a: Estimate,
) -> tuple[Estimate, Estimate]:
    if wire.size is None or wire.length_m is None:
        reason = Reason("resistance_needs_wire")
        return refuse("V", reason), refuse("W", reason)
    air_c = table.BASE_AIR_C if ambient_c is None else ambient_c
    rise_k, rise_u_k, from_load = _temperature_rise(limit, heated)
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


def _temperature_rise(limit: Ampacity, heated: Hottest | None) -> tuple[float, float, bool]:
    """(rise [K], its 1 σ [K], whether the load gives it): the run's highest, up to the column's temperature."""
    if limit.value_a is None or heated is None or limit.column_c is None:
        return 25.0, 25.0 / math.sqrt(3), False
    rise_k = (limit.column_c - limit.air_c) * min((heated.steady_a / limit.value_a) ** 2, 1.0)
    # Half the rise as 1 σ: most of a run the wire is cooler, and a bundled wire runs hotter.
    return rise_k, rise_k / 2, True


def verdict_of(margin: Estimate, adiabatic: Estimate, *, measured: bool = True) -> Verdict:
    """The verdict from both margins; on an estimated current "over" only where the whole interval says so."""
    both = (margin, adiabatic)
    past = [each.value if measured else each.high for each in both]
    if any(end is not None and end < 1 for end in past):
        return "over"
    if all(each.low is not None and each.low >= 1 for each in both):
        return "under"
    return "unknown"


def _rule(
    limit: Ampacity, margin: Estimate, heated: Hottest | None, adiabatic: Estimate, at_window_s: float | None
) -> tuple[Reason, ...]:
    if margin.value is None or limit.value_a is None or heated is None:
        long = Reason("no_ampacity_margin", why=margin.reasons)
    else:
        long = Reason(
            "heated_against_ampacity",
            at_s=heated.at_s,
            rise=(heated.steady_a / limit.value_a) ** 2,
            limit_c=limit.column_c,
            air_c=limit.air_c,
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
