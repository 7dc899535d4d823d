"""`machine check`: each finding with a machine that has it and a near twin that lacks it."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest

from amptally.logger.machine import check as machine_check
from amptally.logger.machine import check_fuse as machine_check_fuse
from amptally.logger.machine.check import Problem, charging_voltage_v, check, stall_current_a
from amptally.logger.machine.description import load, parse
from amptally.logger.machine.fields import SENSORS
from amptally.logger.machine.problem import RULES
from amptally.logger.simulator.sensors import SENSORS as SIMULATED

CART = Path(__file__).parents[2] / "sample_runs" / "cart.toml"


LEAD = {"blocks": 2, "arrangement": "series", "block_voltage_v": 12, "chemistry": "agm"}
BLADE = {"family": "blade_large", "rating_a": 40}

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
    (
        "controller_sensed_missing",
        {"sensors.left_current": {"noise": 0.1}},
        "controller.sensed is not given",
        "controller.sensed",
        {"sensors.left_current": {"noise": 0.1}, "controller": {"sensed": "motor_lead"}},
    ),
    (
        "controller_sensed_missing",
        {"fuse.left": BLADE, "controller": {"sensed": "unknown"}},
        "controller.sensed is unknown",
        "controller.sensed (line 5)",
        {"fuse.main": BLADE, "controller": {"sensed": "unknown"}},
    ),
    (
        "sensor_below_stall",
        {"motor": {"stall_a": 90}, "sensors.left_current": {"full_scale": 80}},
        "80 A; 90 A with one motor stalled at nominal voltage",
        "sensors.left_current.full_scale (line 4)",
        {"motor": {"stall_a": 90}, "sensors.left_current": {"full_scale": 90}},
    ),
    # Both motors can be held at once; the battery lead carries the sum.
    (
        "sensor_below_stall",
        {"motor": {"stall_a": 90}, "sensors.battery_current": {"full_scale": 170}},
        "170 A; 180 A with both motors stalled",
        "sensors.battery_current.full_scale (line 4)",
        {"motor": {"stall_a": 90}, "sensors.battery_current": {"full_scale": 180}},
    ),
    (
        "stall_missing",
        {"sensors.right_current": {"full_scale": 80}},
        "right_current",
        "motor",
        {"motor": {"stall_a": 60}, "sensors.right_current": {"full_scale": 80}},
    ),
    (
        "motor_currents",
        {"motor": {"rated_a": 100, "stall_a": 90}},
        "rated_a 100 A is not below stall_a 90 A",
        "motor.rated_a (line 2)",
        {"motor": {"rated_a": 12, "stall_a": 90}},
    ),
    (
        "cutoff_below_main_fuse",
        {"fuse.main": BLADE, "cutoff": {"rating_a": 30}},
        "cutoff 30 A, main fuse 40 A",
        "cutoff.rating_a (line 5)",
        {"fuse.main": BLADE, "cutoff": {"rating_a": 40}},
    ),
    (
        "controller_below_battery",
        {"battery": LEAD, "controller": {"maximum_v": 16}},
        "16 V, battery nominal 24 V",
        "controller.maximum_v (line 7)",
        {"battery": {**LEAD, "arrangement": "parallel"}, "controller": {"maximum_v": 16}},
    ),
    # Each block's own charger, 14.7 V: 29.4 V across the two in series.
    (
        "controller_below_charging",
        {"battery": LEAD, "controller": {"maximum_v": 28}, "charger": {"voltage_v": 14.7, "port": "block_a"}},
        "28 V; 29.4 V while charging (charger.voltage_v of each block)",
        "controller.maximum_v (line 7)",
        {"battery": LEAD, "controller": {"maximum_v": 30}, "charger": {"voltage_v": 29.4, "port": "whole"}},
    ),
    # No charger given: twelve cells at the middle of 2.25 to 2.5 V are 28.5 V (references section 9).
    (
        "controller_below_charging",
        {"battery": LEAD, "controller": {"maximum_v": 28}},
        "28.5 V while charging (middle of the charging window of agm",
        "controller.maximum_v (line 7)",
        {"battery": LEAD, "controller": {"maximum_v": 29}},
    ),
    (
        "controller_above_battery",
        {"battery": {**LEAD, "arrangement": "parallel"}, "controller": {"minimum_v": 18}},
        "18 V, battery nominal 12 V",
        "controller.minimum_v (line 7)",
        {"battery": LEAD, "controller": {"minimum_v": 18}},
    ),
    # References section 9 and T1: float about 2.25 V a cell, cyclic to 15.0 V for 12 V; 13.5 to 15.0 V a block.
    (
        "charger_too_high",
        {"battery": {**LEAD, "arrangement": "parallel"}, "charger": {"voltage_v": 29.4, "port": "whole"}},
        "29.4 V; agm, 1 in series, takes 13.5 to 15 V",
        "charger.voltage_v (line 7)",
        {"battery": LEAD, "charger": {"voltage_v": 29.4, "port": "whole"}},
    ),
    # References section 6: 14.6 V for four LFP cells in a public chart.
    (
        "charger_too_high",
        {
            "battery": {"chemistry": "lfp", "block_voltage_v": 12.8, "arrangement": "single"},
            "charger": {"voltage_v": 16.8},
        },
        "lfp, 1 in series, takes 13.6 to 14.6 V (4 cells per block; 14.6 V for four cells in a public chart",
        "charger.voltage_v (line 6)",
        {
            "battery": {"chemistry": "lfp", "block_voltage_v": 12.8, "arrangement": "single"},
            "charger": {"voltage_v": 14.6},
        },
    ),
    # From memory in the program's own table: Li-ion 4.2 V a cell; ten cells in a 36 V block.
    (
        "charger_too_high",
        {
            "battery": {"chemistry": "li_ion", "block_voltage_v": 36, "arrangement": "single"},
            "charger": {"voltage_v": 54.6},
        },
        "takes 40.5 to 42 V (10 cells per block; from memory, unverified); charger.port is not given",
        "charger.voltage_v (line 6)",
        {
            "battery": {"chemistry": "li_ion", "block_voltage_v": 36, "arrangement": "single"},
            "charger": {"voltage_v": 42},
        },
    ),
    (
        "charger_too_low",
        {"battery": LEAD, "charger": {"voltage_v": 14.7, "port": "whole"}},
        "14.7 V; agm, 2 in series, takes 27 to 30 V",
        "charger.voltage_v (line 7)",
        {"battery": LEAD, "charger": {"voltage_v": 14.7, "port": "block_b"}},
    ),
    (
        "arrangement_contradiction",
        {"battery": {"blocks": 2, "arrangement": "single"}},
        "arrangement is single, blocks is 2",
        "battery.arrangement (line 3)",
        {"battery": {"blocks": 1, "arrangement": "single"}},
    ),
    (
        "arrangement_contradiction",
        {"battery": {"blocks": 1, "arrangement": "parallel"}},
        "arrangement is parallel, blocks is 1",
        "battery.arrangement (line 3)",
        {"battery": {"blocks": 2, "arrangement": "parallel"}},
    ),
    (
        "arrangement_missing",
        {"battery": {"blocks": 2}},
        "arrangement is not given",
        "battery (line 1)",
        {"battery": {"blocks": 1}},
    ),
    (
        "arrangement_missing",
        {"battery": {"arrangement": "series"}},
        "blocks is not given",
        "battery (line 1)",
        {"battery": {"arrangement": "single"}},
    ),
    (
        "block_missing",
        {"battery": {"arrangement": "single"}, "receiver": {"fed_from": "block_b"}},
        "block_b, but the battery is one block",
        "receiver.fed_from (line 4)",
        {"battery": LEAD, "receiver": {"fed_from": "block_b"}},
    ),
    (
        "block_missing",
        {"battery": {"blocks": 1}, "charger": {"port": "block_a"}},
        "block_a, but the battery is one block",
        "charger.port (line 4)",
        {"battery": {"blocks": 1}, "charger": {"port": "whole"}},
    ),
    (
        "receiver_minimum_missing",
        {"receiver": {"fed_from": "whole"}},
        "receiver.minimum_v is not given",
        "receiver.minimum_v (line 1)",
        {"receiver": {"minimum_v": 4.0}},
    ),
    (
        "capacity_hours_missing",
        {"battery": {"capacity_ah": 35}},
        "35 Ah without capacity_hours",
        "battery.capacity_ah (line 2)",
        {"battery": {"capacity_ah": 35, "capacity_hours": 20}},
    ),
    (
        "capacity_hours_missing",
        {"battery": {"second_capacity_ah": 21}},
        "21 Ah without second_hours",
        "battery.second_capacity_ah (line 2)",
        {"battery": {"second_capacity_ah": 21, "second_hours": 1}},
    ),
    # References table T1: 40 Ah in 20 h, 24 Ah in 1 h; the same with the two charges exchanged.
    (
        "capacity_pair",
        {"battery": {"capacity_ah": 24, "capacity_hours": 20, "second_capacity_ah": 40, "second_hours": 1}},
        "24 Ah in 20 h is 1.2 A, 40 Ah in 1 h is 40 A",
        "battery.second_capacity_ah (line 4)",
        {"battery": {"capacity_ah": 40, "capacity_hours": 20, "second_capacity_ah": 24, "second_hours": 1}},
    ),
    # Hours mistyped: 34 Ah belong to 5 h in T1; in 18 h they would be less current than 40 Ah in 20 h.
    (
        "capacity_pair",
        {"battery": {"capacity_ah": 40, "capacity_hours": 20, "second_capacity_ah": 34, "second_hours": 18}},
        "a faster discharge gives less charge at a higher current",
        "battery.second_capacity_ah (line 4)",
        {"battery": {"capacity_ah": 40, "capacity_hours": 20, "second_capacity_ah": 34, "second_hours": 5}},
    ),
    (
        "battery_cutoff",
        {"battery": {"block_voltage_v": 12, "cutoff_v": 21}},
        "21 V, nominal 12 V per block",
        "battery.cutoff_v (line 3)",
        {"battery": {"block_voltage_v": 12, "cutoff_v": 10.5}},
    ),
    (
        "nothing_filled_in",
        {"machine": {"name": "my machine"}},
        "every field of the template is still behind its #",
        "machine (line 1)",
        {"machine": {"name": "my machine", "mass_kg": 60}},
    ),
    # 1 Ah = 1000 mAh; 9 / 1000 Ω.
    (
        "unit_doubtful",
        {"battery": {"capacity_ah": 2200, "capacity_hours": 5}},
        "2200 Ah, usual 0.2 to 400 Ah; 2200 mAh would be 2.2 Ah",
        "battery.capacity_ah (line 2)",
        {"battery": {"capacity_ah": 220, "capacity_hours": 5}},
    ),
    (
        "unit_doubtful",
        {"battery": {"resistance_ohm": 9}},
        "9 mΩ would be 0.009 Ω",
        "battery.resistance_ohm (line 2)",
        {"battery": {"resistance_ohm": 0.009}},
    ),
    # 1 in = 25.4 mm exactly.
    (
        "unit_doubtful",
        {"wire.left": {"length_m": 60}},
        "60 mm would be 0.06 m, 60 cm would be 0.6 m, 60 in would be 1.524 m",
        "wire.left.length_m (line 2)",
        {"wire.left": {"length_m": 0.6}},
    ),
    # °C = (°F − 32) / 1.8: 77 °F is 25 °C, 221 °F is 105 °C; 200 °C is a rating of its own (33 CFR 183.425 Table 5).
    (
        "unit_doubtful",
        {"fuse.left": {"ambient_c": 77}},
        "77 °F would be 25 °C",
        "fuse.left.ambient_c (line 2)",
        {"fuse.left": {"ambient_c": 25}},
    ),
    (
        "unit_doubtful",
        {"wire.main": {"insulation_c": 221}},
        "221 °F would be 105 °C",
        "wire.main.insulation_c (line 2)",
        {"wire.main": {"insulation_c": 200}},
    ),
    (
        "unit_doubtful",
        {"sensors.left_current": {"gain": 0.8}},
        "0.8, usual -0.2 to 0.2; 0.8 % would be 0.008",
        "sensors.left_current.gain (line 2)",
        {"sensors.left_current": {"gain": 0.008}},
    ),
    # 2.0 V a lead-acid cell, 3.2 V an LFP one (trade values, from memory, tables/battery_cells.py): 12.8 V is 4 of LFP.
    (
        "chemistry_voltage",
        {"battery": {"chemistry": "agm", "block_voltage_v": 12.8}},
        "12.8 V; agm has 2 V a cell, so a block of 6 or 12 V; it is 4 cells of lfp",
        "battery.block_voltage_v (line 3)",
        {"battery": {"chemistry": "lfp", "block_voltage_v": 12.8}},
    ),
    # 12 × 3.2 V = 38.4 V; 36 V would be 11 of them.
    (
        "cells_contradiction",
        {"battery": {"chemistry": "lfp", "cells": 12, "block_voltage_v": 36}},
        "12 cells of lfp are 38.4 V, 3.2 V each; block_voltage_v is 36 V, which is 11 cells",
        "battery.cells (line 3)",
        {"battery": {"chemistry": "lfp", "cells": 12, "block_voltage_v": 38.4}},
    ),
    (
        "battery_cutoff_low",
        {"battery": {"block_voltage_v": 12, "cutoff_v": 1.75}},
        "1.75 V of a block of nominal 12 V",
        "battery.cutoff_v (line 3)",
        {"battery": {"block_voltage_v": 12, "cutoff_v": 10.5}},
    ),
    # I = V / R: twice the voltage, twice the current, four times the heat.
    (
        "motor_below_battery",
        {"battery": LEAD, "motor": {"rated_voltage_v": 12}},
        "motor 12 V, battery nominal 24 V: at full output 2 times the speed, 2 times the stall current (I = V / R) and "
        "4 times its heat",
        "motor.rated_voltage_v (line 7)",
        {"battery": {**LEAD, "arrangement": "parallel"}, "motor": {"rated_voltage_v": 12}},
    ),
    (
        "motor_above_battery",
        {"battery": {**LEAD, "arrangement": "parallel"}, "motor": {"rated_voltage_v": 24}},
        "motor 24 V, battery nominal 12 V: 0.5 times its rated speed at most",
        "motor.rated_voltage_v (line 7)",
        {"battery": LEAD, "motor": {"rated_voltage_v": 24}},
    ),
    # 8 × 3.2 V = 25.6 V; 2.5 V is the limit of one cell.
    (
        "bms_cutoff",
        {"battery": {"chemistry": "lfp", "blocks": 1, "cells": 8}, "bms": {"cutoff_v": 2.5}},
        "2.5 V, battery nominal 25.6 V",
        "bms.cutoff_v (line 6)",
        {"battery": {"chemistry": "lfp", "blocks": 1, "cells": 8}, "bms": {"cutoff_v": 20}},
    ),
    (
        "bms_cutoff",
        {"battery": {"chemistry": "lfp", "blocks": 1, "cells": 8}, "bms": {"cutoff_v": 29.2}},
        "29.2 V, battery nominal 25.6 V",
        "bms.cutoff_v (line 6)",
        {"battery": {"chemistry": "lfp", "blocks": 1, "cells": 8}, "bms": {"cutoff_v": 20}},
    ),
    (
        "bms_below_stall",
        {"motor": {"stall_a": 90}, "bms": {"cutoff_a": 100}},
        "opens at 100 A; both motors held at full output draw 180 A",
        "bms.cutoff_a (line 4)",
        {"motor": {"stall_a": 90}, "bms": {"cutoff_a": 100}, "controller": {"peak_a": 50}},
    ),
    (
        "controller_stops_early",
        {"battery": {**LEAD, "cutoff_v": 10.5}, "controller": {"cutoff_v": 22, "minimum_v": 18}},
        "22 V; the battery is empty at 21 V",
        "controller.cutoff_v (line 8)",
        {"battery": {**LEAD, "cutoff_v": 10.5}, "controller": {"cutoff_v": 20, "minimum_v": 18}},
    ),
    # Where it is connected to is not given: twelve cells at 2.375 V are 28.5 V, whatever one block's charger gives.
    (
        "controller_below_charging",
        {"battery": LEAD, "controller": {"maximum_v": 28}, "charger": {"voltage_v": 14.7}},
        "28.5 V while charging (middle of the charging window of agm",
        "controller.maximum_v (line 7)",
        {"battery": LEAD, "controller": {"maximum_v": 29}, "charger": {"voltage_v": 14.7}},
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


def test_every_rule_is_somebodys() -> None:
    source = inspect.getsource(machine_check) + inspect.getsource(machine_check_fuse)
    assert [code for code in RULES if f'"{code}"' not in source] == []


def test_every_rule_of_the_module_has_a_case() -> None:
    source = inspect.getsource(machine_check)
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


def test_the_cart_s_blades_are_its_one_danger() -> None:
    found = check(load(CART))
    # 24 V / 25 mΩ = 960 A, 1056 A when full, against the 1000 A of ISO 8820-3's scope; through 1.8 mΩ of 6 AWG
    # (references section 2) 985 A. The battery sensor's 200 A against both motors held, 2 × 170 A.
    assert [(problem.severity, problem.code, problem.where.split(" ")[0]) for problem in found] == [
        ("danger", "breaking_capacity", "fuse.main.family"),
        ("caution", "breaking_capacity_near", "fuse.left.family"),
        ("caution", "breaking_capacity_near", "fuse.right.family"),
        ("caution", "sensor_below_stall", "sensors.battery_current.full_scale"),
    ]


def test_cart_declares_the_errors_that_the_simulated_sensors_are_drawn_from() -> None:
    declared = load(CART).sensors
    assert {SENSORS[name].si_name for name in declared} == {sensor.si_name for sensor in SIMULATED}
    for sensor in SIMULATED:
        name = next(name for name, channel in SENSORS.items() if channel.si_name == sensor.si_name)
        for field in ("offset_u", "gain_u", "noise", "resolution", "full_scale", "bandwidth_hz", "delay_s", "delay_u"):
            value = getattr(declared[name], field)
            assert (0.0 if value is None else value) == pytest.approx(getattr(sensor, field), rel=1e-5), (name, field)


def test_one_damaged_field_of_the_cart_is_found_in_place() -> None:
    text = CART.read_text(encoding="utf-8").replace("awg = 10", "awg = 16", 1)
    grave = [problem for problem in check(parse(text, "cart.toml")) if problem.severity == "danger"]
    found = [problem for problem in grave if problem.code != "breaking_capacity"]
    line = text.split("\n").index("[fuse.left]") + 3
    # References section 2: 16 AWG 25 A.
    assert [(problem.code, problem.where) for problem in found] == [
        ("fuse_above_wire", f"fuse.left.rating_a (line {line})")
    ]
    assert "16 AWG: 25 A" in found[0].evidence


# References MT1: 24 V and 0.016 Ω give 1500 A at stall; at 12 V half of it.
@pytest.mark.parametrize(
    ("motor", "battery", "stall_a"),
    [
        ("resistance_ohm = 0.016", "block_voltage_v = 24\nblocks = 1", 1500),
        ("resistance_ohm = 0.016", "block_voltage_v = 12\nblocks = 1", 750),
        ("stall_a = 750\nrated_voltage_v = 12", "block_voltage_v = 12\nblocks = 2\narrangement = 'series'", 1500),
        ("stall_a = 750\nrated_voltage_v = 12", "blocks = 1", 750),
        ("stall_a = 750\nresistance_ohm = 0.1", "block_voltage_v = 24\nblocks = 1", 750),
        ("resistance_ohm = 0.016", "blocks = 1", None),
        ("rated_a = 12", "block_voltage_v = 24\nblocks = 1", None),
    ],
)
def test_stall_current(motor: str, battery: str, stall_a: float | None) -> None:
    machine = parse(f"[motor]\n{motor}\n[battery]\n{battery}\n", "x")
    assert stall_current_a(machine) == (None if stall_a is None else pytest.approx(stall_a))


def test_a_sheet_s_stall_current_comes_before_its_resistance_everywhere() -> None:
    # I = V / R (Ohm's law): 90 A at 24 V are 0.2667 Ω, whatever the sheet says of the cold winding.
    motor = parse("[motor]\nstall_a = 90\nrated_voltage_v = 24\nresistance_ohm = 0.2\n", "x").motor
    assert motor is not None
    assert motor.standing_ohm == pytest.approx(0.26667, abs=1e-5)
    assert parse("[motor]\nresistance_ohm = 0.2\n", "x").motor.standing_ohm == 0.2  # type: ignore[union-attr]
    assert parse("[motor]\nstall_a = 90\n", "x").motor.standing_ohm is None  # type: ignore[union-attr]


def test_the_way_from_one_count_to_the_next() -> None:
    # A circle's circumference is π times its diameter: 0.254 m and 24 counts give 33.25 mm.
    wheel = "[machine]\nwheel_diameter_m = 0.254\nwheel_counts_per_rev = 24\n"
    assert parse(wheel, "x").metres_per_count == pytest.approx(0.03325, abs=5e-6)
    assert parse("[machine]\nwheel_diameter_m = 0.254\n", "x").metres_per_count is None


def test_stall_current_and_charging_voltage_of_an_unknown_machine() -> None:
    assert stall_current_a(parse("", "x")) is None
    assert charging_voltage_v(parse("", "x")) is None
    assert charging_voltage_v(parse("[battery]\nchemistry = 'agm'\nblock_voltage_v = 12", "x")) is None
