"""Checks of fuses and wires: ratings, ampacity, breaking capacity, and whether the sensor sees the fuse."""

from __future__ import annotations

from amptally.logger.machine.description import Machine
from amptally.logger.machine.fields import PLACES, Fuse, Wire
from amptally.logger.machine.problem import Findings
from amptally.logger.machine.sensor_place import sensor_place
from amptally.tables import wire_ampacity as table
from amptally.tables.fuse_above_wire import fuse_against_wire
from amptally.tables.fuse_breaking_capacity import sheet_short_circuit
from amptally.tables.fuse_families import FAMILIES
from amptally.tables.wire_ampacity import Ampacity
from amptally.tables.wire_gauge import area_mm2, gauge_name

SIZE_DISAGREEMENT = 1.1
"""Two areas that differ by this ratio or more are different sizes; neighbouring AWG sizes differ by 1.26."""


def check_fuses_and_wires(machine: Machine, findings: Findings) -> None:
    """Check [fuse.*] and [wire.*], place by place."""
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
            _protection(place, wire, machine, findings)
        elif fuse is not None:
            _wire_missing(place, fuse, findings)


def _family(place: str, fuse: Fuse, findings: Findings) -> None:
    if fuse.family is None or fuse.rating_a is None:
        gap = "family" if fuse.family is None else "rating_a"
        findings.add(
            "fuse_incomplete",
            f"fuse.{place}",
            f"{gap} is not given",
            f"Read it from the fuse and write {gap}. A body that is none of the choices stays open.",
        )
        return
    family = FAMILIES[fuse.family]
    where = f"fuse.{place}.rating_a"
    sizes = ", ".join(f"{size:g}" for size in family.ratings.all_a)
    span = f"{family.least_a:g} to {family.greatest_a:g} A, {family.ratings.range_source}"
    standing = family.standing(fuse.rating_a)
    if standing == "not_made":
        findings.add(
            "fuse_outside_family",
            where,
            f"{fuse.rating_a:g} A; the {family.spoken} is made for {span}" + (f"; sizes {sizes} A" if sizes else ""),
            "Read the body and the rating from the fuse again: different bodies use the same colours.",
        )
    elif standing != "listed":
        remembered = standing == "remembered"
        why = (
            "this rating is listed from memory, not from a published table"
            if remembered
            else f"only the range is published ({span})"
        )
        findings.add(
            "fuse_rating_unverified",
            where,
            f"{fuse.rating_a:g} A, {family.spoken}: {why}",
            "Compare the number printed on the fuse.",
        )


def _short_circuit_known(machine: Machine, findings: Findings) -> None:
    if machine.source is None and any(fuse.family is not None for fuse in machine.fuses.values()):
        findings.add(
            "short_circuit_unknown",
            "battery.resistance_ohm",
            "battery.blocks, arrangement, block_voltage_v and resistance_ohm are needed for it",
            "Take the block's internal resistance from its data sheet or from a run's report.",
        )


def _breaking(place: str, fuse: Fuse, machine: Machine, findings: Findings) -> None:
    """A short circuit right after the fuse: only the battery and the wire before the fuse limit the current."""
    source = machine.source
    if fuse.family is None or source is None:
        return
    volts, battery_ohm = source
    lead_ohm = machine.ohm_before_fuse(place)
    family = FAMILIES[fuse.family]
    found = sheet_short_circuit(family, volts, battery_ohm + lead_ohm)
    if found.verdict == "below":
        return
    before = " and the main wire" if lead_ohm else ""
    findings.add(
        "breaking_capacity" if found.verdict == "above" else "breaking_capacity_near",
        f"fuse.{place}.family",
        f"about {found.likely_a:.0f} A at nominal {volts:g} V through {1000 * (battery_ohm + lead_ohm):.1f} mΩ of "
        f"battery{before}, up to {found.high_a:.0f} A when full; the {family.spoken} interrupts {found.capacity_a:g} A "
        f"({family.breaking_source})",
        "Fit a fuse with a higher breaking capacity at the battery, and measure the resistance of the blocks.",
    )


def _position(place: str, fuse: Fuse, machine: Machine, findings: Findings) -> None:
    at = sensor_place(place, fuse.position, machine.controller.sensed if machine.controller else None)
    where = f"fuse.{place}.position"
    if fuse.position is None or fuse.position == "unknown":
        given = "position is not given" if fuse.position is None else "position is unknown"
        findings.add(
            "fuse_position_missing",
            where,
            f"{given}; the fuse's margin can be judged only where the sensor measures the fuse's own current",
            "Follow the wire: supply_leg is between battery and controller, motor_lead between controller and motor.",
        )
    if at.code == "differs":
        assumed = "".join(f"; {field} is not given, supply_leg is assumed" for field in at.missing)
        findings.add(
            "fuse_not_seen",
            where,
            f"the fuse is in the {_spoken(at.position)}, controller.sensed is the {_spoken(at.sensed)}{assumed}",
            "Move the sensor to the fuse, or expect this fuse's margin to be estimated or refused.",
        )


