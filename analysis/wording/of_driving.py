"""Words for how a machine was driven."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase

MISSING = {
    "motor_resistance": "motor.resistance_ohm or stall_a (with rated_voltage_v, or the battery described)",
    "voltage": "the battery voltage",
}


def _by_current(facts: Facts) -> str:
    nominal = ", stall_a taken at the battery's nominal voltage" if facts["at_nominal"] else ""
    return (
        "estimated from current against command, without wheel pickups: the motor took 0.7 or more of what it takes "
        f"standing{nominal}; ends: 0.85 and 0.55"
    )


def _by_pickups(facts: Facts) -> str:
    sides = facts["sides"]
    return "from wheel pickups" + ("" if len(sides) == 2 else f", {sides[0]} only")


def _stalls(facts: Facts) -> str:
    times = "once" if facts["stalls"] == 1 else f"{facts['stalls']} times"
    return f"{times}, longest {facts['longest_s']:.1f} s from {facts['longest_at_s']:.1f} s; {facts['seen_by']}"


def _standing(facts: Facts) -> str:
    sides = facts["sides"]
    by = ", by their current" if facts["seen_by"] == "current" else ""
    return f"while the {' and '.join(sides)} wheel{'s' if len(sides) > 1 else ''} stood still under command{by}"


PHRASES: dict[str, Phrase] = {
    "without_pulses": "without command pulses",
    "sticks_at_rest": "with the sticks at rest",
    "wheels_standing": _standing,
    "turning_on_the_spot": "while turning on the spot to the {side}",
    "turning": "while turning {side}",
    "reversing": "while reversing",
    "straight_ahead": "while driving straight ahead",
    "command_pulses_few": "too few command pulses",
    "battery_charged": lambda facts: (
        f"the battery was on a charger (current into it for {facts['charged_s'] / 60:.0f} min): "
        "what braking gave back cannot be told apart from it"
    ),
    "nothing_discharged": "nothing was discharged, so there is no share of it",
    "share_unbounded": "neither side of the share is bounded",
    "channel_charge_one_sided": "a channel's charge is known from one side only",
    "channel_charge_near_zero": "the charge of one channel cannot be told from zero",
    "side_currents_unmeasured": "left and right current were not measured in two samples or more",
    "stall_seen_by_pickups": _by_pickups,
    "stall_seen_by_current": _by_current,
    "stall_undecidable": lambda facts: (
        f"no wheel pickups; to tell a stall from the current, {MISSING[facts['missing']]} is needed"
    ),
    "stall_leg_unknown": "no wheel pickups, and where the currents are measured is unknown",
}
FINDINGS: dict[str, FindingWords] = {
    "sides_uneven": FindingWords(
        lambda facts: (
            f"Straight ahead the {'left' if facts['left_share'] > 0.5 else 'right'} side draws clearly more than the "
            "other."
        ),
        lambda facts: (
            f"{100 * facts['left_share']:.0f} : {100 - round(100 * facts['left_share']):.0f} left to right over "
            f"{facts['straight_s']:.0f} s straight ahead"
        ),
        "Look for drag on that side: a rubbing wheel, a tight chain, low tyre pressure, a load that sits off centre.",
    ),
    "wheel_stalled": FindingWords(
        "The {side} wheel stood still under command.",
        _stalls,
        "A standing motor takes its maximum current: let go of the stick at once, and look for what held the wheel.",
    ),
}
