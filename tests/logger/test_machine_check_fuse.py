"""`machine check` on fuses and wires: each finding with a machine that has it and a near twin that lacks it."""

from __future__ import annotations

import inspect

import pytest

from amptally.logger.machine import check_fuse as machine_check_fuse
from amptally.logger.machine.check import Problem, check
from amptally.logger.machine.description import parse
from amptally.logger.machine.problem import RULES

LEAD = {"blocks": 2, "arrangement": "series", "block_voltage_v": 12, "chemistry": "agm"}
STIFF = {**LEAD, "resistance_ohm": 0.005}
WEAK = {**LEAD, "resistance_ohm": 0.030}
BLADE = {"family": "blade_large", "rating_a": 40}
BLADE_60 = {"family": "blade_large", "rating_a": 60}
SF30 = {"family": "strip_sf30", "rating_a": 80}

Sections = dict[str, dict[str, object]]


def problems(sections: Sections) -> tuple[Problem, ...]:
    lines = []
    for header, values in sections.items():
        lines.append(f"[{header}]")
        for name, value in values.items():
            lines.append(f"{name} = {str(value).lower() if not isinstance(value, str) else repr(value)}")
    return check(parse("\n".join(lines), "cart.toml"))


# (code, a machine that has it, a piece of the evidence, where, a near twin that lacks it)
CASES: list[tuple[str, Sections, str, str, Sections]] = [
    # 33 CFR 183.425 Table 5, 105 °C insulation: 14 AWG 35 A, 10 AWG 60 A. 60 A is above 150 % of 35 A.
    (
        "fuse_above_wire",
        {"fuse.left": BLADE_60, "wire.left": {"awg": 14, "insulation_c": 105}},
        "fuse.left 60 A, wire.left 14 AWG: 35 A (33 CFR 183.425 Table 5, column for 105 °C insulation, air not given, "
        "30 °C assumed)",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": BLADE_60, "wire.left": {"awg": 10, "insulation_c": 105}},
    ),
    # The same row in the column for 75 °C: 20 A. 85 °C insulation takes the column for 80 °C: 10 AWG 50 A.
    (
        "fuse_above_wire",
        {"fuse.left": BLADE, "wire.left": {"awg": 14, "insulation_c": 75}},
        "wire.left 14 AWG: 20 A (33 CFR 183.425 Table 5, column for 75 °C insulation",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": BLADE, "wire.left": {"awg": 10, "insulation_c": 85}},
    ),
    # 2.5 mm² lies between 14 AWG (2.08 mm², 35 A) and 12 AWG (3.31 mm², 45 A): 38.7 A. Of two sizes the smaller counts.
    (
        "fuse_above_wire",
        {"fuse.right": BLADE_60, "wire.right": {"awg": 10, "mm2": 2.5, "insulation_c": 105}},
        "wire.right 2.5 mm²: 38.7 A, between the rows of 14 AWG and 12 AWG",
        "fuse.right.rating_a (line 3)",
        {"fuse.right": BLADE_60, "wire.right": {"awg": 10, "mm2": 10, "insulation_c": 105}},
    ),
    # A channel's wire without a fuse of its own hangs on the main fuse: at 60 °C 10 AWG 40 A, 6 AWG 80 A.
    (
        "fuse_above_wire",
        {"fuse.main": {"family": "blade_large", "rating_a": 80}, "wire.left": {"awg": 10, "insulation_c": 60}},
        "fuse.main 80 A, wire.left 10 AWG: 40 A",
        "wire.left (line 4)",
        {"fuse.main": {"family": "blade_large", "rating_a": 80}, "wire.left": {"awg": 6, "insulation_c": 60}},
    ),
    # Air at the fuse is air at the wire: √((75 − 60)/(75 − 30)) of 95 A leaves 54.8 A of 6 AWG (references section 2).
    (
        "fuse_above_wire",
        {"fuse.left": {**BLADE_60, "rating_a": 95, "ambient_c": 60}, "wire.left": {"awg": 6, "insulation_c": 75}},
        "wire.left 6 AWG: 54.8 A (33 CFR 183.425 Table 5, column for 75 °C insulation, air at 60 °C)",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": {**BLADE_60, "rating_a": 95, "ambient_c": 30}, "wire.left": {"awg": 6, "insulation_c": 75}},
    ),
    # Whatever its insulation is: 14 AWG carries 45 A at most (200 °C), and 20 AWG less than the 20 A of 18 AWG.
    (
        "fuse_above_wire",
        {"fuse.left": BLADE_60, "wire.left": {"awg": 14}},
        "wire.left 14 AWG: 20 to 45 A (33 CFR 183.425 Table 5, insulation_c is not given",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": BLADE, "wire.left": {"awg": 14}},
    ),
    (
        "fuse_above_wire",
        {"fuse.left": BLADE, "wire.left": {"awg": 20, "insulation_c": 105}},
        "wire.left 20 AWG: less than 20 A",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": {"family": "blade_mini", "rating_a": 10}, "wire.left": {"awg": 20, "insulation_c": 105}},
    ),
    # Scope of ISO 8820-3:2015: 1000 A. 24 V / 10 mΩ = 2400 A.
    (
        "breaking_capacity",
        {"battery": STIFF, "fuse.main": BLADE},
        "about 2400 A at nominal 24 V through 10.0 mΩ of battery, up to 2640 A when full; the large blade "
        "(ISO 8820-3 type E) interrupts 1000 A (scope of ISO 8820-3:2015)",
        "fuse.main.family (line 8)",
        {"battery": WEAK, "fuse.main": BLADE},
    ),
    # Scope of ISO 8820-5:2015: 2000 A. 24 V / 10 mΩ = 2400 A; 24 V / 14 mΩ = 1714 A, full 1886 A.
    (
        "breaking_capacity",
        {"battery": STIFF, "fuse.main": SF30},
        "the strip SF30 (ISO 8820-5) interrupts 2000 A (scope of ISO 8820-5:2015)",
        "fuse.main.family (line 8)",
        {"battery": {**LEAD, "resistance_ohm": 0.007}, "fuse.main": SF30},
    ),
    # The same two blocks: 12 V / 11 mΩ in parallel, 24 V / 44 mΩ in series (references IR3 for the joining).
    (
        "breaking_capacity",
        {"battery": {**LEAD, "arrangement": "parallel", "resistance_ohm": 0.022}, "fuse.main": BLADE},
        "about 1091 A at nominal 12 V through 11.0 mΩ",
        "fuse.main.family (line 8)",
        {"battery": {**LEAD, "resistance_ohm": 0.022}, "fuse.main": BLADE},
    ),
    # 24 V / 25 mΩ = 960 A, but 26.4 V of a full battery (13.2 V a block, references section 6) 1056 A.
    (
        "breaking_capacity",
        {"battery": {**LEAD, "resistance_ohm": 0.0125}, "fuse.main": BLADE},
        "about 960 A at nominal 24 V through 25.0 mΩ of battery, up to 1056 A when full",
        "fuse.main.family (line 8)",
        {"battery": {**LEAD, "resistance_ohm": 0.0125}, "fuse.left": BLADE, "wire.main": {"awg": 8, "length_m": 1.5}},
    ),
    # A channel's fuse has the main wire in front of it as well: 3.1 mΩ of 8 AWG (references section 2), 940 A at most.
    (
        "breaking_capacity_near",
        {"battery": {**LEAD, "resistance_ohm": 0.0125}, "fuse.left": BLADE, "wire.main": {"awg": 8, "length_m": 1.5}},
        "through 28.1 mΩ of battery and the main wire, up to 940 A when full",
        "fuse.left.family (line 8)",
        {"battery": {**LEAD, "resistance_ohm": 0.0180}, "fuse.left": BLADE, "wire.main": {"awg": 8, "length_m": 1.5}},
    ),
    (
        "short_circuit_unknown",
        {"battery": LEAD, "fuse.main": BLADE, "fuse.left": BLADE},
        "battery.blocks, arrangement, block_voltage_v and resistance_ohm",
        "battery.resistance_ohm (line 1)",
        {"battery": WEAK, "fuse.main": BLADE},
    ),
    # References section 1, sizes: large blade 20-80 A, medium 1-40 A, miniature 2-30 A, strips 30-500 A.
    (
        "fuse_outside_family",
        {"fuse.left": {"family": "blade_large", "rating_a": 100}},
        "100 A; the large blade (ISO 8820-3 type E) is made for 20 to 80 A",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": {"family": "strip_sf51", "rating_a": 100}},
    ),
    (
        "fuse_outside_family",
        {"fuse.left": {"family": "blade_mini", "rating_a": 40}},
        "2 to 30 A",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": {"family": "blade_medium", "rating_a": 40}},
    ),
    # Inside the span, but no such size: colours of the large body (references section 1) are 20, 30, 40 … 80 A.
    (
        "fuse_outside_family",
        {"fuse.left": {"family": "blade_large", "rating_a": 45}},
        "sizes 20, 30, 35, 40, 50, 60, 70, 80 A",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": {"family": "blade_large", "rating_a": 50}},
    ),
    # 25 A of the medium body is from memory in the references; 20 A is published.
    (
        "fuse_rating_unverified",
        {"fuse.left": {"family": "blade_medium", "rating_a": 25}},
        "listed from memory",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": {"family": "blade_medium", "rating_a": 20}},
    ),
    (
        "fuse_rating_unverified",
        {"fuse.main": SF30},
        "only the range is published (30 to 500 A, scope of ISO 8820-5:2015)",
        "fuse.main.rating_a (line 3)",
        {"fuse.main": BLADE},
    ),
    (
        "fuse_incomplete",
        {"fuse.left": {"rating_a": 40}},
        "family is not given",
        "fuse.left (line 1)",
        {"fuse.left": BLADE},
    ),
    (
        "fuse_incomplete",
        {"fuse.left": {"family": "blade_large"}},
        "rating_a is not given",
        "fuse.left (line 1)",
        {"fuse.left": BLADE},
    ),
    (
        "fuse_wire_missing",
        {"fuse.left": BLADE},
        "there is no [wire.left]",
        "fuse.left (line 1)",
        {"fuse.left": BLADE, "wire.left": {"awg": 10}},
    ),
    (
        "wire_without_fuse",
        {"wire.left": {"awg": 10}},
        "neither [fuse.left] nor [fuse.main] is given",
        "wire.left (line 1)",
        {"wire.left": {"awg": 10}, "fuse.main": BLADE},
    ),
    # References section 2: 10 AWG is 5.26 mm².
    (
        "wire_size_twice",
        {"wire.left": {"awg": 10, "mm2": 4}},
        "10 AWG is 5.26 mm², mm2 is 4",
        "wire.left (line 1)",
        {"wire.left": {"awg": 10, "mm2": 5.26}},
    ),
    (
        "wire_ampacity_unknown",
        {"fuse.left": BLADE, "wire.left": {"length_m": 1}},
        "no awg and no mm2",
        "wire.left (line 4)",
        {"fuse.left": BLADE, "wire.left": {"mm2": 6}},
    ),
    # A fuse without a rating: nothing to compare, and no ampacity either.
    (
        "wire_ampacity_unknown",
        {"fuse.left": {"family": "blade_large"}, "wire.left": {"awg": 10}},
        "10 AWG: 40 to 70 A (33 CFR 183.425 Table 5, insulation_c is not given",
        "wire.left (line 3)",
        {"fuse.left": {"family": "blade_large"}, "wire.left": {"awg": 10, "insulation_c": 105}},
    ),
    # Thicker than the table: 500 A is above the 300 A of its last row, 4/0 AWG at 60 °C, which says nothing beyond.
    (
        "wire_ampacity_unknown",
        {"fuse.main": {"family": "strip_sf51", "rating_a": 500}, "wire.main": {"mm2": 120, "insulation_c": 60}},
        "wire.main 120 mm²: at least 300 A (33 CFR 183.425 Table 5, column for 60 °C insulation, air not given, 30 °C "
        "assumed); the table covers 18 AWG to 4/0 AWG",
        "wire.main (line 4)",
        {"fuse.main": {"family": "strip_sf51", "rating_a": 300}, "wire.main": {"mm2": 120, "insulation_c": 60}},
    ),
    (
        "wire_insulation",
        {"wire.left": {"awg": 10, "insulation_c": 55}},
        "55 °C; the table begins at 60 °C",
        "wire.left.insulation_c (line 3)",
        {"wire.left": {"awg": 10, "insulation_c": 60}},
    ),
    (
        "fuse_position_missing",
        {"fuse.left": BLADE},
        "position is not given",
        "fuse.left.position (line 1)",
        {"fuse.left": {**BLADE, "position": "supply_leg"}},
    ),
    (
        "fuse_position_missing",
        {"fuse.left": {**BLADE, "position": "unknown"}},
        "position is unknown",
        "fuse.left.position (line 4)",
        {"fuse.main": BLADE},
    ),
    (
        "fuse_not_seen",
        {"fuse.left": {**BLADE, "position": "motor_lead"}, "controller": {"sensed": "supply_leg"}},
        "the fuse is in the motor lead, controller.sensed is the supply leg",
        "fuse.left.position (line 4)",
        {"fuse.left": {**BLADE, "position": "supply_leg"}, "controller": {"sensed": "supply_leg"}},
    ),
]


