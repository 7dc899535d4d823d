"""The largest contributions to the intervals of the main results. docs/methods.md, Uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import cast

from amptally.analysis.battery.sag import Sag
from amptally.analysis.exposure.current import Current
from amptally.analysis.forecast.remaining import Remaining
from amptally.analysis.integrals.energy import Energy
from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.leads import LEAD_OF
from amptally.analysis.results.reason import Fact, Reason

MIN_SHARE = 0.2
"""The largest contribution is always named, the second from this share on."""
MAX_NAMED = 2
SCALES_S = (1.0, 10.0, 0.1)
"""The first of these resistances that is known stands for all."""
USUAL_LEVEL_A = 10.0
"""To calibrate at, where the lead carries next to nothing."""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One source of a main result's width."""

    value: str
    """The result's place in the report's JSON."""
    source: Reason
    """An error of a sensor, a doubt, or `uncertainty_term` with the name of another term."""
    share: float | None
    """Part of the sum of squares, 0 to 1; None where it is not in the interval, or was not worked out."""
    declared: bool = True
    """False where the machine file does not declare it: it is not in the interval."""


@dataclass(frozen=True, slots=True)
class _Main:
    """A main result and the sensors it was computed from, by name without unit: battery_current."""

    value: str
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
    """For each main result that has a value, its largest contributions, then what is not declared."""
    battery = "battery_current", "battery_voltage"
    mains = [
        _Main("energy.net_wh", energy.net_wh, *battery),
        _Main("energy.net_ah", energy.net_ah, *battery),
    ]
    for place, fuse in fuses.items():
        mains.append(_Main(f"fuse.{place}.margin", fuse.margin, f"{LEAD_OF[place]}_current"))
    mains.append(_Main("battery.worst_sag_v", sag.worst_sag_v, *battery))
    known = [scale for scale in SCALES_S if sag.resistance.by_scale[scale].value is not None]
    for scale in known[:1]:
        path = f"battery.resistance_ohm.{scale:g}"
        mains.append(_Main(path, sag.resistance.by_scale[scale], *battery))
    mains += [
        _Main("battery.receiver_min_v", sag.receiver_min_v, "", "receiver_voltage"),
        _Main("remaining.runtime_s", remaining.runtime_s, *battery),
        _Main("laps.per_charge", laps_per_charge, *battery),
    ]
    levels = {f"{lead}_current": _level(current) for lead, current in currents.items()}
    return tuple(found for main in mains for found in _of(main, levels.get(main.current, USUAL_LEVEL_A)))


def by_source(contributions: Iterable[Contribution]) -> list[list[Contribution]]:
    """Grouped by source, the one with the largest sum of shares first: one remedy may narrow many results."""
    groups: dict[tuple[Reason, bool], list[Contribution]] = {}
    for each in contributions:
        groups.setdefault((each.source, each.declared), []).append(each)
    return sorted(groups.values(), key=lambda group: -sum(each.share or 0.0 for each in group))


def _of(main: _Main, level_a: float) -> Iterator[Contribution]:
    """The contributions of one result, largest first."""
    if main.result.is_refused:
        return
    declared = [term for term in main.result.terms if term.u]
    for place, term in enumerate(declared[:MAX_NAMED]):
        if place == 0 or term.share >= MIN_SHARE:
            yield Contribution(main.value, _source(term.name, main, level_a), term.share)
    if not declared:
        for name in _low_end_from(main.result)[:1]:
            yield Contribution(main.value, _source(name, main, level_a), None)
    undeclared = next((term.name for term in main.result.terms if term.u is None), None)
    if undeclared is not None:
        yield Contribution(main.value, _source(undeclared, main, level_a), None, declared=False)


def _low_end_from(result: Estimate) -> tuple[str, ...]:
    """The assumptions that lower a forecast most, largest first; empty where it names none."""
    for reason in result.reasons:
        if reason.code == "low_end_from":
            return tuple(str(name) for name in cast("tuple[Fact, ...]", reason["terms"]))
    return ()


def _level(current: Current) -> float:
    """A current to calibrate at [A]: 1, 2 or 5 times a power of ten, at most what the lead carries for 10 s."""
    carried = next(
        (rms.value for window in ("10", "1", "60") if (rms := current.rms_a.get(window)) and rms.value), None
    )
    if carried is None or carried < 0.1:
        return USUAL_LEVEL_A
    power = 10.0 ** math.floor(math.log10(carried))
    return max(step * power for step in (1, 2, 5) if step * power <= carried * (1 + 1e-9))


_SENSOR = {
    "current gain": ("current", "sensor_gain"),
    "sensor gain": ("current", "sensor_gain"),
    "current offset": ("current", "sensor_offset"),
    "sensor offset": ("current", "sensor_offset"),
    "sensor noise": ("current", "sensor_noise"),
    "filter before the converter": ("current", "sensor_filter"),
    "voltage gain": ("voltage", "sensor_gain"),
    "voltage offset": ("voltage", "sensor_offset"),
}
"""Terms that are errors of a sensor: of which quantity, and which error."""
_NOISE = ("noise and resolution", "noise of the greatest sample")
_FINDING = "finding "


def _source(term: str, main: _Main, level_a: float) -> Reason:
    """What a term of a result's width is: the error of which sensor, which doubt, or itself."""
    quantity, error = _SENSOR.get(term, ("", ""))
    if term in _NOISE:
        quantity, error = "voltage" if main.result.unit == "V" else "current", "sensor_noise"
    sensor = {"current": main.current, "voltage": main.voltage}.get(quantity, "")
    match error if sensor else "":
        case "sensor_gain":
            return Reason("sensor_gain", sensor=sensor, level_a=None if quantity == "voltage" else level_a)
        case "sensor_offset":
            return Reason("sensor_offset", sensor=sensor)
        case "sensor_noise":
            return Reason("sensor_noise", sensor=sensor)
        case "sensor_filter":
            return Reason("sensor_filter", sensor=sensor)
    if term.startswith(_FINDING):
        return Reason("doubted", finding=term.removeprefix(_FINDING))
    return Reason("uncertainty_term", term=term)
