"""`machine check`: what a valid machine description says that cannot be, or that must be doubted.

It compares what the file says with itself and with published limits. It finds no fault that the file does not show,
and an empty result is no statement about the machine.
"""

from __future__ import annotations

import itertools
import math

from amptally.logger.machine.check_fuse import check_fuses_and_wires
from amptally.logger.machine.description import Machine
from amptally.logger.machine.fields import Battery
from amptally.logger.machine.problem import Findings, Problem
from amptally.tables.battery_charging_voltage import block_window

__all__ = ["Problem", "charging_voltage_v", "check", "stall_current_a"]

_ORDER = {"danger": 0, "caution": 1, "note": 2}
_LABEL_TOLERANCE = 0.01
"""Chargers are labelled to about this part of their voltage (common practice, no source)."""


def check(machine: Machine) -> tuple[Problem, ...]:
    """Problems of one machine, gravest first."""
    findings = Findings(machine)
    check_fuses_and_wires(machine, findings)
    _arrangement(machine, findings)
    _capacities(machine, findings)
    _charger(machine, findings)
    _controller(machine, findings)
    _motor(machine, findings)
    _sensors(machine, findings)
    _supplies(machine, findings)
    return tuple(sorted(findings.problems, key=lambda problem: _ORDER[problem.severity]))


def stall_current_a(machine: Machine) -> float | None:
    """Current of one motor held still at the battery's nominal voltage [A]; None where it cannot be known.

    From motor.stall_a, in proportion to the voltage (I = V / R) where rated_voltage_v differs from the battery's;
    else from the nominal voltage over motor.resistance_ohm.
    """
    motor = machine.motor
    if motor is None:
        return None
    nominal_v = machine.battery.nominal_voltage_v if machine.battery else None
    if motor.stall_a is not None and (nominal_v is None or motor.rated_voltage_v is None):
        return motor.stall_a
    return None if nominal_v is None or motor.standing_ohm is None else nominal_v / motor.standing_ohm


def charging_voltage_v(machine: Machine) -> tuple[float, str] | None:
    """Greatest voltage [V] across the whole battery while it charges, and what it rests on; None where unknown."""
    battery, charger = machine.battery, machine.charger
    if charger is not None and charger.voltage_v is not None and charger.port is not None:
        if charger.port == "whole":
            return charger.voltage_v, "charger.voltage_v"
        if battery is not None and battery.in_series is not None:
            return charger.voltage_v * battery.in_series, "charger.voltage_v of each block"
    window = _charge_window_v(battery) if battery is not None else None
    if window is None or battery is None or battery.in_series is None:
        return None
    low_v, high_v, source = window
    return (low_v + high_v) / 2 * battery.in_series, f"middle of the charging window of {battery.chemistry}: {source}"


def _charge_window_v(battery: Battery) -> tuple[float, float, str] | None:
    """Least and greatest voltage of one block at the end of bulk charging [V], and the source."""
    if battery.chemistry is None or battery.block_voltage_v is None:
        return None
    window = block_window(battery.chemistry, battery.block_voltage_v)
    return window.low_v, window.high_v, f"{window.cells} cells a block; {window.source}"


def _arrangement(machine: Machine, findings: Findings) -> None:
    battery = machine.battery
    if battery is None:
        return
    blocks, arrangement = battery.blocks, battery.arrangement
    if (arrangement == "single" and blocks not in (None, 1)) or (arrangement in ("series", "parallel") and blocks == 1):
        findings.add(
            "arrangement_contradiction",
            "battery.arrangement",
            f"arrangement is {arrangement}, blocks is {blocks}",
            "Write series or parallel for several blocks, single for one.",
        )
    elif battery.in_series is None:
        gap = "arrangement" if arrangement is None else "blocks"
        findings.add("arrangement_missing", "battery", f"{gap} is not given", f"Write battery.{gap}.")
    named = {
        "receiver.fed_from": machine.receiver.fed_from if machine.receiver else None,
        "charger.port": machine.charger.port if machine.charger else None,
    }
    several = battery.in_series is None or battery.in_series * (battery.in_parallel or 1) > 1
    for where, block in named.items():
        if block in ("block_a", "block_b") and not several:
            findings.add(
                "block_missing", where, f"{block}, but the battery is one block", "Write whole, or the blocks."
            )


