"""The rules of `machine check`, and the value that describes one problem."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from amptally.logger.machine.description import Machine
from amptally.logger.machine.lines import Lines

Severity = Literal["note", "caution", "danger"]

RULES: dict[str, tuple[Severity, str]] = {
    "fuse_above_wire": ("danger", "A fuse is rated above the ampacity of its wire."),
    "breaking_capacity": ("danger", "A short-circuit current can exceed the fuse's breaking capacity."),
    "charger_too_high": ("danger", "The charger's voltage is too high for this battery."),
    "controller_below_battery": ("danger", "The controller's maximum voltage is below the battery's nominal voltage."),
    "nothing_filled_in": ("caution", "Nothing is filled in: the file describes no machine."),
    "unit_doubtful": ("caution", "A number is not usual here: it may have been typed in another unit."),
    "fuse_outside_family": ("caution", "This fuse body is not made in this rating."),
    "fuse_incomplete": ("caution", "The family or the rating of a fuse is not given: the fuse cannot be checked."),
    "breaking_capacity_near": ("caution", "A short-circuit current can come close to the fuse's breaking capacity."),
    "wire_without_fuse": ("caution", "The file describes no fuse that protects this wire."),
    "wire_size_twice": ("caution", "The two sizes given for the wire differ."),
    "fuse_not_seen": ("caution", "The current sensor does not measure the current in the fuse."),
    "sensor_below_stall": ("caution", "A current sensor's full scale is below the stall current."),
    "cutoff_below_main_fuse": ("caution", "The cutoff is rated below the main fuse."),
    "controller_below_charging": ("caution", "The controller's maximum voltage is below the charging voltage."),
    "controller_above_battery": (
        "caution",
        "The controller's minimum voltage is not below the battery's nominal voltage.",
    ),
    "arrangement_contradiction": ("caution", "The number of blocks contradicts the arrangement."),
    "chemistry_voltage": ("caution", "The block's voltage does not suit its kind of cell."),
    "cells_contradiction": ("caution", "The number of cells contradicts the block's voltage."),
    "motor_below_battery": ("caution", "The motor is rated well below the battery's voltage."),
    "bms_cutoff": ("caution", "The BMS's cut-off voltage does not fit this battery."),
    "bms_below_stall": ("caution", "The BMS opens below the stall current: a stall switches the machine off."),
    "block_missing": ("caution", "The file names a block that this arrangement does not have."),
    "charger_too_low": ("caution", "The charger's voltage is too low to fill this battery."),
    "capacity_pair": ("caution", "The battery's two capacities contradict each other."),
    "battery_cutoff": ("caution", "The battery's cut-off voltage is not below its nominal voltage."),
    "battery_cutoff_low": ("caution", "The battery's cut-off voltage is far below what a block may be emptied to."),
    "motor_currents": ("caution", "The motor's currents contradict each other."),
    "fuse_rating_unverified": ("note", "Whether this fuse body is made in this rating is unverified."),
    "fuse_wire_missing": ("note", "The wire that a fuse protects is not described: the two cannot be compared."),
    "wire_ampacity_unknown": ("note", "The ampacity of this wire is not known."),
    "wire_insulation": ("note", "The ampacity table starts above this wire's insulation temperature."),
    "fuse_position_missing": ("note", "The position of the fuse is not given."),
    "controller_sensed_missing": ("note", "The position of the left and right current sensors is not given."),
    "short_circuit_unknown": ("note", "The prospective short-circuit current cannot be calculated."),
    "stall_missing": ("note", "The stall current is not known: the sensors' full scale cannot be checked."),
    "motor_above_battery": ("note", "The motor is rated well above the battery's voltage: it turns slower."),
    "controller_stops_early": ("note", "The controller stops driving before the battery is empty."),
    "receiver_minimum_missing": ("note", "The receiver's minimum voltage is not given: its supply cannot be judged."),
    "arrangement_missing": (
        "note",
        "The number of blocks or the arrangement is not given: the figures of the whole battery are unknown.",
    ),
    "capacity_hours_missing": (
        "note",
        "A capacity is given without its hours: capacity depends on the rate of discharge.",
    ),
}
"""Severity and sentence of each code; docs/machine-file.md lists them."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One contradiction, doubt or gap in a machine description."""

    severity: Severity
    """note: something is missing; caution: something contradicts; danger: heat, arc or overcharge may follow."""
    code: str
    """Key of `RULES`."""
    what: str
    """The finding in one sentence."""
    evidence: str
    """The values compared, with their limit and its source."""
    next: str
    """What to do about it."""
    where: str
    """Field or section, with its line where the file has it."""

    @property
    def place(self) -> str | None:
        """The lead it is about: left, right or main; None where it is about no lead."""
        section, _, rest = self.where.partition(" ")[0].partition(".")
        return rest.partition(".")[0] if section in ("fuse", "wire") and rest else None


class Findings:
    """Collects the problems of one machine."""

    def __init__(self, machine: Machine) -> None:
        self._lines = Lines(machine.text)
        self.problems: list[Problem] = []

    def add(self, code: str, where: str, evidence: str, then: str, severity: Severity | None = None) -> None:
        """Add one problem at the dotted name `where`; `then` says what to do.

        `severity` replaces that of the rule where it depends on the figures.
        """
        usual, what = RULES[code]
        line = self._lines.of(*where.split("."))
        place = where if line is None else f"{where} (line {line})"
        self.problems.append(Problem(severity or usual, code, what, evidence, then, place))
