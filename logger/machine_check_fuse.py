"""Checks of fuses and wires: ratings, ampacity, breaking capacity, and whether the sensor sees the fuse."""

from __future__ import annotations

from logger.machine import Machine
from logger.machine_fields import PLACES, Fuse, Wire
from logger.machine_limits import (
    AMPACITY_INSULATION_C,
    AMPACITY_SOURCE,
    FULL_TO_NOMINAL,
    FUSE_FAMILIES,
    ampacity,
    area_mm2,
    awg_area_mm2,
    conductor,
    resistance_ohm,
)
from logger.machine_problem import Findings

SIZE_DISAGREEMENT = 1.1
"""Ratio of two areas from which they are two sizes; neighbouring AWG sizes differ by 1.26."""


def check_fuses_and_wires(machine: Machine, findings: Findings) -> None:
    """Everything about [fuse.*] and [wire.*], place by place."""
    _short_circuit_known(machine, findings)
    for place in PLACES:
        fuse, wire = machine.fuses.get(place), machine.wires.get(place)
        if fuse is not None:
            _family(place, fuse, findings)
            _breaking(place, fuse, machine, findings)
            if place != "main":
                _position(place, fuse, machine, findings)
        if wire is not None:
            _sizes(place, wire, findings)
            _insulation(place, wire, findings)
        _protection(place, fuse, wire, machine, findings)


def _family(place: str, fuse: Fuse, findings: Findings) -> None:
    if fuse.family is None or fuse.rating_a is None:
        gap = "family" if fuse.family is None else "rating_a"
        findings.add(
            "fuse_incomplete", f"fuse.{place}", f"{gap} is not given", f"Read it off the fuse and write {gap}."
        )
        return
    family = FUSE_FAMILIES[fuse.family]
    where = f"fuse.{place}.rating_a"
    sizes = ", ".join(f"{size:g}" for size in sorted((*family.listed_a, *family.remembered_a)))
    span = f"{family.low_a:g} to {family.high_a:g} A, {family.range_source}"
    if not family.low_a <= fuse.rating_a <= family.high_a or (sizes and fuse.rating_a not in _all(fuse.family)):
        findings.add(
            "fuse_outside_family",
            where,
            f"{fuse.rating_a:g} A; the {family.spoken} is made for {span}" + (f"; sizes {sizes} A" if sizes else ""),
            "Read body and rating off the fuse again: colours repeat from body to body.",
        )
    elif fuse.rating_a not in family.listed_a:
        why = "the rating is known from memory only" if sizes else f"only the range is published ({span})"
        findings.add(
            "fuse_rating_unverified",
            where,
            f"{fuse.rating_a:g} A, {family.spoken}: {why}",
            "Compare the number printed on the fuse.",
        )


def _all(family: str) -> tuple[float, ...]:
    return (*FUSE_FAMILIES[family].listed_a, *FUSE_FAMILIES[family].remembered_a)


def _source(machine: Machine) -> tuple[float, float] | None:
    """Nominal voltage [V] and internal resistance [Ω] of the whole battery, where both are known."""
    battery = machine.battery
    if battery is None or battery.nominal_voltage_v is None or battery.whole_resistance_ohm is None:
        return None
    return battery.nominal_voltage_v, battery.whole_resistance_ohm


def _short_circuit_known(machine: Machine, findings: Findings) -> None:
    if _source(machine) is None and any(fuse.family is not None for fuse in machine.fuses.values()):
        findings.add(
            "short_circuit_unknown",
            "battery.resistance_ohm",
            "battery.blocks, arrangement, block_voltage_v and resistance_ohm are needed for it",
            "Take the block's internal resistance from its sheet or from a run's report.",
        )


def _breaking(place: str, fuse: Fuse, machine: Machine, findings: Findings) -> None:
    """A fault right behind the fuse: only the battery and the wire before the fuse limit the current."""
    source = _source(machine)
    if fuse.family is None or source is None:
        return
    volts, ohms = source
    lead_ohm = 0.0 if place == "main" else resistance_ohm(machine.wires.get("main"))
    family = FUSE_FAMILIES[fuse.family]
    current_a = volts / (ohms + lead_ohm)
    if current_a * FULL_TO_NOMINAL <= family.breaking_a:
        return
    before = " and the main wire" if lead_ohm else ""
    findings.add(
        "breaking_capacity" if current_a > family.breaking_a else "breaking_capacity_near",
        f"fuse.{place}.family",
        f"about {current_a:.0f} A at nominal {volts:g} V through {1000 * (ohms + lead_ohm):.1f} mΩ of battery{before}, "
        f"up to {current_a * FULL_TO_NOMINAL:.0f} A when full; the {family.spoken} interrupts {family.breaking_a:g} A "
        f"({family.breaking_source})",
        "Put a fuse with a greater breaking capacity at the battery, and measure the resistance of the blocks.",
    )


