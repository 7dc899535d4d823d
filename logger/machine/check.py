"""`machine check`: contradictions and doubtful values in a valid machine description.

The file is compared with itself and with published limits. A fault that the file does not show is not found, and an
empty result says nothing about the machine.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable

from amptally.logger.machine.check_fuse import check_fuses_and_wires
from amptally.logger.machine.description import Machine
from amptally.logger.machine.fields import Battery, unit_of
from amptally.logger.machine.problem import Findings, Problem
from amptally.logger.machine.spec import plain
from amptally.tables.battery_cells import CELL_V, cells_in_block
from amptally.tables.battery_charging_voltage import block_window

__all__ = ["Problem", "charging_voltage_v", "check", "gravest_first", "stall_current_a"]

_ORDER = {"danger": 0, "caution": 1, "note": 2}
LEAD = ("agm", "gel", "flooded")
LEAD_CELL_TOLERANCE = 0.15
"""Cells by which a lead-acid block's nominal voltage may miss a whole number (own choice: labels are exact here)."""
MOTOR_RATIO = 1.5
"""From here on a motor's voltage and the battery's differ by more than labels do (own choice; 12 V on 24 V is 2)."""
LEAST_CUTOFF_SHARE = 0.5
"""No cell is emptied below half its nominal voltage: lead 1.6 of 2 V, LFP 2.0 of 3.2 V, NiMH 0.8 of 1.2 V (common
practice, no source)."""
_LABEL_TOLERANCE = 0.01
"""Relative accuracy of the voltage on a charger's label (common practice, no source)."""


def check(machine: Machine) -> tuple[Problem, ...]:
    """Problems of one machine, most severe first."""
    findings = Findings(machine)
    if machine.is_blank:
        findings.add(
            "nothing_filled_in",
            "machine",
            "every field of the template is still behind its #",
            "Answer the questions of `amptally machine new --ask` on this file, or delete the # before what you know.",
        )
        return tuple(findings.problems)
    check_fuses_and_wires(machine, findings)
    _units(machine, findings)
    _arrangement(machine, findings)
    _cells(machine, findings)
    _capacities(machine, findings)
    _charger(machine, findings)
    _controller(machine, findings)
    _motor(machine, findings)
    _motor_voltage(machine, findings)
    _bms(machine, findings)
    _sensors(machine, findings)
    _supplies(machine, findings)
    return gravest_first(findings.problems)


