"""Words for doubts about data."""

from __future__ import annotations

from amptally.analysis.quality.current_balance import SUM_TOLERANCE
from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase, counted
from amptally.logger.channels import BY_SI_NAME

DOUBTS = {
    "current_sign": "the sign of the battery current looks reversed",
    "voltage_unanswering": "the battery voltage does not respond to the load",
    "current_filled_in": "the current has no part in what the battery's voltage does",
    "voltage_jumps_alone": "the battery's voltage jumps while its current stays as it is",
    "current_scale": "the scale of the battery current does not fit its battery",
    "channel_stuck": "a channel is stuck at one reading while others move",
    "channel_partial": "the current was measured in part of the run only",
    "cut_top": "the peaks of the current are cut off",
    "sensor_clipped": "the current sensor was at its full scale",
    "channels_swapped": "two current channels look swapped",
    "channels_disagree": "battery, left and right current do not add up",
    "zero_shift": "the current sensor's zero moved",
    "wheel_count_jump": "a wheel's count makes impossible steps",
    "time_bases_differ": "two channels are on different clocks",
    "charger_unseen": "the battery was on a charger, and its current does not show it",
    "battery_left_plus_right": "what the battery feeds besides left and right is not known",
}
"""What is doubted, by the code of the finding."""
USUAL_FACTORS = (0.001, 0.01, 0.1, 0.5, 2.0, 10.0, 100.0, 1000.0)
"""Slips of a unit, of a decimal point, of a second turn through a current clamp."""
USUAL_WITHIN = 0.07


def _doubted(facts: Facts) -> str:
    return f"{DOUBTS[facts['finding']]} (finding {facts['finding']})"


def _widened(facts: Facts) -> str:
    return f"{_doubted(facts)}, ±{facts['half']:.3g}"


def _label(facts: Facts) -> str:
    return BY_SI_NAME[facts["channel"]].label


def _unit(facts: Facts) -> str:
    return BY_SI_NAME[facts["channel"]].si_unit


def _reads(factor: float) -> str:
    """How a channel reads against what it should, by the usual slip where the factor is near one."""
    size = abs(factor)
    if abs(size - 1) <= SUM_TOLERANCE:
        return "with the opposite sign"
    near = [usual for usual in USUAL_FACTORS if abs(size / usual - 1) <= USUAL_WITHIN]
    by = f"{near[0]:g}" if near else f"{size:.3g}"
    return f"{by} times what it should{', with the opposite sign' if factor < 0 else ''}"


def _channels_read(facts: Facts) -> str:
    return f"both channels read {_reads(facts['factor']).replace('it should', 'they should')}"


def _sum_fit(facts: Facts) -> str:
    return (
        f"battery = {facts['slope']:.3g} × (left + right) {facts['intercept_a']:+.1f} A, "
        f"correlation {facts['correlation']:.2f}"
    )


def _two_channel_fit(facts: Facts) -> str:
    return (
        f"battery = {facts['left_slope']:.3g} × left + {facts['right_slope']:.3g} × right, "
        f"correlation {facts['correlation']:.2f}"
    )


def _jumps(facts: Facts) -> str:
    return (
        f"the voltage jumps {facts['jumps']} times, by up to {1e3 * facts['largest_v']:.0f} mV, and the current has no "
        f"step to match (correlation {facts['correlation']:.2f})"
    )


def _swings(facts: Facts) -> str:
    return (
        f"the voltage goes up and down {facts['swings']} times by {1e3 * facts['smallest_v']:.0f} mV or more, and the "
        f"current does not go with it (correlation {facts['correlation']:.2f})"
    )


def _sum_evidence(facts: Facts) -> str:
    of_sheet = facts["resistance_of_sheet"]
    by_sheet = "" if of_sheet is None else f"; its resistance by that current is {of_sheet:.3g} times its sheet's"
    return f"{facts['measured']}{by_sheet}"


def _filled_in(facts: Facts) -> str:
    what = "is one number throughout, and" if facts["one_number"] else "has no part in what the voltage does:"
    return (
        f"{_label(facts)} {what} it looks typed in, or its sensor does not work, or a load, a charger or a loose "
        "contact that the sensor does not see moves the battery's voltage."
    )


def _alone_evidence(facts: Facts) -> str:
    jumps, largest = facts["jumps"], f"{1e3 * facts['largest_v']:.0f} mV at {facts['at_s']:.1f} s"
    return f"{jumps} jumps, the largest {largest}" if jumps > 1 else f"1 jump, {largest}"