def _capacities(machine: Machine, findings: Findings) -> None:
    battery = machine.battery
    if battery is None:
        return
    first = (battery.capacity_ah, battery.capacity_hours)
    second = (battery.second_capacity_ah, battery.second_hours)
    for name, (charge_ah, hours) in (("capacity", first), ("second", second)):
        if charge_ah is not None and hours is None:
            findings.add(
                "capacity_hours_missing",
                f"battery.{'capacity_ah' if name == 'capacity' else 'second_capacity_ah'}",
                f"{charge_ah:g} Ah without {name}_hours",
                f"Write {name}_hours as on the sheet: 20 for a C20 rating.",
            )
    if None not in (*first, *second):
        (slow_h, slow_ah), (fast_h, fast_ah) = sorted(
            ((first[1] or 0.0, first[0] or 0.0), (second[1] or 0.0, second[0] or 0.0)), reverse=True
        )
        # Faster means a greater current that takes out less: the two ways to mistype a data-sheet pair.
        if slow_h == fast_h or fast_ah > slow_ah or fast_ah / fast_h <= slow_ah / slow_h:
            findings.add(
                "capacity_pair",
                "battery.second_capacity_ah",
                f"{slow_ah:g} Ah in {slow_h:g} h is {slow_ah / slow_h:.3g} A, {fast_ah:g} Ah in {fast_h:g} h is "
                f"{fast_ah / fast_h:.3g} A; a faster discharge gives less charge at a greater current",
                "Copy both pairs from the same sheet, for the same block and temperature.",
            )
    cutoff_v, block_v = battery.cutoff_v, battery.block_voltage_v
    if cutoff_v is not None and block_v is not None and cutoff_v >= block_v:
        findings.add(
            "battery_cutoff",
            "battery.cutoff_v",
            f"{cutoff_v:g} V, nominal {block_v:g} V a block",
            "Both are per block: write the end voltage of one block.",
        )


def _charger(machine: Machine, findings: Findings) -> None:
    battery, charger = machine.battery, machine.charger
    if battery is None or charger is None or charger.voltage_v is None:
        return
    window = _charge_window_v(battery)
    fold = 1 if charger.port in ("block_a", "block_b") else battery.in_series
    if window is None or fold is None:
        return
    low_v, high_v = window[0] * fold, window[1] * fold
    assumed = "" if charger.port else "; charger.port is not given, the whole battery is assumed"
    evidence = (
        f"{charger.voltage_v:g} V; {battery.chemistry}, {fold} in series, takes {low_v:.3g} to {high_v:.3g} V "
        f"({window[2]}){assumed}"
    )
    then = "Compare the charger's label with the battery's sheet, and write block_voltage_v as the sheet has it."
    if charger.voltage_v > high_v * (1 + _LABEL_TOLERANCE):
        findings.add("charger_too_high", "charger.voltage_v", evidence, f"Do not charge with this pair. {then}")
    elif charger.voltage_v < low_v * (1 - _LABEL_TOLERANCE):
        findings.add("charger_too_low", "charger.voltage_v", evidence, then)


