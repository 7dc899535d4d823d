"""What the intervals of the main results rest on most, and what would narrow them. docs/methods.md, Uncertainty."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from amptally.analysis.battery.sag import Sag
from amptally.analysis.exposure.current import Current
from amptally.analysis.forecast.remaining import Remaining
from amptally.analysis.integrals.energy import Energy
from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.leads import LEAD_OF
from amptally.analysis.wording.of_quality import DOUBTS

LEAST_SHARE = 0.2
"""The greatest contribution is named in any case, a second one from this share on."""
MOST = 2
SCALES_S = (1.0, 10.0, 0.1)
"""The first of these resistances that is known speaks for all."""
USUAL_LEVEL_A = 10.0


@dataclass(frozen=True, slots=True)
class Contribution:
    """One source of a main result's width."""

    value: str
    """The result's place in the report's JSON."""
    title: str
    """How people call the result."""
    what: str
    """The source."""
    share: float | None
    """Part of the sum of squares, 0 to 1; None where it is not in the interval, or not worked out."""
    next: str
    """What would make it smaller."""


@dataclass(frozen=True, slots=True)
class _Main:
    """A main result and the sensors it was computed from, by name without unit: battery_current."""

    value: str
    title: str
    result: Estimate
    current: str = ""
    voltage: str = ""


def main_contributions(
    energy: Energy,
    currents: Mapping[str, Current],
    fuses: Mapping[str, FuseResult],
    sag: Sag,
    remaining: Remaining,
    laps_per_charge: Estimate,
) -> tuple[Contribution, ...]:
    """For each main result that has a value its greatest contributions, then what is not declared."""
    battery = "battery_current", "battery_voltage"
    mains = [
        _Main("energy.net_wh", "net energy", energy.net_wh, *battery),
        _Main("energy.net_ah", "net charge", energy.net_ah, *battery),
    ]
    for place, fuse in fuses.items():
        mains.append(_Main(f"fuse.{place}.margin", f"{place} fuse margin", fuse.margin, f"{LEAD_OF[place]}_current"))
    mains.append(_Main("battery.worst_sag_v", "sag", sag.worst_sag_v, *battery))
    known = [scale for scale in SCALES_S if sag.resistance.by_scale[scale].value is not None]
    for scale in known[:1]:
        path = f"battery.resistance_ohm.{scale:g}"
        mains.append(_Main(path, "resistance", sag.resistance.by_scale[scale], *battery))
    mains += [
        _Main("battery.receiver_min_v", "receiver minimum", sag.receiver_min_v, "", "receiver_voltage"),
        _Main("remaining.runtime_s", "runtime", remaining.runtime_s, *battery),
        _Main("laps.per_charge", "laps per charge", laps_per_charge, *battery),
    ]
    levels = {f"{lead}_current": _level(current) for lead, current in currents.items()}
    return tuple(found for main in mains for found in _of(main, levels.get(main.current, USUAL_LEVEL_A)))


def by_source(found: Iterable[Contribution]) -> list[tuple[str, list[str], str]]:
    """(source, its share in each result, what to do), the source of most results first: one thing to do for many."""
    grouped: dict[tuple[str, str], list[Contribution]] = {}
    for each in found:
        grouped.setdefault((each.what, each.next), []).append(each)
    ranked = sorted(grouped.items(), key=lambda item: -sum(each.share or 0.0 for each in item[1]))
    return [
        (what, [f"{each.title}{'' if each.share is None else f' {100 * each.share:.0f} %'}" for each in of], following)
        for (what, following), of in ranked
    ]


def _of(main: _Main, level_a: float) -> Iterator[Contribution]:
    """The contributions of one result, greatest first."""
    if main.result.value is None:
        return
    told = [term for term in main.result.terms if term.u]
    for place, term in enumerate(told[:MOST]):
        if place == 0 or term.share >= LEAST_SHARE:
            what, following = _words(term.name, main, level_a)
            yield Contribution(main.value, main.title, what, term.share, following)
    if not told and (named := re.match(r"low end: ([^,;]+)", main.result.basis)):
        what, following = _words(named[1], main, level_a)
        yield Contribution(main.value, main.title, what, None, following)
    silent = next((term.name for term in main.result.terms if term.u is None), None)
    if silent is not None:
        what, following = _words(silent, main, level_a)
        yield Contribution(main.value, main.title, f"{what}, which is not declared and not counted", None, following)


def _level(current: Current) -> float:
    """A current to calibrate at [A]: 1, 2 or 5 times a power of ten, no greater than what the lead carries for 10 s."""
    carried = next(
        (rms.value for window in ("10", "1", "60") if (rms := current.rms_a.get(window)) and rms.value), None
    )
    if carried is None or carried < 0.1:
        return USUAL_LEVEL_A
    power = 10.0 ** math.floor(math.log10(carried))
    return max(step * power for step in (1, 2, 5) if step * power <= carried * (1 + 1e-9))


