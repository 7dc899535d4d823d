"""What a run did to a wire: ampacity, short-time heating, voltage drop and loss. Worked example: docs/methods.md."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from amptally.analysis.exposure.exposure import (
    HIDDEN_SHARE,
    WINDOW_INTERVALS,
    CurrentError,
    Exposure,
    Window,
    rms_estimate,
    rms_of_samples,
    window_list,
)
from amptally.analysis.protection.fuse_margin import between
from amptally.analysis.protection.guarantee import first_current_a
from amptally.analysis.protection.peak_rise import PeakRise, peak_rise, tightest_window
from amptally.analysis.protection.thermal_memory import Network
from amptally.analysis.quality.doubts import Aspect
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, refuse
from amptally.analysis.results.propagation import power_of
from amptally.analysis.results.reason import Fact, Reason
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
START_S = 1.0
"""The current of this long at the start of a run is taken to have flowed before it. Our own choice."""

Part = Literal["fuse", "wire", "holder", "connector", "cutoff", "controller"]
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
        measured, start_s = current.measured, current.likely.start_s
    else:
        unlimited = (ampacity_reason(limit),) if limit.value_a is None else current
        margin, heated, measured, start_s = refuse("", *unlimited), None, True, 0.0
        adiabatic, at_window_s = refuse("", *current), None
        none = refuse("A", *current)
        drop, loss = _drop_and_loss(conductor, limit, ambient_c, heated, none, none)
    margin, adiabatic = hold(margin, "margin"), hold(adiabatic, "margin")
    verdict = verdict_of(margin, adiabatic, measured=measured)
    rule = _rule(limit, margin, heated, start_s, adiabatic, at_window_s)
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


def _margin(wire: Wire, limit: Ampacity, current: WireCurrent) -> tuple[Estimate, PeakRise | None]:
    """Ampacity over the steady current that would make the wire as hot as the run did, and when that was."""
    memory, careful = memory_of(limit), careful_memory(wire, limit)
    if memory is None or careful is None or limit.value_a is None:
        return refuse("", ampacity_reason(limit)), None
    terms = {"ampacity between rows": limit.relative_u}
    limit_a = limit.value_a
    hottest: dict[int, PeakRise] = {}

    def margin(exposure: Exposure) -> Estimate:
        steady_a, hottest[id(exposure)] = _steady(exposure, memory, careful, limit_a, current)
        return power_of(limit_a, steady_a, -1, "", terms, note=Reason("ampacity_without_tolerance"))

    return current.gives(margin, falls=True), hottest[id(current.likely)]


def _steady(
    exposure: Exposure, memory: Network, careful: Network, limit_a: float, current: WireCurrent
) -> tuple[Estimate, PeakRise]:
    """The steady current [A] that gives the run's highest rise, and the moment of that rise.

    Before the run its first current is taken to have flowed; no current is taken to have flowed in gaps, and at the
    upper end of the interval the most that may have.
    """
    constant_s = memory.constants_s[0]
    first_a = first_current_a(exposure, START_S)
    peak, cold = peak_rise(exposure, memory, first_a), peak_rise(exposure, memory)
    upper_a, hidden = peak_rise(exposure, careful, first_a).steady_a, _hidden(exposure, current)
    if hidden is not None:
        filled_a = peak_rise(hidden.exposure, careful, first_a).steady_a
        hidden, upper_a = hidden.judged(filled_a / upper_a if upper_a > 0 else 1.0), filled_a
    window = _hot_window(exposure, memory, peak)
    if not window.rms_a > 0:
        return Estimate(peak.steady_a, 0.0, None, "A", "at_least", (Reason("no_current"),)), peak
    result = power_of(
        peak.steady_a / window.rms_a,
        rms_of_samples(exposure, window, current.error),
        1,
        "A",
        {},
        doubt_low=peak.steady_a - cold.steady_a,
        doubt_high=upper_a - peak.steady_a,
        note=Reason("wire_started_loaded", first_a=first_a) if first_a > STARTED_LOADED * limit_a else None,
    )
    reasons = [] if hidden is None or not hidden.open_above else [hidden.reason]
    if WINDOW_INTERVALS * exposure.coarse_s > constant_s:
        reasons.append(Reason("wire_sampling_slow", interval_s=exposure.coarse_s, constant_s=constant_s))
    return result.bounded("at_least", *reasons) if reasons else result, peak


def _hot_window(exposure: Exposure, memory: Network, peak: PeakRise) -> Window:
    """The window that made the wire hot: that before the peak, or where it was hottest at the start, the first one."""
    if peak.axis_s > exposure.shortest_window_s:
        return tightest_window(exposure, memory, peak)
    return exposure.window(exposure.start_s, min(memory.constants_s[0], exposure.duration_s))


@dataclass(frozen=True, slots=True)
class _Hidden:
    """What may have flowed in gaps."""

    exposure: Exposure
    """With that current in every gap."""
    reason: Reason
    bounded: bool
    """The machine file says that no more can have flowed."""
    open_above: bool = False
    """Nothing bounds it, and it matters."""

    def judged(self, larger: float) -> _Hidden:
        """How it stands where the gaps, so filled, make the heating current `larger` times what it was without."""
        return replace(self, open_above=not self.bounded and larger > 1 + HIDDEN_SHARE)


def _hidden(exposure: Exposure, current: WireCurrent) -> _Hidden | None:
    """What may have flowed in the gaps; None without any."""
    if not len(exposure.gap_s):
        return None
    bounded, most_a = current.largest_a is not None, max(exposure.peak_a, current.largest_a or 0.0)
    code = "gaps_assumed_loaded" if bounded else "gaps_may_hide_more"
    reason = Reason(code, missing_s=exposure.missing_s, assumed_a=most_a)
    return _Hidden(exposure.filled(most_a), reason, bounded)


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

    def closest(exposure: Exposure) -> tuple[float, Window] | None:
        windows = [window for window in _short_windows(exposure) if window.rms_a > 0]
        ratios = [adiabatic_current_a(k, area_mm2, window.window_s) / window.rms_a for window in windows]
        return min(zip(ratios, windows, strict=True), key=lambda each: each[0], default=None)

    def margin(exposure: Exposure) -> Estimate:
        found, hidden = closest(exposure), _hidden(exposure, current)
        if found is None:
            return refuse("", Reason("no_short_window", longest_s=LONGEST_S))
        smallest, window = found
        tightest[id(exposure)], least = window.window_s, smallest
        if hidden is not None and (filled := closest(hidden.exposure)) is not None:
            least = min(smallest, filled[0])
            hidden = hidden.judged(smallest / least)
        result = power_of(
            smallest * window.rms_a,
            rms_of_samples(exposure, window, current.error),
            -1,
            "",
            {"copper area": STRANDING_U},
            doubt_low=smallest - least * _sae_ratio(wire),
            note=note,
        )
        if hidden is not None and hidden.open_above and result.bound == "estimate":
            return result.bounded("at_most", hidden.reason)
        return result

    return current.gives(margin, falls=True), tightest.get(id(current.likely))


def _short_windows(exposure: Exposure) -> list[Window]:
    lengths_s = window_list(exposure.duration_s, exposure.interval_s, (LONGEST_S,))
    return exposure.worst_of(each_s for each_s in lengths_s.tolist() if each_s <= LONGEST_S)


def _sae_ratio(wire: Wire) -> float:
    return 1.0 if wire.size is None or wire.size.awg is None else sae_area_ratio(wire.size.awg)


def _drop_and_loss(
    wire: Wire,
    limit: Ampacity,
    ambient_c: float | None,
    heated: PeakRise | None,
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


def _temperature_rise(limit: Ampacity, heated: PeakRise | None) -> tuple[float, float, bool]:
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
    limit: Ampacity,
    margin: Estimate,
    heated: PeakRise | None,
    start_s: float,
    adiabatic: Estimate,
    at_window_s: float | None,
) -> tuple[Reason, ...]:
    if margin.value is None or limit.value_a is None or heated is None:
        long = Reason("no_ampacity_margin", why=margin.reasons)
    else:
        long = Reason(
            "heated_against_ampacity",
            at_s=start_s + heated.axis_s,
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
