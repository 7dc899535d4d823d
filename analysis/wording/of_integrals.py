"""Words for charge and energy, and for the duty from which a channel's charge may be estimated."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase


def _from_command(facts: Facts) -> str:
    assumed = f" (assumed: {', '.join(facts['assumed_fields'])} not given)" if facts["assumed_fields"] else ""
    return f"duty taken as the command, ± {facts['half_width']:.2f}, delayed by up to {facts['delay_s']:g} s{assumed}"


def _compared(facts: Facts) -> str:
    both = ", so both count as possible" if facts["both_possible"] else ""
    return (
        f"{facts['command']}; duties from wheel speed differ from it by {facts['median_apart']:.2f} in the median{both}"
    )


PHRASES: dict[str, Phrase] = {
    "gap_of_unknown_length": "a gap of unknown length, taken as discharge",
    "ends_not_measured": "not measured in {missing_s:.3g} s at the ends of the run, taken as discharge",
    "reversals_between_samples": "current that flowed back for less than the {interval_s:.3g} s between samples is not "
    "seen",
    "never_measured_together": "current and voltage were never measured at the same time",
    "largest_of_samples": "the largest of the samples",
    "not_in_supply_leg": ("{lead} current is not measured in a supply leg, so it is no share of the battery's charge"),
    "in_motor_lead": "{lead} current is measured in the motor lead, not in a supply leg: {why}",
    "estimated_from_duty": "estimated: {duty}",
    "duty_without_direction": "{duty}, without its direction",
    "duty_from_command": _from_command,
    "duty_compared": _compared,
    "duty_from_speed": "duty from wheel speed, motor data and supply voltage, ± 20 %",
    "no_command_pulses": "no command pulses were recorded",
    "mixing_undeclared": (
        "controller.mixing is not in the machine file, so pulses cannot be assigned to left and right"
    ),
    "command_sets_no_duty": "controller.command_sets is {command_sets}, so a command is no duty",
    "no_duty_source": "neither commands nor wheel pickups with the motor's data give a duty",
    "duty_from_speed_undescribed": (
        "a duty from wheel speed needs motor.rpm, rated_voltage_v, resistance_ohm, gear ratio and wheel counts"
    ),
    "no_supply_voltage": "no supply voltage was measured",
    "no_time_covered": "no two samples without a gap between them: no time is covered",
}
FINDINGS: dict[str, FindingWords] = {}