def _controller(machine: Machine, findings: Findings) -> None:
    controller = machine.controller
    sensors = [name for name in ("left_current", "right_current") if name in machine.sensors]
    channels = sensors or [place for place in ("left", "right") if place in machine.fuses]
    if channels and (controller is None or controller.sensed in (None, "unknown")):
        given = "not given" if controller is None or controller.sensed is None else "unknown"
        findings.add(
            "controller_sensed_missing",
            "controller.sensed",
            f"controller.sensed is {given}; volts times amperes is power only in a supply leg",
            "Follow the wire from the sensor: supply_leg towards the battery, motor_lead towards the motor.",
        )
    nominal_v = machine.battery.nominal_voltage_v if machine.battery else None
    if controller is None:
        return
    then = "Take both from the controller's sheet, and check battery.arrangement."
    if controller.maximum_v is not None:
        charging = charging_voltage_v(machine)
        if nominal_v is not None and controller.maximum_v < nominal_v:
            findings.add(
                "controller_below_battery",
                "controller.maximum_v",
                f"{controller.maximum_v:g} V, battery nominal {nominal_v:g} V",
                then,
            )
        elif charging is not None and controller.maximum_v < charging[0]:
            findings.add(
                "controller_below_charging",
                "controller.maximum_v",
                f"{controller.maximum_v:g} V; {charging[0]:.3g} V while charging ({charging[1]})",
                "Disconnect the controller while charging; braking with a full battery raises it further.",
            )
    if controller.minimum_v is not None and nominal_v is not None and controller.minimum_v >= nominal_v:
        findings.add(
            "controller_above_battery",
            "controller.minimum_v",
            f"{controller.minimum_v:g} V, battery nominal {nominal_v:g} V",
            then,
        )


def _motor(machine: Machine, findings: Findings) -> None:
    motor = machine.motor
    if motor is None:
        return
    known = [("no_load_a", motor.no_load_a), ("rated_a", motor.rated_a), ("stall_a", motor.stall_a)]
    given = [(name, amps) for name, amps in known if amps is not None]
    for (below, less), (above, more) in itertools.pairwise(given):
        if less >= more:
            findings.add(
                "motor_currents",
                f"motor.{below}",
                f"{below} {less:g} A is not below {above} {more:g} A",
                "Copy both from the motor's sheet.",
            )


def _sensors(machine: Machine, findings: Findings) -> None:
    ranged = {
        name: sensor.full_scale
        for name in ("battery_current", "left_current", "right_current")
        if (sensor := machine.sensors.get(name)) is not None and sensor.full_scale is not None
    }
    if not ranged:
        return
    stall_a = stall_current_a(machine)
    if stall_a is None:
        findings.add(
            "stall_missing",
            "motor",
            f"full scale is given for {', '.join(ranged)}",
            "Write motor.stall_a, or motor.resistance_ohm.",
        )
        return
    for name, full_scale_a in ranged.items():
        motors = 2 if name == "battery_current" else 1
        if full_scale_a < motors * stall_a and not math.isclose(full_scale_a, motors * stall_a):
            held = "both motors held" if motors == 2 else "one motor held"
            findings.add(
                "sensor_below_stall",
                f"sensors.{name}.full_scale",
                f"{full_scale_a:g} A; {motors * stall_a:.4g} A with {held} at nominal voltage",
                "Expect peaks cut off at full scale; a sensor with a wider range sees them.",
            )


def _supplies(machine: Machine, findings: Findings) -> None:
    if machine.receiver is None or machine.receiver.minimum_v is None:
        findings.add(
            "receiver_minimum_missing",
            "receiver.minimum_v",
            "receiver.minimum_v is not given",
            "Take the least supply voltage from the receiver's sheet.",
        )
    main = machine.fuses.get("main")
    cutoff_a = machine.cutoff.rating_a if machine.cutoff else None
    if main is not None and main.rating_a is not None and cutoff_a is not None and cutoff_a < main.rating_a:
        findings.add(
            "cutoff_below_main_fuse",
            "cutoff.rating_a",
            f"cutoff {cutoff_a:g} A, main fuse {main.rating_a:g} A: the fuse lets through more than the cutoff carries",
            "Fit a cutoff of at least the main fuse's rating, or a smaller main fuse.",
        )