def _spoken(position: str) -> str:
    return position.replace("_", " ")


def _sizes(place: str, wire: Wire, findings: Findings) -> None:
    if wire.awg is None or wire.mm2 is None:
        return
    of_awg = area_mm2(wire.awg)
    if max(of_awg, wire.mm2) > SIZE_DISAGREEMENT * min(of_awg, wire.mm2):
        findings.add(
            "wire_size_twice",
            f"wire.{place}",
            f"{gauge_name(wire.awg)} is {of_awg:.2f} mm², mm2 is {wire.mm2:g}; the smaller one is used",
            "Keep the one that is printed on the jacket.",
        )


def _insulation(place: str, wire: Wire, findings: Findings) -> None:
    if wire.insulation_c is not None and wire.insulation_c < table.COLUMNS_C[0]:
        findings.add(
            "wire_insulation",
            f"wire.{place}.insulation_c",
            f"{wire.insulation_c:g} °C; the table begins at {table.COLUMNS_C[0]:g} °C; this wire carries less",
            "Ask the wire's manufacturer for its ampacity, and keep the fuse rating below that.",
        )


def _wire_missing(place: str, fuse: Fuse, findings: Findings) -> None:
    if fuse.rating_a is not None:
        findings.add(
            "fuse_wire_missing",
            f"fuse.{place}",
            f"there is no [wire.{place}]",
            f"Describe the wire that this fuse protects in [wire.{place}].",
        )


def _protection(place: str, wire: Wire, machine: Machine, findings: Findings) -> None:
    """Compare each wire with the fuse that protects it: its own, else the main one."""
    protecting = machine.protecting_fuse(place)
    if protecting is None:
        findings.add(
            "wire_without_fuse",
            f"wire.{place}",
            f"neither [fuse.{place}] nor [fuse.main] is given",
            "Describe the fuse, or fit one close to the battery's positive terminal.",
        )
        return
    named, fuse = protecting
    limit = table.ampacity(wire.awg, wire.mm2, wire.insulation_c, machine.wire_air_c(place))
    if fuse.rating_a is None:
        if limit.value_a is None:
            findings.add("wire_ampacity_unknown", f"wire.{place}", _carries(wire, limit), _what_to_write(limit))
        return
    found = fuse_against_wire(fuse.rating_a, limit)
    evidence = f"fuse.{named} {fuse.rating_a:g} A, wire.{place} {_carries(wire, limit)}"
    if found.verdict == "open":
        findings.add("wire_ampacity_unknown", f"wire.{place}", evidence, _what_to_write(limit), found.severity)
    elif found.verdict == "above":
        findings.add(
            "fuse_above_wire",
            f"fuse.{named}.rating_a" if named == place else f"wire.{place}",
            evidence,
            "Fit a smaller fuse or a thicker wire: with this pair the wire may burn before the fuse opens.",
            found.severity,
        )


def _carries(wire: Wire, limit: Ampacity) -> str:
    """The wire, its ampacity or ampacity range, the column of the table and the air temperature."""
    size = wire.size
    if size is None:
        return "no awg and no mm2"
    conductor = f"{size.area_mm2:g} mm²" if size.awg is None else gauge_name(size.awg)
    if limit.value_a is not None:
        amps = f"{limit.value_a:.3g} A"
        if limit.interpolated:
            amps += f", between the rows of {' and '.join(map(gauge_name, limit.rows_awg))}"
    elif limit.most_a is None:
        amps = f"at least {limit.least_a:.3g} A" if limit.least_a > 0 else "not known"
    elif limit.least_a > 0:
        amps = f"{limit.least_a:.3g} to {limit.most_a:.3g} A"
    else:
        amps = f"less than {limit.most_a:.3g} A"
    if limit.insulation_c is None:
        column = "insulation_c is not given"
    elif limit.column_c is None:
        column = f"{limit.insulation_c:g} °C insulation, which is not in the table"
    else:
        column = f"column for {limit.column_c:g} °C insulation"
    air = f"air at {limit.air_c:g} °C" if limit.air_given else f"air not given, {limit.air_c:g} °C assumed"
    outside = ""
    if limit.missing in ("thinner_than_table", "thicker_than_table"):
        rows = f"{gauge_name(max(table.AMPACITY_A))} to {gauge_name(min(table.AMPACITY_A))}"
        outside = f"; the table covers {rows}"
    return f"{conductor}: {amps} ({table.SOURCE}, {column}, {air}){outside}"


def _what_to_write(limit: Ampacity) -> str:
    if limit.missing == "insulation":
        lower = "; until then assume the lower current" if limit.least_a > 0 else ""
        return f"Write insulation_c as printed on the wire{lower}."
    if limit.missing == "size":
        return "Write its size, or ask its manufacturer for its ampacity."
    return "Ask the wire's manufacturer for its ampacity."
