"""What `machine check` can find: one table of rules, and the value that a finding is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from amptally.logger.machine.description import Machine
from amptally.logger.machine.lines import Lines

Severity = Literal["note", "caution", "danger"]

RULES: dict[str, tuple[Severity, str]] = {
    "fuse_above_wire": ("danger", "A fuse is rated above what its wire may carry."),
    "breaking_capacity": ("danger", "A short circuit can drive more current than the fuse is built to interrupt."),
    "charger_too_high": ("danger", "The charger's voltage is above what this battery takes."),
    "controller_below_battery": ("danger", "The controller's greatest voltage is below the battery's nominal voltage."),
    "fuse_outside_family": ("caution", "This body of fuse is not made in this rating."),
    "breaking_capacity_near": ("caution", "A short circuit can come near the current the fuse is built to interrupt."),
    "wire_without_fuse": ("caution", "No fuse is described that protects this wire."),
    "wire_size_twice": ("caution", "The wire's two sizes differ."),
    "fuse_not_seen": ("caution", "The current sensor does not see the current that the fuse sees."),
    "sensor_below_stall": ("caution", "A current sensor ends below the stall current."),
    "cutoff_below_main_fuse": ("caution", "The cutoff is rated below the main fuse."),
    "controller_below_charging": ("caution", "The controller's greatest voltage is below the charging voltage."),
    "controller_above_battery": ("caution", "The controller's least voltage is not below the battery's."),
    "arrangement_contradiction": ("caution", "Number of blocks and arrangement contradict each other."),
    "block_missing": ("caution", "A block is named that this arrangement does not have."),
    "charger_too_low": ("caution", "The charger's voltage is too low to fill this battery."),
    "capacity_pair": ("caution", "The battery's two capacities contradict each other."),
    "battery_cutoff": ("caution", "The battery's cut-off voltage is not below its nominal voltage."),
    "motor_currents": ("caution", "The motor's currents contradict each other."),
    "fuse_rating_unverified": ("note", "That this body of fuse is made in this rating is unverified."),
    "fuse_incomplete": ("note", "A fuse lacks its family or its rating: nothing about it can be compared."),
    "fuse_wire_missing": ("note", "A fuse has no wire to be compared with."),
    "wire_ampacity_unknown": ("note", "No ampacity is at hand for this wire."),
    "wire_insulation": ("note", "The ampacity table is for hotter insulation than this wire's."),
    "fuse_position_missing": ("note", "It is not said where the fuse sits."),
    "controller_sensed_missing": ("note", "It is not said where the left and right current sensors sit."),
    "short_circuit_unknown": ("note", "The prospective short-circuit current cannot be worked out."),
    "stall_missing": ("note", "The stall current is not given: no sensor can be compared with it."),
    "receiver_minimum_missing": ("note", "The receiver's least voltage is not given: its supply cannot be judged."),
    "arrangement_missing": ("note", "Number of blocks or arrangement is missing: the whole battery stays unknown."),
    "capacity_hours_missing": ("note", "A capacity without its hours says little: capacity depends on the rate."),
}
"""Severity and sentence of each code; docs/machine-file.md lists them."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing about a machine description that cannot be, or must be doubted."""

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


class Findings:
    """Collects the problems of one machine."""

    def __init__(self, machine: Machine) -> None:
        self._lines = Lines(machine.text)
        self.problems: list[Problem] = []

    def add(self, code: str, where: str, evidence: str, then: str, severity: Severity | None = None) -> None:
        """Note one problem at the dotted name `where`; `then` says what to do.

        `severity` is given where the figures decide it, not the rule alone.
        """
        usual, what = RULES[code]
        line = self._lines.of(*where.split("."))
        place = where if line is None else f"{where} (line {line})"
        self.problems.append(Problem(severity or usual, code, what, evidence, then, place))