@pytest.mark.parametrize(("code", "has", "evidence", "where", "lacks"), CASES)
def test_finding(code: str, has: Sections, evidence: str, where: str, lacks: Sections) -> None:
    found = [problem for problem in problems(has) if problem.code == code]
    assert len(found) == 1
    problem = found[0]
    assert (problem.severity, problem.what) == RULES[code]
    assert evidence in problem.evidence
    assert problem.where == where
    assert problem.next
    assert code not in {problem.code for problem in problems(lacks)}


# ABYC E-11, second-hand: the next size up may stand, to 150 % of the ampacity. 33 CFR 183.425 Table 5: 14 AWG carries
# 35 A at 105 °C, 20 A at 60 °C and 45 A at 200 °C; 12 AWG 45 A at 105 °C.
@pytest.mark.parametrize(
    ("sections", "code", "severity"),
    [
        ({"fuse.left": BLADE, "wire.left": {"awg": 14, "insulation_c": 105}}, "fuse_above_wire", "caution"),
        ({"fuse.left": BLADE_60, "wire.left": {"awg": 14, "insulation_c": 105}}, "fuse_above_wire", "danger"),
        ({"fuse.left": BLADE, "wire.left": {"awg": 12, "insulation_c": 105}}, "fuse_above_wire", None),
        ({"fuse.left": BLADE, "wire.left": {"awg": 14}}, "wire_ampacity_unknown", "caution"),
        ({"fuse.left": BLADE, "wire.left": {"awg": 10}}, "wire_ampacity_unknown", None),
        ({"fuse.left": BLADE, "wire.left": {"length_m": 1}}, "wire_ampacity_unknown", "note"),
    ],
)
def test_the_figures_decide_how_grave_a_fuse_above_its_wire_is(
    sections: Sections, code: str, severity: str | None
) -> None:
    found = [problem.severity for problem in problems(sections) if problem.code == code]
    assert found == ([] if severity is None else [severity])


def test_every_rule_of_the_module_has_a_case() -> None:
    source = inspect.getsource(machine_check_fuse)
    assert {case[0] for case in CASES} == {code for code in RULES if f'"{code}"' in source}


def test_gravest_first_and_nothing_is_called_harmless() -> None:
    rank = ["danger", "caution", "note"]
    seen = [problem for case in CASES for sections in (case[1], case[4]) for problem in problems(sections)]
    for case in CASES:
        order = [rank.index(problem.severity) for problem in problems(case[1])]
        assert order == sorted(order)
    for problem in seen:
        for text in (problem.what, problem.evidence, problem.next):
            assert text.isprintable()
            assert not {"safe", "ok", "okay", "fine"} & set(text.lower().replace(",", " ").split())
