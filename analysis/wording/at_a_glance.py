"""The lines of a report's first page: each part of the machine in workshop words, one or two short sentences."""

from __future__ import annotations

from amptally.analysis.battery.sag import Sag
from amptally.analysis.exposure.current import Current
from amptally.analysis.forecast.remaining import Remaining
from amptally.analysis.integrals.energy import Energy
from amptally.analysis.laps.laps import Laps
from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.protection.wire import WireResult
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.answers import doing_words, duration
from amptally.analysis.wording.formatting import bare, beyond, carried, full, lasting, moment, number
from amptally.analysis.wording.labels import ENDS_BY, LAP_METHODS
from amptally.analysis.wording.results import phrase, refusal

CLOSE = {
    "past": "It should have opened: doubt the data, the place of the sensor or the fuse.",
    "inside": "It may open at this load.",
    "near": "",
    "below": "",
    "unknown": "How close it came is not decided.",
}


def fuse_line(fuse: FuseResult, commanded: Reason | None) -> str:
    """How much more current it could have carried, and the moment that came closest."""
    margin, at_s, window_s = fuse.margin, fuse.tightest_at_s, fuse.tightest_window_s
    if margin.value is None or at_s is None or window_s is None:
        return f"not compared: {refusal(margin)}"
    least = "" if margin.low is None else f" (low end {carried(margin.low)})"
    at_most = "at most " if margin.bound == "at_most" else ""
    if fuse.verdict == "past" and fuse.margin_latest.value is not None:
        said = f"carried {beyond(fuse.margin_latest.value)} times the current that opens it for certain."
    elif margin.value < 1:
        said = f"carried {beyond(margin.value)} times the current at which it may open."
    else:
        close = ": close" if fuse.verdict == "near" else ""
        said = f"could have carried {at_most}{carried(margin.value)} times as much{least} before it may open{close}."
    worst = f"Worst {fuse.worst_rms_a or 0.0:.0f} A for {duration(window_s)} at {moment(at_s - window_s)}"
    doing = doing_words(commanded)
    return " ".join(filter(None, (said, CLOSE[fuse.verdict], f"{worst}{doing}.")))


def wire_line(wire: WireResult) -> str:
    """How a wire that is over its limit, or that was not compared, stands."""
    margin = wire.margin
    if margin.value is None:
        return f"not compared: {refusal(margin)}"
    if margin.value < 1:
        return f"carried {beyond(margin.value)} times the current that heats its insulation to the limit."
    adiabatic = wire.adiabatic_margin.low
    least = "" if margin.low is None else f" (low end {carried(margin.low)})"
    return f"could have carried {carried(margin.value)} times as much{least}; " + (
        "which side of its limit it was on is not decided."
        if adiabatic is None or adiabatic >= 1
        else f"in short peaks {carried(adiabatic)} times at the low end: not decided."
    )


def wires_line(wires: dict[str, WireResult]) -> str:
    """Those that stayed under their limits, in one line."""
    if len(wires) == 1:
        (wire,) = wires.values()
        return (
            f"could have carried {carried(wire.margin.value or 0.0)} times as much before its insulation gets too hot."
        )
    each = ", ".join(
        f"{place} {carried(wire.margin.value)}" for place, wire in wires.items() if wire.margin.value is not None
    )
    return f"could have carried {each} times as much before their insulation gets too hot."


def energy_line(energy: Energy, *, charged: bool = False) -> str:
    """What was drawn, came back, and how fast; of a battery that was `charged` and nothing else, what went in."""
    if charged and energy.recovered_ah.value is not None:
        into = [full(value) for value in (energy.recovered_wh, energy.recovered_ah) if value.value is not None]
        return f"charged: {', '.join(into)} into the battery; hardly anything drawn"
    if energy.net_wh.value is None and energy.net_ah.value is None:
        return f"not given: {refusal(energy.net_wh)}"
    parts = []
    if energy.net_wh.value is not None:
        ways = {"out": energy.discharged_wh, "back": energy.recovered_wh}
        each = ", ".join(f"{bare(value)} {way}" for way, value in ways.items() if value.value is not None)
        parts.append(f"{full(energy.net_wh)} used{': ' if each else ''}{each}")
    if energy.net_ah.value is not None:
        parts.append(full(energy.net_ah))
    if energy.mean_power_w.value is not None:
        parts.append(f"mean {bare(energy.mean_power_w)}")
    return "; ".join(parts)


