"""`machine check` on fuses and wires: each finding with a machine that has it and a near twin that lacks it."""

from __future__ import annotations

import inspect

import pytest

from logger import machine_check_fuse
from logger.machine import parse
from logger.machine_check import Problem, check
from logger.machine_problem import RULES

LEAD = {"blocks": 2, "arrangement": "series", "block_voltage_v": 12, "chemistry": "agm"}
STIFF = {**LEAD, "resistance_ohm": 0.005}
WEAK = {**LEAD, "resistance_ohm": 0.030}
BLADE = {"family": "blade_large", "rating_a": 40}
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
    # ABYC E-11, 105 °C, outside engine spaces, second-hand (references section 2): 14 AWG 35 A, 10 AWG 60 A.
    (
        "fuse_above_wire",
        {"fuse.left": BLADE, "wire.left": {"awg": 14}},
        "fuse.left 40 A, wire.left 14 AWG: 35 A (ABYC E-11, 105 °C insulation, outside engine spaces, second-hand",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": BLADE, "wire.left": {"awg": 10}},
    ),
    # 12 AWG has no row in the column: the next thinner one, 14 AWG, counts.
    (
        "fuse_above_wire",
        {"fuse.left": BLADE, "wire.left": {"awg": 12}},
        "wire.left 12 AWG: 35 A, by the row of 14 AWG",
        "fuse.left.rating_a (line 3)",
        {"fuse.left": {"family": "blade_medium", "rating_a": 35}, "wire.left": {"awg": 12}},
    ),
    # 2.5 mm² lies between 14 AWG (2.08 mm²) and 12 AWG (3.31 mm²); 6 mm² above 10 AWG (5.26 mm²).
    (
        "fuse_above_wire",
        {"fuse.right": BLADE, "wire.right": {"mm2": 2.5}},
        "wire.right 2.5 mm²: 35 A, by the row of 14 AWG",
        "fuse.right.rating_a (line 3)",
        {"fuse.right": BLADE, "wire.right": {"mm2": 6}},
    ),
    # A channel's wire without a fuse of its own hangs on the main fuse: 10 AWG 60 A, 8 AWG 80 A.
    (
        "fuse_above_wire",
        {"fuse.main": {"family": "blade_large", "rating_a": 80}, "wire.left": {"awg": 10}},
        "fuse.main 80 A, wire.left 10 AWG: 60 A",
        "wire.left (line 4)",
        {"fuse.main": {"family": "blade_large", "rating_a": 80}, "wire.left": {"awg": 8}},
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
    # 24 V / 25 mΩ = 960 A, 1056 A when full; a channel's fuse has the main wire in front of it as well.
    (
        "breaking_capacity_near",
        {"battery": {**LEAD, "resistance_ohm": 0.0125}, "fuse.main": BLADE},
        "about 960 A",
        "fuse.main.family (line 8)",
        {"battery": {**LEAD, "resistance_ohm": 0.0125}, "fuse.left": BLADE, "wire.main": {"awg": 8, "length_m": 1.5}},
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
        "from memory only",
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
        {"fuse.left": BLADE, "wire.left": {"awg": 20}},
        "20 AWG; the table holds 18 to 2 AWG",
        "wire.left (line 4)",
        {"fuse.left": BLADE, "wire.left": {"awg": 18}},
    ),
    (
        "wire_ampacity_unknown",
        {"fuse.left": BLADE, "wire.left": {"length_m": 1}},
        "no awg and no mm2",
        "wire.left (line 4)",
        {"fuse.left": BLADE, "wire.left": {"mm2": 6}},
    ),
    # Thicker than the table: 250 A is above the 210 A of its last row, which says nothing about 1/0 AWG.
    (
        "wire_ampacity_unknown",
        {"fuse.main": {"family": "strip_sf51", "rating_a": 250}, "wire.main": {"awg": 0}},
        "1/0 AWG: 210 A, by the row of 2 AWG",
        "wire.main (line 4)",
        {"fuse.main": {"family": "strip_sf51", "rating_a": 200}, "wire.main": {"awg": 0}},
    ),
    (
        "wire_insulation",
        {"wire.left": {"awg": 10, "insulation_c": 75}},
        "75 °C; the table is for 105 °C",
        "wire.left.insulation_c (line 3)",
        {"wire.left": {"awg": 10, "insulation_c": 105}},
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