def _position(place: str, fuse: Fuse, machine: Machine, findings: Findings) -> None:
    sensed = machine.controller.sensed if machine.controller else None
    where = f"fuse.{place}.position"
    if fuse.position is None or fuse.position == "unknown":
        given = "position is not given" if fuse.position is None else "position is unknown"
        findings.add(
            "fuse_position_missing",
            where,
            f"{given}; its margin can be judged only where the sensor sees what the fuse sees",
            "Follow the wire: supply_leg is between battery and controller, motor_lead behind the controller.",
        )
    elif sensed not in (None, "unknown", fuse.position):
        findings.add(
            "fuse_not_seen",
            where,
            f"the fuse is in the {_spoken(fuse.position)}, controller.sensed is the {_spoken(sensed)}",
            "Move the sensor to the fuse, or expect this fuse's margin to be refused.",
        )


def _spoken(position: str | None) -> str:
    return (position or "").replace("_", " ")


def _sizes(place: str, wire: Wire, findings: Findings) -> None:
    if wire.awg is None or wire.mm2 is None:
        return
    of_awg = awg_area_mm2(wire.awg)
    if max(of_awg, wire.mm2) > SIZE_DISAGREEMENT * min(of_awg, wire.mm2):
        findings.add(
            "wire_size_twice",
            f"wire.{place}",
            f"{conductor(wire)} is {of_awg:.2f} mm², mm2 is {wire.mm2:g}; the smaller one is used",
            "Keep the one printed on the jacket.",
        )


def _insulation(place: str, wire: Wire, findings: Findings) -> None:
    if wire.insulation_c is not None and wire.insulation_c < AMPACITY_INSULATION_C and ampacity(wire) is not None:
        findings.add(
            "wire_insulation",
            f"wire.{place}.insulation_c",
            f"{wire.insulation_c:g} °C; the table is for {AMPACITY_INSULATION_C:g} °C, so this wire carries less",
            "Ask the wire's maker for its ampacity, and keep the fuse below that.",
        )


def _protection(place: str, fuse: Fuse | None, wire: Wire | None, machine: Machine, findings: Findings) -> None:
    """Each wire against the fuse in front of it: its own, else the main one."""
    if wire is None:
        if fuse is not None and fuse.rating_a is not None:
            findings.add(
                "fuse_wire_missing",
                f"fuse.{place}",
                f"there is no [wire.{place}]",
                f"Describe the wire that this fuse protects in [wire.{place}].",
            )
        return
    protector, named = (fuse, place) if fuse is not None else (machine.fuses.get("main"), "main")
    if protector is None:
        findings.add(
            "wire_without_fuse",
            f"wire.{place}",
            f"neither [fuse.{place}] nor [fuse.main] is given",
            "Describe the fuse, or fit one close to the battery's positive terminal.",
        )
        return
    limit = ampacity(wire)
    if limit is None:
        size = conductor(wire) if area_mm2(wire) is not None else "no awg and no mm2"
        findings.add(
            "wire_ampacity_unknown",
            f"wire.{place}",
            f"{size}; the table holds 18 to 2 AWG",
            "Write its size, or ask its maker for its ampacity.",
        )
        return
    if protector.rating_a is None or protector.rating_a <= limit.current_a:
        return
    row = "" if limit.conductor == f"{limit.row_awg} AWG" else f", by the row of {limit.row_awg} AWG"
    evidence = (
        f"fuse.{named} {protector.rating_a:g} A, wire.{place} {limit.conductor}: {limit.current_a:g} A"
        f"{row} ({AMPACITY_SOURCE})"
    )
    if limit.thicker_than_table:
        findings.add(
            "wire_ampacity_unknown",
            f"wire.{place}",
            f"{evidence}; the wire is thicker than the table",
            "Ask the wire's maker for its ampacity.",
        )
    else:
        findings.add(
            "fuse_above_wire",
            f"fuse.{named}.rating_a" if named == place else f"wire.{place}",
            evidence,
            "Fit a smaller fuse or a thicker wire: with this pair the wire can be the part that burns.",
        )
