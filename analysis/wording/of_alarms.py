"""Words for alarms while recording, by their code; and why a fuse is not watched."""

from __future__ import annotations

from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.catalogue import worded
from amptally.analysis.wording.phrase import Facts, Phrase

_SUPPLIES = {
    "battery": "Battery",
    "lower_block": "Lower block",
    "upper_block": "Upper block",
    "controller_supply": "Controller supply",
    "receiver_supply": "Receiver supply",
}
_RULES = {
    "sheet_cutoff": "where its sheet ends a discharge",
    "bms_cutoff": "where its management board opens",
    "sheet_minimum": "the minimum of its sheet",
    "controller_cutoff": "where it stops driving",
}


def _fuse(facts: Facts) -> str:
    return f"{facts['place'].capitalize()} fuse"


def _voltage(facts: Facts) -> str:
    return (
        f"{_SUPPLIES[facts['supply']]} down to {facts['voltage_v']:.2f} V for {facts['hold_s']:g} s; "
        f"{facts['minimum_v']:g} V is {_RULES[facts['rule']]}"
    )


def _load(facts: Facts) -> str:
    return (
        f"this load is {100 * facts['likely_load']:.0f} % of the one that may open it by its likely curve, up to "
        f"{100 * facts['possible_load']:.0f} % by what its published times promise"
    )


def _near(facts: Facts) -> str:
    return f"{_fuse(facts)} is near its earliest opening: {_load(facts)}"


def _inside(facts: Facts) -> str:
    return f"{_fuse(facts)} may open: it is inside its opening times: {_load(facts)}"


def _clipped(facts: Facts) -> str:
    return (
        f"{facts['lead'].capitalize()} current sensor at its full scale of {facts['full_scale_a']:g} A: the true "
        "current was higher"
    )


ALARMS: dict[str, Phrase] = {
    "fuse_near": _near,
    "fuse_inside": _inside,
    "battery_low": _voltage,
    "block_low": _voltage,
    "controller_low": _voltage,
    "receiver_low": _voltage,
    "pulse_lost": "No command pulse {input} for {limit_s:g} s: the receiver or its wire has stopped sending",
    "pulse_held": (
        "The command pulses have not changed by a single step for {limit_s:g} s while current flowed: the receiver may "
        "be holding its last pulse"
    ),
    "balance": (
        "Battery current less left and right is {residual_a:+.1f} A over {mean_s:g} s, beyond the {limit_a:.1f} A that "
        "the sensors and small consumers explain"
    ),
    "sensor_clipped": _clipped,
}
UNWATCHED: dict[str, Phrase] = {
    "unwatched_sensor_unknown": "it is not known whether the sensor sees its current",
    "unwatched_sensor_elsewhere": "its current is measured elsewhere",
    "unwatched_rating_missing": "its rating is not given",
    "unwatched_family_missing": "its family is not given",
    "unwatched_family_unknown": "{family} is not a known fuse family",
    "unwatched_rating_unknown": "{family} has no {rating_a:g} A rating",
    "unwatched_air_beyond_table": "its derating table ends below {air_c:g} °C",
}


def alarm_text(alarm: Reason) -> str:
    """One sentence without a full stop. KeyError for an unknown code."""
    return worded(ALARMS[alarm.code], alarm)


def unwatched(reason: Reason) -> str:
    """Why a fuse is not watched, as a clause. KeyError for an unknown code."""
    return worded(UNWATCHED[reason.code], reason)
