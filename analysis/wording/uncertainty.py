"""Words for the sources of a result's width: what each is, and what would make it smaller."""

from __future__ import annotations

from dataclasses import dataclass

from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.phrase import Facts
from amptally.analysis.wording.results import phrase


@dataclass(frozen=True, slots=True)
class SourceWords:
    """One source of uncertainty for people."""

    what: str
    next: str
    """What would make it smaller, a sentence."""


TITLES = {
    "energy.net_wh": "net energy",
    "energy.net_ah": "net charge",
    "fuse.main.margin": "main fuse margin",
    "fuse.left.margin": "left fuse margin",
    "fuse.right.margin": "right fuse margin",
    "battery.worst_sag_v": "sag",
    "battery.resistance_ohm.0.1": "resistance",
    "battery.resistance_ohm.1": "resistance",
    "battery.resistance_ohm.10": "resistance",
    "battery.receiver_min_v": "receiver minimum",
    "remaining.runtime_s": "runtime",
    "laps.per_charge": "laps per charge",
}
"""The main results by their place in the report's JSON."""
_CAPACITY = (
    "Time a discharge from full to the cut-off at a steady load, and write the capacity it gives under [battery]."
)
_BETWEEN = "Sample faster, or let the board send the RMS of each interval."
_LAPS = "Drive more laps in one run: the mean of many is known better."
_GAPS = "Look for the cause of the gaps: cable, connectors, radio link."


def _gain(facts: Facts) -> SourceWords:
    level = "voltage" if facts["level_a"] is None else f"{facts['level_a']:g} A"
    return SourceWords(
        f"gain of the {_name(facts)} sensor",
        f"Compare it with a meter at a steady {level} and write gain and gain_u under [sensors.{facts['sensor']}].",
    )


def _offset(facts: Facts) -> SourceWords:
    is_voltage = facts["sensor"].endswith("_voltage")
    how = "Compare it with a meter at two voltages" if is_voltage else "Read it with everything switched off"
    return SourceWords(
        f"zero of the {_name(facts)} sensor",
        f"{how} and write offset and offset_u under [sensors.{facts['sensor']}].",
    )


def _noise(facts: Facts) -> SourceWords:
    return SourceWords(
        f"noise and steps of the {_name(facts)} sensor",
        "Average more conversions for each sample, or use a converter of finer steps.",
    )


def _filter(facts: Facts) -> SourceWords:
    return SourceWords(
        f"filter before the {_name(facts)} converter",
        f"Fit a faster filter, and write its corner as bandwidth_hz under [sensors.{facts['sensor']}].",
    )


def _name(facts: Facts) -> str:
    return str(facts["sensor"]).replace("_", " ")


def _term(facts: Facts) -> SourceWords:
    name = facts["term"]
    return SourceWords(*TERMS.get(name, (name, "No calibration narrows this one.")))


def _doubted(facts: Facts) -> SourceWords:
    return SourceWords(
        phrase(Reason("doubted", finding=facts["finding"])),
        "Settle this finding first: its remedy comes before any calibration.",
    )


SOURCES = {
    "sensor_gain": _gain,
    "sensor_offset": _offset,
    "sensor_noise": _noise,
    "sensor_filter": _filter,
    "uncertainty_term": _term,
    "doubted": _doubted,
}
"""By the code of a contribution's source."""
TERMS: dict[str, tuple[str, str]] = {
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
    "what the rows leave open": (
        "what the fuse's published opening times leave open",
        "Ask the fuse's maker for its opening curve; until then the low end stands. Nothing to calibrate.",
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
"""Other terms by name: what they are, what would make them smaller."""


def words_of(source: Reason, declared: bool) -> SourceWords:
    """What a source is and what to do about it; KeyError for an unknown code."""
    words = SOURCES[source.code](dict(source.facts))
    if declared:
        return words
    return SourceWords(f"{words.what}, which is not declared and not counted", words.next)


def share_of(value: str, share: float | None) -> str:
    """A main result, named by its place in the JSON, with a source's share of its variance."""
    return TITLES[value] if share is None else f"{TITLES[value]} {100 * share:.0f} %"