def current_line(currents: dict[str, Current]) -> str:
    """The peak of every current that was measured."""
    peaks = {lead: each.peak_a for lead, each in currents.items() if each.peak_a.value is not None}
    if not peaks:
        return f"not given: {'; '.join(dict.fromkeys(str(refusal(each.peak_a)) for each in currents.values()))}"
    bounds = {peak.bound for peak in peaks.values()}
    if bounds == {"at_least"}:
        return "at least: " + ", ".join(f"{lead} {bare(peak)}" for lead, peak in peaks.items())
    return ", ".join(f"{lead} {full(peak)}" for lead, peak in peaks.items())


def battery_line(sag: Sag) -> str:
    """Drop under load, lowest voltage, resistance."""
    parts = []
    if sag.load_drop_v.value is not None and sag.load_drop_at_s is not None:
        parts.append(f"dropped {full(sag.load_drop_v)} under load at {moment(sag.load_drop_at_s)}")
    if sag.min_voltage_v.value is not None and sag.min_voltage_at_s is not None:
        at = "" if sag.min_voltage_at_s == sag.load_drop_at_s else f" at {moment(sag.min_voltage_at_s)}"
        parts.append(f"lowest {bare(sag.min_voltage_v)}{at}")
    if sag.rest_voltage_v.value is not None:
        parts.append(f"{bare(sag.rest_voltage_v)} at rest")
    by_scale = sag.resistance.by_scale
    known = {scale: value for scale, value in by_scale.items() if value.value is not None}
    if known:
        scale, value = next(iter(known.items()))
        parts.append(f"resistance {bare(value)} after {scale:g} s")
    return "; ".join(parts) or f"not given: {refusal(sag.min_voltage_v)}"


def receiver_line(sag: Sag, minimum_v: float | None) -> str:
    """Lowest supply of the receiver against what it needs."""
    lowest = sag.receiver_min_v
    if lowest.value is None:
        return f"not given: {refusal(lowest)}"
    at = "" if sag.receiver_min_at_s is None else f" at {moment(sag.receiver_min_at_s)}"
    said = f"{bare(lowest)} or lower{at}"
    if minimum_v is None:
        return f"{said}; what it needs is not in the machine file"
    spare_v = lowest.value - minimum_v
    if spare_v < 0:
        error = ", within the sensor's error" if lowest.high is not None and lowest.high >= minimum_v else ""
        return (
            f"{said}: {number(-spare_v, 2)} V below the {minimum_v:g} V it needs{error}; control may have dropped out."
        )
    return f"{said}: {number(spare_v, 2)} V above the {minimum_v:g} V it needs."


def laps_line(laps: Laps) -> str:
    """How many, by what, and what they took."""
    if not laps.each or laps.method is None:
        return "none: " + "; ".join(phrase(reason) for reason in laps.reasons) if laps.reasons else "none"
    one = len(laps.each) == 1
    said = f"{len(laps.each)} by {LAP_METHODS[laps.method]}"
    times_s = [lap.end_s - lap.start_s for lap in laps.each]
    energies = [lap.net_wh for lap in laps.each if lap.net_wh is not None]
    took = moment(times_s[0]) if one else f"{moment(min(times_s))} to {moment(max(times_s))}"
    used = f", {min(energies):.2f} to {max(energies):.2f} Wh" if len(energies) > 1 else ""
    return f"{said}, {took}{used}{'' if one else ' each'}"


def charge_line(state: Estimate, per_charge: Estimate, left: Estimate, remaining: Remaining) -> str:
    """How full it is, what a charge gives, how long it goes on and what ends it."""
    parts = []
    if state.value is not None and state.low is not None and state.high is not None:
        parts.append(f"{100 * state.value:.0f} % left ({100 * state.low:.0f} to {100 * state.high:.0f})")
    if per_charge.value is not None:
        parts.append(f"{full(per_charge)} laps like these from full, {full(left)} more from here")
    if remaining.runtime_s.value is not None:
        ended = f", until {ENDS_BY[remaining.ends_by]}" if remaining.ends_by else ""
        parts.append(f"{lasting(remaining.runtime_s)} more of driving like this{ended}")
    elif not parts:
        return f"not given: {refusal(remaining.runtime_s)}"
    return "; ".join(parts)