_CAPACITY = (
    "Time a discharge from full to the cut-off at a steady load, and write the capacity it gives under [battery]."
)
_SETTLE = "Settle this finding first: what it says to do comes before any calibration."
_BETWEEN = "Sample faster, or let the board send the RMS of each interval."
_LAPS = "Drive more laps in one run: the mean of many is known better."
_GAPS = "Look for the cause of the gaps: cable, connectors, radio link."
_SENSOR: dict[str, tuple[str, str]] = {
    "gain": (
        "gain of the {sensor} sensor",
        "Compare it with a meter at a steady {level} and write gain and gain_u under [sensors.{section}].",
    ),
    "offset": (
        "zero of the {sensor} sensor",
        "{zero} and write offset and offset_u under [sensors.{section}].",
    ),
    "noise": (
        "noise and steps of the {sensor} sensor",
        "Average more conversions for each sample, or use a converter of finer steps.",
    ),
    "filter": (
        "filter before the {sensor} converter",
        "Fit a faster filter, and write its corner as bandwidth_hz under [sensors.{section}].",
    ),
}
_NAMES = {
    "current gain": ("current", "gain"),
    "sensor gain": ("current", "gain"),
    "current offset": ("current", "offset"),
    "sensor offset": ("current", "offset"),
    "sensor noise": ("current", "noise"),
    "filter before the converter": ("current", "filter"),
    "voltage gain": ("voltage", "gain"),
    "voltage offset": ("voltage", "offset"),
}
_OTHER: dict[str, tuple[str, str]] = {
    "sampling": ("what happened between samples", _BETWEEN),
    "skew of current against voltage": (
        "time between current and voltage readings",
        "Find the delay at a sharp step of load and write delay_s and delay_u of both sensors.",
    ),
    "charge across gaps": ("charge across gaps", _GAPS),
    "energy across gaps": ("energy across gaps", _GAPS),
    "scatter": (
        "scatter of the resistance within the run",
        "Record a few clear steps of load from rest, each held for ten seconds and more.",
    ),
    "model": (
        "one number for a resistance that moves with charge, current and temperature",
        "Compare runs at like charge and temperature; nothing to calibrate.",
    ),
    "scatter of laps": ("scatter from lap to lap", _LAPS),
    "trend of laps": ("trend from lap to lap", _LAPS),
    "later laps differ": (
        "laps to come that are not these over again",
        "Drive the laps you mean to plan for; nothing to calibrate.",
    ),
    "usable charge of the battery": ("usable charge of the battery", _CAPACITY),
    "wear": ("wear of the battery, which is not ruled out", _CAPACITY),
    "capacity": ("capacity of the battery", _CAPACITY),
    "start charge": (
        "charge at the start",
        "Begin with a full charge and say so: --start-charge full.",
    ),
    "charge drawn": (
        "charge drawn so far, from the battery current sensor",
        "Compare the sensor with a meter and write offset, gain and their uncertainties.",
    ),
    "resistance": ("resistance of the battery", "Record a few clear steps of load from rest."),
    "peaks at the cut-off": ("which peaks reach the cut-off", "Record a longer drive of the kind that is to come."),
    "rate exponent": (
        "how the battery's capacity falls with the load",
        "Write a second_capacity_ah at a faster rate, from the sheet or a test.",
    ),
    "power kept while the voltage falls": (
        "whether the machine keeps its power while the voltage falls",
        "Drive one charge down and compare the last laps with the first.",
    ),
    "current kept while the voltage falls": (
        "whether the machine keeps its current while the voltage falls",
        "Drive one charge down and compare the last laps with the first.",
    ),
    "load to come": ("load to come", "Record a longer drive of the kind that is to come."),
    "rest-voltage chart": ("rest-voltage chart of the chemistry", _CAPACITY),
    "rate beyond the sheet": (
        "load beyond the two rates of the battery's sheet",
        "Write a second_capacity_ah at a faster rate, from the sheet or a test.",
    ),
}


def _words(name: str, main: _Main, level_a: float) -> tuple[str, str]:
    """What a term is and what to do about it, for people."""
    kind, part = _NAMES.get(name, ("", ""))
    if name in ("noise and resolution", "noise of the greatest sample"):
        kind, part = ("voltage" if main.result.unit == "V" else "current"), "noise"
    section = {"current": main.current, "voltage": main.voltage}.get(kind, "")
    if section:
        volts = kind == "voltage"
        sensor = section.replace("_", " ")
        zero = "Compare it with a meter at two voltages" if volts else "Read it with everything switched off"
        level = "voltage" if volts else f"{level_a:g} A"
        what, following = _SENSOR[part]
        said = {"sensor": sensor, "section": section, "level": level, "zero": zero}
        return what.format(**said), following.format(**said)
    code = name.removeprefix("finding ")
    if code in DOUBTS:
        return f"{DOUBTS[code]} (finding {code})", _SETTLE
    return _OTHER.get(name, (name, "See the basis of this value."))