def _span(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _scale(facts: Facts) -> str:
    size = "too large" if facts["seen_ohm"] < facts["sheet_ohm"] else "too small"
    return f"The battery current looks {size}: its voltage responds as no battery of this sheet would."


def _scale_evidence(facts: Facts) -> str:
    seen, sheet = facts["seen_ohm"], facts["sheet_ohm"]
    return f"{1e3 * seen:.3g} mΩ seen, {1e3 * sheet:.3g} mΩ in the machine file, {seen / sheet:.3g} times as much"


def _stuck_evidence(facts: Facts) -> str:
    unit = _unit(facts)
    return (
        f"{facts['level']:.4g} {unit} from {facts['start_s']:.1f} s to {facts['end_s']:.1f} s, while by the other "
        f"channels it moved by {facts['witness_moved']:.2g} {unit} from one half second to the next"
    )


def _clocks(facts: Facts) -> str:
    what = {"voltage": "The battery voltage", "channels": "The sum of both channels"}[facts["compared"]]
    apart = "apart in time" if _constant(facts) else "more and more apart in time"
    return f"{what} responds {apart}: the two are on different clocks."


def _constant(facts: Facts) -> bool:
    return bool(facts["start_lag_s"] == facts["end_lag_s"])


def _clocks_evidence(facts: Facts) -> str:
    start, end = facts["start_lag_s"], facts["end_lag_s"]
    lag = f"{start:+.2f} s" if _constant(facts) else f"{start:+.2f} s at the start, {end:+.2f} s at the end"
    return (
        f"lag {lag} (correlation {facts['correlation']:.2f} with it, {facts['correlation_without']:.2f} without; "
        f"{facts['stretches']} stretches)"
    )


def _clocks_next(facts: Facts) -> str:
    if _constant(facts):
        return (
            "Bring both to one clock, or undo the filter of one, and import again; "
            "a constant delay can go into delay_s."
        )
    return "Record both with one board, or bring their times together by marks at both ends, and import again."


def _charger(facts: Facts) -> str:
    if facts["reversed"]:
        return "The battery was on a charger, and its current reads as drawn: the sign is turned."
    return "The battery was on a charger that its current sensor does not see."


def _charger_evidence(facts: Facts) -> str:
    between = f"from {facts['from_s']:.0f} to {facts['to_s']:.0f} s"
    return f"up to {facts['highest_v']:.2f} V {between}, with {facts['current_a']:.2f} A read as drawn"


def _charger_next(facts: Facts) -> str:
    if facts["reversed"]:
        return "Import it again with --discharge negative, or turn the sensor round."
    return "Charge, rest voltage and resistance of this time are not given: report the part without the charger."


def _sum_of_sides(facts: Facts) -> str:
    if facts["standby_a"] is None:
        return "The battery's current is taken as left plus right: what else it feeds comes on top."
    return f"The battery's current is taken as left plus right plus {facts['standby_a']:g} A for everything else."


def _sum_of_sides_evidence(facts: Facts) -> str:
    placed = "is supply_leg" if facts["placed"] else "is not given: supply legs assumed"
    return f"no sensor in the battery's own lead; controller.sensed {placed}"


def _sum_of_sides_next(facts: Facts) -> str:
    asked = []
    if facts["standby_a"] is None:
        asked.append("the current with everything on and the machine still, as standby_a under [machine]")
    if not facts["placed"]:
        asked.append("where left and right are measured, as sensed under [controller]")
    if not asked:
        return "Measure standby_a again when what else is connected changes."
    return f"Write in the machine file: {'; '.join(asked)}."


LARGER_RANGE = "Fit a sensor with a larger range before trusting any margin of this lead."
PHRASES: dict[str, Phrase] = {
    "doubted": _doubted,
    "widened_for_doubt": _widened,
    "sum_fit": _sum_fit,
    "two_channel_fit": _two_channel_fit,
    "battery_reversed": "the battery lead counts in the opposite direction to both channels",
    "scale_sign_or_place": "a scale, a sign or the place of a sensor is wrong",
    "channel_has_no_part": "the {lead} channel has no part in it",
    "channel_reads": lambda facts: f"the {facts['lead']} channel reads {_reads(facts['factor'])}",
    "channels_in_motor_leads": "the channels look measured in motor leads, where more flows than in supply legs",
    "battery_reads": lambda facts: f"the battery lead reads {_reads(facts['factor'])}",
    "channels_read": _channels_read,
    "either": "{first}, or {second}",
    "one_command_pulse": lambda facts: (
        f"only one command pulse was recorded ({_label(facts)}), and both are needed to know what each side was asked"
    ),
    "command_pulse_implausible": lambda facts: f"{_label(facts)} holds no command pulses (finding pulse_implausible)",
    "jumps_without_current": _jumps,
    "swings_without_current": _swings,
}
FINDINGS: dict[str, FindingWords] = {
    "current_sign": FindingWords(
        "The battery's voltage rises when its current rises: the sign of the current looks reversed.",
        lambda facts: (
            f"+{1e3 * facts['rise_ohm']:.1f} mV per ampere over {facts['changes']} changes "
            f"(correlation {facts['correlation']:.2f})"
        ),
        "Turn the sensor round; for this file, import it again with --discharge negative.",
    ),
    "voltage_unanswering": FindingWords(
        "The battery voltage does not respond to the load: it may be filled in, or measured elsewhere.",
        lambda facts: (
            f"{1e3 * facts['slope_ohm']:.3f} ± {1e3 * facts['slope_doubt_ohm']:.3f} mV per ampere over "
            f"{facts['changes']} changes of current"
        ),
        "Check where the voltage is taken; sag, energy and resistance of this run are not given.",
    ),
    "current_filled_in": FindingWords(
        _filled_in,
        "{evidence}",
        "Charge, energy and resistance are not given from it: measure the current in the battery's own lead, together "
        "with the voltage, and check its contacts.",
    ),
    "voltage_jumps_alone": FindingWords(
        "The battery's voltage jumps while its current stays as it is: a loose contact, a load or a charger that the "
        "sensor does not see, or a current that was typed in.",
        _alone_evidence,
        "Check contacts and what else is connected to the battery; charge and resistance of this run are those of the "
        "current in the file.",
    ),
    "current_scale": FindingWords(
        _scale,
        _scale_evidence,
        "Check the sensor's scale (10, 100, 1000?) and battery.resistance_ohm in the machine file, with a meter.",
    ),
    "channel_stuck": FindingWords(
        lambda facts: f"{_label(facts)} is stuck at one reading while other channels move: it was not measured there.",
        _stuck_evidence,
        "Check the sensor and its lead; report the part without it, for example --to {start_s:.0f}.",
    ),
    "channel_partial": FindingWords(
        lambda facts: f"{_label(facts)} was measured in part of the run only: what it did in the rest is not known.",
        lambda facts: (
            f"{facts['covered_s']:.1f} s of {facts['sampled_s']:.1f} s sampled, "
            f"{100 * facts['covered_s'] / facts['sampled_s']:.0f} %"
        ),
        "Check its sensor and connector; its peaks and sums are lower limits, margins from it upper ones.",
    ),
    "cut_top": FindingWords(
        lambda facts: f"{_label(facts)}: its peaks are cut off at one value, so the true current was higher.",
        "{samples} samples at {level_a:.2f} A, the longest stretch {longest_stretch_samples} samples",
        LARGER_RANGE,
    ),
    "sensor_clipped": FindingWords(
        "The {lead} current sensor reached its full scale: the true current was higher.",
        "{samples} samples at {full_scale_a:g} A",
        LARGER_RANGE,
    ),
    "channels_swapped": FindingWords(
        "The {lead} channel carries what the battery lead should: the two look swapped.",
        lambda facts: f"{facts['lead']} = {facts['slope']:.2f} × (battery + the other channel); {facts['measured']}",
        "Swap the two sensors' wires or their columns, then record or import again.",
    ),
    "channels_disagree": FindingWords(
        lambda facts: f"The battery lead does not carry the sum of both channels: {facts['cause']}.",
        _sum_evidence,
        "Compare each sensor with a meter under a steady load, and check controller.sensed in the machine file.",
    ),
    "zero_shift": FindingWords(
        lambda facts: (
            f"{_label(facts)} reads differently at rest after the drive than before it: its zero moved, or a load "
            "stayed on."
        ),
        "{before_a:+.2f} A before, {after_a:+.2f} A after",
        "Switch everything off and compare; a magnetic sensor may keep an offset after a large peak.",
    ),
    "wheel_count_jump": FindingWords(
        lambda facts: f"{_label(facts)} makes steps that no wheel of this machine can make: they were left out.",
        lambda facts: (
            f"{counted(facts['steps'], 'step')}, the largest {facts['largest_counts']:.4g} counts, where "
            f"{facts['most_per_s']:.4g} a second are possible"
        ),
        "Send a CRC with each line of text, check the pickup's wiring, and motor.rpm, gear_ratio and "
        "wheel_counts_per_rev in the machine file.",
    ),
    "pulse_implausible": FindingWords(
        lambda facts: f"{_label(facts)} holds widths that no command pulse has: commands are not read from it.",
        lambda facts: (
            f"{_span(facts['shortest_us'], facts['longest_us'])} µs in {100 * facts['share']:.0f} % of its time, "
            "where command pulses last 500 to 3000 µs"
        ),
        "Record the width of the pulse in microseconds, not a level or another unit; at import give the unit, for "
        "example --map pulse_a_us=COLUMN:ms.",
    ),
    "pulse_channel_alone": FindingWords(
        lambda facts: f"{_label(facts)} was recorded alone: what each side was asked for is not known.",
        lambda facts: f"{BY_SI_NAME[facts['missing']].label} is not in the file",
        "Connect and record both command inputs.",
    ),
    "charger_unseen": FindingWords(_charger, _charger_evidence, _charger_next),
    "battery_left_plus_right": FindingWords(_sum_of_sides, _sum_of_sides_evidence, _sum_of_sides_next),
    "time_bases_differ": FindingWords(_clocks, _clocks_evidence, _clocks_next),
}