def gravest_first(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Ordered by severity; within one severity as they came."""
    return tuple(sorted(problems, key=lambda problem: _ORDER[problem.severity]))


def stall_current_a(machine: Machine) -> float | None:
    """Stall current of one motor at the battery's nominal voltage [A]; None where it is not known.

    From motor.stall_a, in proportion to the voltage (I = V / R) where rated_voltage_v differs from the battery's;
    else the nominal voltage divided by motor.resistance_ohm.
    """
    motor = machine.motor
    if motor is None:
        return None
    nominal_v = machine.battery.nominal_voltage_v if machine.battery else None
    if motor.stall_a is not None and (nominal_v is None or motor.rated_voltage_v is None):
        return motor.stall_a
    return None if nominal_v is None or motor.standing_ohm is None else nominal_v / motor.standing_ohm


def charging_voltage_v(machine: Machine) -> tuple[float, str] | None:
    """Maximum voltage [V] across the whole battery during charging, and its source; None where unknown."""
    battery, charger = machine.battery, machine.charger
    given_v = charger.voltage_v if charger is not None else None
    if given_v is not None and charger is not None and charger.port is not None:
        if charger.port == "whole":
            return given_v, "charger.voltage_v"
        if battery is not None and battery.in_series is not None:
            return given_v * battery.in_series, "charger.voltage_v of each block"
    window = _charge_window_v(battery) if battery is not None else None
    if window is None or battery is None or battery.in_series is None:
        return None if given_v is None else (given_v, "charger.voltage_v")
    low_v, high_v, source = window
    middle_v = (low_v + high_v) / 2 * battery.in_series
    if given_v is not None and given_v >= middle_v:
        return given_v, "charger.voltage_v"
    # What the charger is connected to is not known: one for a single block must not hide what two in series reach.
    return middle_v, f"middle of the charging window of {battery.chemistry}: {source}"


def _charge_window_v(battery: Battery) -> tuple[float, float, str] | None:
    """Minimum and maximum voltage of one block at the end of bulk charging [V], and the source."""
    if battery.chemistry is None or battery.block_voltage_v is None:
        return None
    window = block_window(battery.chemistry, battery.block_voltage_v)
    return window.low_v, window.high_v, f"{window.cells} cells per block; {window.source}"


def _units(machine: Machine, findings: Findings) -> None:
    for path, spec, value in machine.given():
        unit = unit_of(spec, path[1])
        slips = spec.slips(value, unit) if isinstance(value, float) else ()
        if slips:
            low, high = spec.usual or (spec.low, spec.high)
            shown_unit = f" {unit}" if unit else ""
            findings.add(
                "unit_doubtful",
                ".".join(path),
                f"{plain(value)}{shown_unit}, usual {plain(low)} to {plain(high)}{shown_unit}; "
                + ", ".join(f"{slip.typed} would be {plain(slip.value)}{shown_unit}" for slip in slips),
                f"If that is what the part says, write {' or '.join(plain(slip.value) for slip in slips)}. "
                "Otherwise leave it.",
            )


def _cells(machine: Machine, findings: Findings) -> None:
    battery = machine.battery
    if battery is None or battery.chemistry is None or battery.block_voltage_v is None:
        return
    block_v, cell_v = battery.block_voltage_v, CELL_V[battery.chemistry]
    if battery.cells is not None:
        cells = cells_in_block(battery.chemistry, block_v)
        if cells != battery.cells:
            findings.add(
                "cells_contradiction",
                "battery.cells",
                f"{_counted(battery.cells)} of {battery.chemistry} are {battery.cells * cell_v:.4g} V, {cell_v:g} V "
                f"each; block_voltage_v is {block_v:g} V, which is {_counted(cells)}",
                f"Count the cells. If cells is right, write block_voltage_v = {battery.cells * cell_v:.4g} or leave it "
                "out: labels round.",
            )
    elif battery.chemistry in LEAD and abs(block_v / cell_v - round(block_v / cell_v)) > LEAD_CELL_TOLERANCE:
        others = [
            f"{each} cells of {name}"
            for name, volts in (("lfp", 3.2), ("li_ion", 3.6), ("li_ion", 3.7))
            if (each := round(block_v / volts)) >= 1 and abs(block_v - each * volts) < 0.005 * block_v
        ]
        fits = f"; it is {' or '.join(others)}" if others else ""
        findings.add(
            "chemistry_voltage",
            "battery.block_voltage_v",
            f"{block_v:g} V; {battery.chemistry} has {cell_v:g} V a cell, so a block of 6 or 12 V{fits}",
            "Write the nominal voltage from the label, not a measured one, and read the kind of cell again.",
        )


def _counted(cells: int) -> str:
    """`1 cell`, `8 cells`."""
    return f"{cells} cell{'' if cells == 1 else 's'}"


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
                f"Write {name}_hours as on the data sheet: 20 for a C20 rating.",
            )
    if None not in (*first, *second):
        (slow_h, slow_ah), (fast_h, fast_ah) = sorted(
            ((first[1] or 0.0, first[0] or 0.0), (second[1] or 0.0, second[0] or 0.0)), reverse=True
        )
        # A faster discharge means a higher current and less charge: a mistyped data-sheet pair breaks one or the other.
        if slow_h == fast_h or fast_ah > slow_ah or fast_ah / fast_h <= slow_ah / slow_h:
            findings.add(
                "capacity_pair",
                "battery.second_capacity_ah",
                f"{slow_ah:g} Ah in {slow_h:g} h is {slow_ah / slow_h:.3g} A, {fast_ah:g} Ah in {fast_h:g} h is "
                f"{fast_ah / fast_h:.3g} A; a faster discharge gives less charge at a higher current",
                "Copy both pairs from the same data sheet, for the same block and temperature.",
            )
    cutoff_v, block_v = battery.cutoff_v, battery.block_voltage_v
    if cutoff_v is not None and block_v is not None and cutoff_v >= block_v:
        findings.add(
            "battery_cutoff",
            "battery.cutoff_v",
            f"{cutoff_v:g} V, nominal {block_v:g} V per block",
            "Both are per block: write the end voltage of one block.",
        )
    elif cutoff_v is not None and block_v is not None and cutoff_v < LEAST_CUTOFF_SHARE * block_v:
        findings.add(
            "battery_cutoff_low",
            "battery.cutoff_v",
            f"{cutoff_v:g} V of a block of nominal {block_v:g} V: {cutoff_v / block_v:.2g} of it",
            "Write the end voltage of one whole block: that of a cell times the cells in the block.",
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
    then = "Compare the charger's label with the battery's data sheet, and write block_voltage_v as on the sheet."
    if charger.voltage_v > high_v * (1 + _LABEL_TOLERANCE):
        findings.add(
            "charger_too_high", "charger.voltage_v", evidence, f"Do not charge this battery with this charger. {then}"
        )
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
            f"controller.sensed is {given}; voltage times current is power only in a supply leg",
            "Follow the sensor's wire: supply_leg if it comes from the battery, motor_lead if it goes to the motor.",
        )
    nominal_v = machine.battery.nominal_voltage_v if machine.battery else None
    if controller is None:
        return
    then = "Take both from the controller's data sheet, and check battery.arrangement."
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
                "Disconnect the controller while charging. Braking with a full battery raises the voltage further.",
            )
    if controller.minimum_v is not None and nominal_v is not None and controller.minimum_v >= nominal_v:
        findings.add(
            "controller_above_battery",
            "controller.minimum_v",
            f"{controller.minimum_v:g} V, battery nominal {nominal_v:g} V",
            then,
        )

    stops = {"controller.cutoff_v": controller.cutoff_v, "controller.minimum_v": controller.minimum_v}
    empty_v = machine.battery.whole_cutoff_v if machine.battery else None
    where, stop_v = max(stops.items(), key=lambda item: item[1] or 0.0)
    if empty_v is not None and stop_v is not None and nominal_v is not None and empty_v < stop_v < nominal_v:
        findings.add(
            "controller_stops_early",
            where,
            f"{stop_v:g} V; the battery is empty at {empty_v:g} V",
            "Expect the controller to end the drive first, under load. Some can be set lower.",
        )


def _motor_voltage(machine: Machine, findings: Findings) -> None:
    """Motors wound for another battery, such as 12 V motors on two blocks in series."""
    nominal_v = machine.battery.nominal_voltage_v if machine.battery else None
    motor_v = machine.motor.rated_voltage_v if machine.motor else None
    if nominal_v is None or motor_v is None:
        return
    ratio = nominal_v / motor_v
    if ratio >= MOTOR_RATIO:
        findings.add(
            "motor_below_battery",
            "motor.rated_voltage_v",
            f"motor {motor_v:g} V, battery nominal {nominal_v:g} V: at full output {ratio:.2g} times the speed, "
            f"{ratio:.2g} times the stall current (I = V / R) and {ratio**2:.2g} times its heat",
            "Check battery.arrangement and the plate on the motor. If both are right, limit output and current at the "
            "controller.",
        )
    elif ratio <= 1 / MOTOR_RATIO:
        findings.add(
            "motor_above_battery",
            "motor.rated_voltage_v",
            f"motor {motor_v:g} V, battery nominal {nominal_v:g} V: {ratio:.2g} times its rated speed at most",
            "Check battery.arrangement and the plate on the motor.",
        )


def _bms(machine: Machine, findings: Findings) -> None:
    bms = machine.bms
    if bms is None:
        return
    nominal_v = machine.battery.nominal_voltage_v if machine.battery else None
    if bms.cutoff_v is not None and nominal_v is not None:
        per_cell = bms.cutoff_v < LEAST_CUTOFF_SHARE * nominal_v
        if per_cell or bms.cutoff_v >= nominal_v:
            findings.add(
                "bms_cutoff",
                "bms.cutoff_v",
                f"{bms.cutoff_v:g} V, battery nominal {nominal_v:g} V",
                "Write it for the whole battery: the BMS's lowest cell voltage times the cells in series."
                if per_cell
                else "Copy the voltage at which it switches the load off, not that at which it stops a charge.",
            )
    stall_a = stall_current_a(machine)
    if bms.cutoff_a is not None and stall_a is not None:
        limit_a = machine.controller.peak_a if machine.controller else None
        motor_a = stall_a if limit_a is None else min(stall_a, limit_a)
        if 2 * motor_a > bms.cutoff_a:
            findings.add(
                "bms_below_stall",
                "bms.cutoff_a",
                f"opens at {bms.cutoff_a:g} A; both motors held at full output draw {2 * motor_a:.4g} A",
                "Set the controller's current limit below half of it, or expect everything to go dead in a stall.",
            )


def _motor(machine: Machine, findings: Findings) -> None:
    motor = machine.motor
    if motor is None:
        return
    known = [("no_load_a", motor.no_load_a), ("rated_a", motor.rated_a), ("stall_a", motor.stall_a)]
    given = [(name, amps) for name, amps in known if amps is not None]
    for (lower, low_a), (higher, high_a) in itertools.pairwise(given):
        if low_a >= high_a:
            findings.add(
                "motor_currents",
                f"motor.{lower}",
                f"{lower} {low_a:g} A is not below {higher} {high_a:g} A",
                "Copy both from the motor's data sheet.",
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
            held = "both motors stalled" if motors == 2 else "one motor stalled"
            findings.add(
                "sensor_below_stall",
                f"sensors.{name}.full_scale",
                f"{full_scale_a:g} A; {motors * stall_a:.4g} A with {held} at nominal voltage",
                "Expect peaks to be clipped at full scale, or fit a sensor with a wider range.",
            )


def _supplies(machine: Machine, findings: Findings) -> None:
    if machine.receiver is None or machine.receiver.minimum_v is None:
        findings.add(
            "receiver_minimum_missing",
            "receiver.minimum_v",
            "receiver.minimum_v is not given",
            "Take the minimum supply voltage from the receiver's data sheet.",
        )
    main = machine.fuses.get("main")
    cutoff_a = machine.cutoff.rating_a if machine.cutoff else None
    if main is not None and main.rating_a is not None and cutoff_a is not None and cutoff_a < main.rating_a:
        findings.add(
            "cutoff_below_main_fuse",
            "cutoff.rating_a",
            f"cutoff {cutoff_a:g} A, main fuse {main.rating_a:g} A: the fuse carries more than the cutoff is rated for",
            "Fit a cutoff of at least the main fuse's rating, or a smaller main fuse.",
        )
