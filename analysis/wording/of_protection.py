"""Words for fuses and wires."""

from __future__ import annotations

import math
from collections.abc import Iterable

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase
from amptally.logger.machine.fields import Wire
from amptally.tables import wire_ampacity as table
from amptally.tables.fuse_families import FAMILIES
from amptally.tables.wire_gauge import gauge_name
from amptally.tables.wire_short_time import SOURCE as SHORT_TIME_SOURCE

BRIDGED_SHARE = 0.98
"""A margin across gaps is told where it is smaller than the one with nothing in them by more than this."""
CODES = "Local codes and the judgement of a licensed person come before it."


def conductor(wire: Wire) -> str:
    """A wire as the report's `conductor`: size, length, insulation."""
    size = "size not given" if wire.size is None else f"{wire.size.area_mm2:.3g} mm²"
    if wire.size is not None and wire.size.awg is not None:
        size = f"{gauge_name(wire.size.awg)} ({size})"
    length = "length not given" if wire.length_m is None else f"{wire.length_m:g} m round trip"
    rated = "insulation not given" if wire.insulation_c is None else f"{wire.insulation_c:g} °C insulation"
    return f"{size}, {length}, {rated}"


def _amps(values: Iterable[float]) -> str:
    return ", ".join(f"{each:g}" for each in values)


# Where a fuse and its sensor sit.


def _leg(place: str) -> str:
    return place.replace("_", " ")


def _place_unknown(facts: Facts) -> str:
    return (
        "it is not known whether the sensor sees the current that the fuse sees: trace the wires, then write "
        f"fuse.{facts['place']}.position and controller.sensed in the machine file"
    )


def _place_differs(facts: Facts) -> str:
    return f"{_in_two_leads(facts)}: measure the current in the {_leg(facts['position'])}"


def _in_two_leads(facts: Facts) -> str:
    return f"the fuse is in the {_leg(facts['position'])} and the current is measured in the {_leg(facts['sensed'])}"


def _places_given(facts: Facts) -> str:
    missing = f"; {' and '.join(facts['missing'])} not given" if facts["missing"] else ""
    return f"fuse position {facts['position']}, current sensed in {facts['sensed']}{missing}"


# Ratings and limits.


def _family_unknown(facts: Facts) -> str:
    return "its family is not given" if facts["family"] is None else f"{facts['family']} is not a known fuse family"


def _derating_missing(facts: Facts) -> str:
    return (
        "usable rating at most {derated_a:.3g} A of {rating_a:g} A in air of {air_c:.3g} °C: no derating table of its "
        "family is held, and {percent:.2g} %/K above 20 °C is the steepest of any known"
    ).format(**facts, percent=100 * facts["slope_per_k"])


def _limits_of_fuse(facts: Facts) -> str:
    return (
        "heating by (i / {derated_a:.4g} A)² with the memory of {table} ({trust}): what came before counts as far as "
        "the fuse had not cooled; the value by the likely thermal network through its opening times, the low end by "
        "what those times alone promise"
    ).format(**facts, trust=", ".join(facts["standing"]))


def _transcribed_for_other(facts: Facts) -> str:
    parts = " and ".join(f"{each:g} A" for each in facts["parts_a"])
    return f"transcribed for the {parts} part and unverified for {facts['rating_a']:g} A"


def _rows_from_memory(facts: Facts) -> str:
    return f"rows {', '.join(f'{percent:g} %' for percent in facts['rows_percent'])} from memory and unverified"


# Other ratings.


def _asked(facts: Facts) -> str:
    caps = ", ".join(f"{code} {cap_a:g} A" for code, cap_a in facts["caps"])
    wire = "wire (ampacity, and heating until it opens)" if facts["wire_described"] else "wire not described"
    stall = ""
    if facts["stall_s"] is not None:
        stall = f" and a stall of {facts['stall_a']:.3g} A for {facts['stall_s']:g} s after that load"
    return (
        f"asked for: continuous load at most {100 * facts['continuous_share']:.0f} % of the derated rating, this drive"
        f"{stall} with margin {facts['margin']:g} or more at the low end, {wire}, breaking capacity"
        + (f", not above {caps}" if caps else "")
        + "; no rating of motor or controller is a limit of a fuse, which opens too late for either"
    )


def _rating_judged(facts: Facts) -> str:
    rating = f"{facts['rating_a']:g} A{' fitted' if facts['fitted'] else ''}"
    margin = ""
    if facts["margin"] is not None:
        low = "" if facts["low"] is None else f", from {facts['low']:.2f}"
        margin = f" (margin {facts['margin']:.2f}{low})"
    notes = f"; {facts['notes']}" if facts["notes"] else ""
    if facts["fails"]:
        return f"{rating}{margin}: fails {', '.join(facts['fails'])}{notes}"
    return f"{rating}{margin}: meets all of it as measured in this run{notes}"


def _fails_continuous(facts: Facts) -> str:
    load_a, derated_a = facts["load_a"], facts["derated_a"]
    return f"continuous practice ({load_a:.3g} A is {100 * load_a / derated_a:.0f} % of {derated_a:.3g} A)"


def _fails_wire(facts: Facts) -> str:
    return f"{facts['place']} wire (ampacity {'at most ' if facts['at_most'] else ''}{facts['ampacity_a']:.3g} A)"


def _fails_exposure(facts: Facts) -> str:
    return "exposure" if facts["margin"] is None else f"exposure (margin from {facts['margin']:.2f})"


def _overloaded(facts: Facts) -> str:
    least = "" if facts["measured"] else "at least "
    return (
        f"{least}{facts['rise']:.2f} times the rise of {facts['continuous_a']:g} A for ever, at {facts['at_s']:.1f} s, "
        f"most of it in the {facts['window_s']:.3g} s before; by its sheet {facts['higher_a']:g} A for "
        f"{facts['time_s']:g} s, one time constant of {facts['constant_s']:.3g} s"
    )


def _at_stall_evidence(facts: Facts) -> str:
    opens = (
        "it need never open"
        if facts["soonest_s"] is None
        else f"opens no sooner than {facts['soonest_s']:.2g} s"
        + (", and need not open at all" if facts["latest_s"] is None else f", no later than {facts['latest_s']:.2g} s")
    )
    return (
        f"stall {facts['stall_a']:.3g} A: {opens} (cold fuse, earliest and latest published times); below "
        f"{facts['derated_a']:.3g} A never"
    )


def _lasting(seconds: float) -> str:
    return f"{seconds:.2g} s" if seconds < 99.5 else f"{seconds / 60:.0f} min"


def _at_stall_what(facts: Facts) -> str:
    if facts["latest_s"] is None:
        return f"{_of(facts)}: it may not open at all when the motors are held still."
    span = f"{_lasting(facts['soonest_s'])} to {_lasting(facts['latest_s'])}"
    return f"{_of(facts)}: when the motors are held still it opens in {span}."


def _fails_part(facts: Facts) -> str:
    return f"{facts['part']} ({facts['cap_a']:g} A)"


def _rating_span(facts: Facts) -> str:
    need = f"this run asks for {facts['from_a']:.3g} A or more"
    if facts["part"] is None:
        return f"{need}; the machine file names no limit of the lead, so nothing above the fitted rating is considered"
    gap = "" if facts["from_a"] <= facts["to_a"] else ": no rating meets both"
    return f"{need}, the lead ({facts['part']}) for {facts['to_a']:.3g} A or less{gap}"


# A fuse and its wire.


def _weakest(facts: Facts) -> str:
    ratio = facts["wire_least_a"] / facts["fuse_most_a"]
    return (
        f"weakest at {facts['weakest_s']:.3g} s: {facts['fuse_most_a']:.3g} A may flow for that long through the "
        f"slowest {facts['rating_a']:g} A fuse, cold, and the {facts['wire']} wire carries "
        f"{facts['wire_least_a']:.3g} A, {ratio:.2f} times that"
    )


def _overload_rule(facts: Facts) -> str:
    return (
        f"IEC 60364-4-43, from memory: rating {facts['rating_a']:g} A at most {facts['ampacity_a']:.3g} A, opens for "
        f"certain at {facts['certain_a']:.3g} A, at most {facts['overload']:g} times that"
    )


def _hottest_copper(facts: Facts) -> str:
    return (
        f"copper up to {facts['copper_c']:.0f} °C on the line between the published rows, "
        f"{facts['copper_most_c']:.0f} °C by the rows alone; the insulation is rated for {facts['limit_c']:g} °C"
    )


def _wire_protected(facts: Facts) -> str:
    return (
        f"from 0.04 to 1800 s the slowest fuse opens before the wire is past its limit: to {facts['short_s']:g} s by "
        f"the adiabatic rule, beyond by heating to the {facts['limit_c']:g} °C of its insulation; {_weakest(facts)}"
    )


def _wire_protected_by_overload_rule(facts: Facts) -> str:
    return (
        "not by heating alone: a fuse as slow as its table allows lets the wire pass its insulation's rating; "
        f"{_hottest_copper(facts)}; only the rule for small overloads allows it ({_overload_rule(facts)}); "
        f"{_weakest(facts)}"
    )


def _wire_not_protected(facts: Facts) -> str:
    how = f"within {facts['short_s']:g} s, by the adiabatic rule" if facts["burns"] else "by heating"
    return (
        f"a fuse as slow as its table allows opens too late for the wire ({how}); {_hottest_copper(facts)}; "
        f"{_weakest(facts)}"
    )


def _coordination_what(facts: Facts) -> str:
    wire = "its wire" if facts["wire"] == facts["place"] else f"the {facts['wire']} wire"
    if facts["holds"] is None:
        return f"{_of(facts)}: before it opens, {wire} may get hotter than its insulation is rated for."
    return f"{_of(facts)}: it may open too late for {wire}."


# Short circuits.


def _source_ohm(facts: Facts) -> str:
    lead = f" and {1000 * facts['lead_ohm']:.1f} mΩ of main wire" if facts["lead_ohm"] else ""
    return f"{1000 * facts['resistance_ohm']:.1f} mΩ of battery{lead}"


def _short_circuit_measured(facts: Facts) -> str:
    most = "" if facts["high_a"] is None else f", up to {facts['high_a']:.0f} A at the high end"
    return (
        f"measured: about {facts['likely_a']:.0f} A from {facts['volts_v']:.2f} V through {_source_ohm(facts)} (read "
        f"{facts['scale_s']:g} s after a step){most}"
    )


def _short_circuit_of_sheet(facts: Facts) -> str:
    return (
        f"by the sheet: about {facts['likely_a']:.0f} A from {facts['volts_v']:g} V through {_source_ohm(facts)}, up "
        f"to {facts['high_a']:.0f} A when full ({facts['full_v']:.1f} V)"
    )


def _breaking_evidence(facts: Facts) -> str:
    family = FAMILIES[facts["family"]]
    return f"{facts['by']}; the {family.spoken} interrupts {facts['capacity_a']:g} A ({family.breaking_source})"


# Wires.


def _ampacity_of_table(facts: Facts) -> str:
    rows = " and ".join(map(gauge_name, facts["rows_awg"]))
    clauses = [f"{table.SOURCE}, " + (f"log-log between rows {rows}" if facts["interpolated"] else f"row {rows}")]
    if facts["column_c"] == facts["insulation_c"]:
        clauses.append(f"column for {facts['column_c']:g} °C insulation")
    else:
        clauses.append(
            f"column for {facts['column_c']:g} °C, the next below the insulation's {facts['insulation_c']:g} °C"
        )
    if facts["air_factor"] < 1:
        clauses.append(f"times {facts['air_factor']:.3g} for air at {facts['air_c']:g} °C")
    else:
        clauses.append(f"in air of {facts['air_c']:g} °C" + ("" if facts["air_given"] else ", air not given"))
    return "; ".join(clauses)


def _no_ampacity(facts: Facts) -> str:
    match facts["missing"]:
        case "size":
            return "neither awg nor mm2 is given for this wire"
        case "insulation":
            return "insulation_c is not given: without the insulation's rated temperature no ampacity holds"
        case "insulation_below_table":
            lowest_c = table.COLUMNS_C[0]
            return f"{facts['insulation_c']:g} °C insulation is below the table's {lowest_c:g} °C ({table.SOURCE})"
        case "air_too_hot":
            return f"air at {facts['air_c']:g} °C is not below the {facts['column_c']:g} °C of the insulation's column"
    reach = f"{gauge_name(max(table.AMPACITY_A))} to {gauge_name(min(table.AMPACITY_A))}"
    return f"{facts['area_mm2']:.3g} mm² is outside the table ({reach}; {table.SOURCE})"


def _short_time_k(facts: Facts) -> str:
    k, start_c, end_c = facts["k"], facts["start_c"], facts["end_c"]
    if facts["from_formula"]:
        return (
            f"k {k:.0f}: from {start_c:g} °C to PVC's limit of {end_c:g} °C by the formula (from memory); the table "
            "ends at 90 °C"
        )
    others = "".join(f" and {other:g} ({what})" for what, other in facts["passed_over"])
    lower = f", the lower of {k:g} (PVC){others}" if others else ""
    return f"k {k:.0f}: PVC from {start_c:g} to {end_c:g} °C{lower}, {SHORT_TIME_SOURCE}"


def _copper_resistance(facts: Facts) -> str:
    how = "from the load" if facts["from_load"] else "0 to 50 K above the air, load or limit not known"
    return f"{1000 * facts['resistance_ohm']:.2f} mΩ, copper at {facts['copper_c']:.0f} °C ({how})"


def _heated_against_ampacity(facts: Facts) -> str:
    limit = f"{facts['air_c']:g} to {facts['limit_c']:g} °C"
    return (
        f"hottest at {facts['at_s']:.1f} s: {100 * facts['rise']:.0f} % of the rise that the insulation allows "
        f"({limit}, as {facts['ampacity_a']:.1f} A for ever give), {_margin(facts)}"
    )


def _tightest_short_window(facts: Facts) -> str:
    return (
        f"tightest window of {facts['longest_s']:g} s or less is {facts['window_s']:.3g} s, {_margin(facts)} on the "
        "adiabatic limit"
    )


def _margin(facts: Facts) -> str:
    bound = {"at_most": "at most ", "at_least": "at least "}.get(facts["bound"])
    if bound:
        return f"margin {bound}{facts['margin']:.2f}"
    return f"margin {facts['margin']:.2f} ({facts['low']:.2f} to {facts['high']:.2f})"


# What lies between samples.


def _between_samples(facts: Facts) -> str:
    how = {
        "means": "assumed in pulses between samples, as far as their charge fits into the means of their intervals",
        "rms": "assumed in pulses between samples, as far as they fit into the RMS of their intervals",
        "filter": "assumed before the filter that flattened what is seen",
        "limit": "assumed all the time, as single readings may have missed it",
    }
    return f"no more than {facts['most_a']:.3g} A {how[facts['how']]}"


def _between_samples_open(facts: Facts) -> str:
    enough = (
        "" if facts["enough_a"] is None else f"; up to {math.floor(facts['enough_a'])} A it would decide the verdict"
    )
    return (
        "nothing says how high the current may go between samples: motor.stall_a, motor.resistance_ohm or "
        f"controller.peak_a would{enough}"
    )


def _between_samples_next(facts: Facts) -> str:
    if facts["how"] == "limit":
        limit = "" if facts["most_a"] is not None else ", and motor.stall_a or controller.peak_a"
        return (
            f"Where each sample is the mean over its interval, write averages = true under [sensors.{facts['lead']}"
            f"_current]{limit}; or sample faster."
        )
    if facts["enough_a"] is not None:
        return (
            "Write motor.stall_a, motor.resistance_ohm or controller.peak_a in the machine file: a lead that carries "
            f"no more than {math.floor(facts['enough_a'])} A is under the published limits."
        )
    return "Sample faster, or use a board that sends the RMS of each interval."


PHRASES: dict[str, Phrase] = {
    # why a fuse is not compared
    "no_comparison": "no comparison: {why}",
    "fuse_current_missing": "the current through it was not measured",
    "fuse_place_unknown": _place_unknown,
    "fuse_place_differs": _place_differs,
    "fuse_rating_missing": "its rating is not known",
    "fuse_family_unknown": _family_unknown,
    "fuse_rating_unknown": "{family} has no {rating_a:g} A rating",
    "fuse_ambient_beyond": "its derating table ends at {last_c:g} °C",
    # what a fuse's margin rests on
    "fuse_derating_missing": _derating_missing,
    "fuse_air_measured": "air at the fuses measured: {air_c:.1f} °C at its hottest, the sensor's error included",
    "limits_of_fuse": _limits_of_fuse,
    "rows_promise": "its published times alone allow {margin:.3g}",
    "gaps_assumed_loaded": "{assumed_a:.3g} A assumed throughout {missing_s:.3g} s of gaps",
    "gaps_may_hide_more": (
        "{missing_s:.3g} s of gaps could hide more: with the {assumed_a:.3g} A seen elsewhere the margin would be "
        "smaller; motor.stall_a or controller.peak_a would bound it"
    ),
    "gaps_would_leave": (
        "{missing_s:.3g} s of gaps could hide more: {low:.2g} would be left with {assumed_a:.3g} A throughout, the "
        "most that the lead can carry"
    ),
    "between_samples_at_most": _between_samples,
    "between_samples_open": _between_samples_open,
    "current_translated": "the current of this lead was not measured, it is estimated: {how}",
    "verdict_withdrawn": "the verdict is withdrawn: the machine description does not fit the measured voltage",
    "second_hand": "second-hand",
    "rating_in_no_list": "no list at hand names a {rating_a:g} A part",
    "transcribed_for_other": _transcribed_for_other,
    "rows_from_memory": _rows_from_memory,
    "fuse_sampling_slow": "sample interval {interval_s:.3g} s, more than half of {shortest_s:g} s",
    "fuse_filter_slow": "filter corner {corner_hz:g} Hz, below {needed_hz:.3g} Hz",
    "no_ratio_without_current": "no current flowed here, so there is no ratio",
    "current_not_above_zero": "the current cannot be told from zero",
    "neither_side_bounded": "neither side of it is bounded",
    "whole_run_rms": "RMS of the whole run, {run_s:.3g} s, shorter than 10 min",
    "sensor_error_moves_line": "sensor error moves the line by {shift_a:.3g} A",
    "crossings_between_samples": "crossings between samples {timing_s:.3g} s",
    "gaps_as_doubt": "{gap_s:.4g} s of gaps as doubt",
    # a current from the other lead
    "motor_carries_at_least_supply": "a motor carries at least its supply's current, at any duty",
    "supply_carries_at_most_motor": (
        "a supply carries at most its motor's current, at any duty; no closer estimate: {why}"
    ),
    "run_too_long_for_duty": "the run is too long to follow it; ask for a part of the run",
    "fuse_behind_capacitors": "between capacitors and bridge: RMS √duty × motor current",
    "capacitors_place_unknown": "place of the capacitors unknown: RMS from duty to √duty × motor current",
    "fuse_before_capacitors": ("before the capacitors: RMS duty × motor current, up to {ripple_share:g} of the ripple"),
    # other ratings
    "no_rating_named": "no other rating is named: {why}",
    "description_does_not_fit": "the machine description does not fit the measured voltage",
    "fuse_should_have_opened": "by its limits this fuse should have opened, so doubt the data first",
    "current_unbounded_above": "how large the current was is not bounded from above ({why})",
    "ratings_not_listed": "which ratings {family} is made in is not held, only its range",
    "rating_span": _rating_span,
    "asked_of_a_rating": _asked,
    "rating_judged": _rating_judged,
    "ratings_from_memory": lambda facts: f"that {_amps(facts['ratings_a'])} A is made is from memory",
    "load_of_a_short_run": (
        "it was driven for less than 10 min, so that the RMS of that time stands for the continuous load"
    ),
    "current_not_measured_here": "the current is {current_from}, not measured",
    "fails_no_limits": "no limits are held for it",
    "fails_continuous": _fails_continuous,
    "fails_exposure": _fails_exposure,
    "fails_stall": "stall ({stall_a:.3g} A for {stall_s:g} s: margin from {margin:.2f})",
    "fails_breaking": "breaking capacity ({capacity_a:g} A)",
    "fails_coordination": (
        "wire until it opens ({fuse_most_a:.3g} A may flow for {weakest_s:.3g} s, the wire carries "
        "{wire_least_a:.3g} A)"
    ),
    "fails_other_side": "the {place} side, where it fails {fails}",
    "by_overload_rule_only": (
        "only the rule for small overloads lets the wire take it: copper up to {copper_c:.0f} °C, insulation for "
        "{limit_c:g} °C"
    ),
    "driven_part_rms": "RMS of the driven part, {driven_s:.3g} s, shorter than 10 min",
    "fails_wire": _fails_wire,
    "fails_wire_unknown": "wire (its ampacity is not known)",
    "fails_part": _fails_part,
    # a fuse and its wire
    "coordination_open": "not known: {why}",
    "coordination_needs_fuse": "family and rating of the fuse are needed",
    "coordination_needs_wire": "no wire is described that this fuse protects: write [wire.{place}]",
    "wire_protected": _wire_protected,
    "wire_protected_beyond_short_time": (
        "beyond {short_s:g} s the slowest fuse opens before the wire is past its {limit_c:g} °C; for shorter times no "
        "limit is published for this insulation"
    ),
    "wire_protected_by_overload_rule": _wire_protected_by_overload_rule,
    "wire_not_protected": _wire_not_protected,
    # short circuits
    "short_circuit_measured": _short_circuit_measured,
    "short_circuit_of_sheet": _short_circuit_of_sheet,
    # wires
    "ampacity_of_table": _ampacity_of_table,
    "no_ampacity": _no_ampacity,
    "ampacity_without_tolerance": "the ampacity table states no tolerance of its own",
    "short_time_needs_wire": "awg or mm2, and insulation_c, are needed for the short-time limit",
    "no_short_time_limit": "no short-time limit is published for {insulation_c:g} °C insulation",
    "no_short_window": "no window of {longest_s:g} s or less with current in it",
    "short_time_k": _short_time_k,
    "shorter_peak_missed": "a shorter peak may have been missed",
    "resistance_needs_wire": "awg or mm2, and length_m, are needed for the wire's resistance",
    "copper_resistance": _copper_resistance,
    "current_not_measured": "the current was not measured",
    "heated_against_ampacity": _heated_against_ampacity,
    "wire_started_loaded": "the run starts loaded: {first_a:.3g} A are taken to have flowed before it",
    "wire_sampling_slow": (
        "samples {interval_s:.3g} s apart, more than half of the {constant_s:.3g} s in which the wire warms up"
    ),
    "wire_place_unknown": (
        "it is not known whether the sensor sees the current of this wire: trace it, then write fuse.{place}.position "
        "and controller.sensed in the machine file"
    ),
    "no_ampacity_margin": "no margin on the ampacity: {why}",
    "tightest_short_window": _tightest_short_window,
    "no_short_time_margin": "no short-time margin: {why}",
}


# Findings.


def _of(facts: Facts) -> str:
    """The fuse at the head of a sentence: Left fuse."""
    return f"{facts['place'].capitalize()} fuse"


def _filled(words: Phrase, facts: Facts) -> str:
    return words.format(**facts) if isinstance(words, str) else words(facts)


def _fuse(words: str) -> Phrase:
    """A template in which {fuse} is such as "Left fuse"."""
    return lambda facts: words.format(**facts, fuse=_of(facts))


def _no_margin(why: Phrase) -> Phrase:
    """No margin, because …: the reason in the words of the refusal."""

    return lambda facts: f"{_of(facts)}: no margin, because {_filled(why, facts)}."


def _differs_what(facts: Facts) -> str:
    estimated = "its current is estimated, not measured" if facts["how"] else "no margin"
    return f"{_of(facts)}: {estimated}, because {_in_two_leads(facts)}."


def _differs_next(facts: Facts) -> str:
    action = f"Measure the current in the {_leg(facts['position'])}"
    return f"{action}, and the margin becomes a measurement." if facts["how"] else f"{action}."


def _differs_evidence(facts: Facts) -> str:
    return _places_given(facts) + (f"; {facts['how']}" if facts["how"] else "")


def _compared(facts: Facts) -> str:
    guess = "" if facts["current_from"] == "measured" else f"{facts['current_from']}, not measured: "
    text = "{rms_a:.4g} A RMS over the {window_s:.3g} s up to {at_s:.3f} s; {carried}".format(
        **facts, carried=could_have_carried(facts["margin"], facts["promised"])
    )
    bridged = facts.get("bridged")
    if bridged is not None and bridged < BRIDGED_SHARE * facts["margin"]:
        text += f"; {could_have_carried(bridged, None)} if the load on both sides of the gaps went on in them"
    if facts["margin_latest"] is not None:
        text += f"; latest opening: margin {facts['margin_latest']:.3g}"
    if facts["continuous_fraction"] is not None:
        text += f"; continuous fraction {facts['continuous_fraction']:.3g}"
    return f"{guess}{text}"


def could_have_carried(margin: float, promised: float | None) -> str:
    """The margin as people say it: how many times the current the fuse could have carried."""
    if margin < 1:
        return f"it carried {1 / margin:.3g} times what may open it"
    promise = "" if promised is None else f" (its published times alone allow {min(promised, margin):.3g})"
    return f"could have carried {margin:.3g} times as much before it may open{promise}"


def _gap_what(facts: Facts) -> str:
    if facts["low"] is None:
        return f"{_of(facts)}: the gaps could hide a larger load, so the margin is an upper bound."
    return f"{_of(facts)}: the gaps could hide a load near the rating, so the verdict is left open."


def _gap_evidence(facts: Facts) -> str:
    low = "" if facts["low"] is None else f"margin from {facts['low']:.3g}, "
    return f"{facts['gap_s']:.4g} s of gaps; loaded throughout: {low}continuous {facts['filled_fraction']:.3g}"


def _spans(facts: Facts) -> str:
    return "limits are held for " + " and ".join(f"{low:g} to {high:g} A" for low, high in facts["limits_for_a"])


def _advice_what(facts: Facts) -> str:
    others = {"up": facts["next_up_a"], "down": facts["next_down_a"]}
    named = " and ".join(f"next {way} {amps:g} A" for way, amps in others.items() if amps is not None)
    fitted = f"{_of(facts)}: {facts['rating_a']:g} A"
    if not facts["given"]:
        return f"{_of(facts)}: no other rating can be judged by this run."
    if facts["meets"]:
        also = f"; of the others of its body {named} would too" if named else ""
        return f"{fitted} meets continuous practice, exposure and the lead's limits as measured in this run{also}."
    if named:
        return f"{fitted} does not meet all limits as measured in this run; {named} would."
    return f"{fitted} does not meet all limits as measured in this run, and no other rating of its body would."


def _advice_evidence(facts: Facts) -> str:
    text = str(facts["why"])
    return text[:1].upper() + text[1:]


def _above_wire_what(facts: Facts) -> str:
    of = "its wire" if facts["fuse"] == facts["place"] else f"the {facts['place']} wire"
    least = "at least " if facts["at_least"] else ""
    return f"The {facts['fuse']} fuse is rated {least}{facts['ratio']:.2f} times what {of} carries."


def _above_wire_evidence(facts: Facts) -> str:
    known = facts["ampacity_a"]
    carries = f"{known:.1f} A" if known is not None else f"at most {facts['most_a']:.1f} A"
    return f"fuse {facts['rating_a']:g} A, ampacity {carries} ({facts['ampacity']})"


FINDINGS: dict[str, FindingWords] = {
    "fuse_current_missing": FindingWords(
        _no_margin("the current through it was not measured"),
        "no samples",
        "Record this lead's current, or map its column when importing.",
    ),
    "fuse_place_assumed": FindingWords(
        _fuse("{fuse}: fuse and current sensor are assumed to be in the supply leg."),
        _places_given,
        lambda facts: f"Write {' and '.join(facts['missing'])} in the machine file.",
    ),
    "fuse_place_unknown": FindingWords(
        _no_margin("it is not known whether the sensor sees the current that the fuse sees"),
        _places_given,
        "Trace the wires, then write fuse.{place}.position and controller.sensed in the machine file.",
    ),
    "fuse_place_differs": FindingWords(_differs_what, _differs_evidence, _differs_next),
    "fuse_estimate_open": FindingWords(
        _fuse("{fuse}: the estimate of its current leaves open on which side of its limits it was."),
        _compared,
        "Measure the current in the fuse's own lead; until then take it as possibly inside its band.",
    ),
    "fuse_started_loaded": FindingWords(
        _fuse("{fuse}: it carried current when the run began, and what came before is not known."),
        "{before_a:.3g} A at the start, of {derated_a:.3g} A; the low end takes it as having flowed for ever",
        "Start the recording with the machine at rest.",
    ),
    "fuse_rating_missing": FindingWords(
        _no_margin("its rating is not known"),
        lambda facts: f"rating_a: {'not given' if facts['rating_a'] is None else facts['rating_a']}",
        "Write fuse.{place}.rating_a as printed on the fuse.",
    ),
    "fuse_family_unknown": FindingWords(
        _no_margin(_family_unknown),
        lambda facts: f"known: {', '.join(facts['known'])}",
        "Write fuse.{place}.family.",
    ),
    "fuse_rating_unknown": FindingWords(
        _no_margin("{family} has no {rating_a:g} A rating"),
        _spans,
        "Check the family and the rating on the fuse itself.",
    ),
    "fuse_derating_missing": FindingWords(
        _fuse("{fuse}: no derating table is held for this family."),
        PHRASES["fuse_derating_missing"],
        "Take the usable current in warm air from the maker's data sheet.",
    ),
    "fuse_ambient_assumed": FindingWords(
        _fuse("{fuse}: the air at the fuse is assumed to be at {air_c:g} °C."),
        "fuse.{place}.ambient_c is not given",
        "Measure the air at the fuse and write it in the machine file.",
    ),
    "fuse_ambient_beyond": FindingWords(
        _no_margin("its derating table ends at {last_c:g} °C"),
        "air at the fuse {air_c:g} °C",
        "Move the fuse to cooler air.",
    ),
    "fuse_limit_unverified": FindingWords(
        _fuse("{fuse}: its limits are unverified."),
        "{table}: {standing}",
        "Compare them with the data sheet of the fuse that is fitted.",
    ),
    "fuse_sampling_slow": FindingWords(
        _fuse("{fuse}: sampled too slowly to show all that counts for its shortest opening time."),
        PHRASES["fuse_sampling_slow"],
        lambda facts: f"Sample at {2 / facts['shortest_s']:.3g} Hz or more.",
    ),
    "fuse_filter_undeclared": FindingWords(
        _fuse("{fuse}: the filter before the converter is not declared; a slow one would hide short peaks."),
        "needed: {needed_hz:.3g} Hz or more",
        "Write the sensor's bandwidth_hz in the machine file.",
    ),
    "fuse_filter_slow": FindingWords(
        _fuse("{fuse}: the filter before the converter hides short peaks."),
        PHRASES["fuse_filter_slow"],
        "Use a faster filter, or a board that sends the RMS of each interval.",
    ),
    "fuse_between_samples": FindingWords(
        _fuse("{fuse}: what it may have carried between samples leaves its verdict open."),
        lambda facts: _between_samples_open(facts) if facts["most_a"] is None else _between_samples(facts),
        _between_samples_next,
    ),
    "fuse_no_current": FindingWords(_fuse("{fuse}: no margin."), "{why}", "Record a run under load."),
    "fuse_gap": FindingWords(
        _gap_what,
        _gap_evidence,
        "Look for the cause of the gaps; motor.stall_a or controller.peak_a in the machine file bounds what they hide.",
    ),
    "fuse_past": FindingWords(
        _fuse("{fuse}: by its published limits it should have opened."),
        _compared,
        "Doubt the sensor's scale and place and the fuse that is fitted; then replace the fuse.",
    ),
    "fuse_inside": FindingWords(
        _fuse("{fuse}: a fuse of this kind may open at this load."),
        _compared,
        "Lower or shorten this load. A larger fuse needs a wire that carries it.",
    ),
    "fuse_near": FindingWords(
        _fuse("{fuse}: close to its limits."),
        _compared,
        "Look at the moment named, and at the same load in warm air.",
    ),
    "fuse_description_doubted": FindingWords(
        _fuse("{fuse}: compared with the fuse of a description that does not fit the measured voltage."),
        "finding arrangement_mismatch; the fuse may be another one too, so that no margin of 1 or more becomes a "
        "verdict",
        "Report again with the description of this machine: --machine FILE.",
    ),
    "fuse_rating_advice": FindingWords(
        _advice_what,
        _advice_evidence,
        f"Lower the load or change the lead where nothing meets all of it. {CODES}",
    ),
    "fuse_at_stall": FindingWords(
        _at_stall_what,
        _at_stall_evidence,
        "Set the controller's current limit: a fuse guards the wire, and opens too late for a motor or a controller.",
    ),
    "part_overloaded": FindingWords(
        "The {side} {part} carried more than its sheet allows.",
        _overloaded,
        "Set the controller's current limit lower, or let it rest between such loads.",
    ),
    "part_above_continuous": FindingWords(
        "The {side} {part} carried more for ten minutes than its sheet allows for good.",
        lambda facts: (
            f"{'' if facts['measured'] else 'at least '}{facts['rms_a']:.3g} A RMS over the {facts['window_s']:g} s up "
            f"to {facts['at_s']:.0f} s; {facts['continuous_a']:g} A for good by its sheet, no time at a higher current"
        ),
        "Write peak_a and peak_s of its sheet in the machine file; lower the load where it has none.",
    ),
    "controller_limit_passed": FindingWords(
        "The {side} channel carried more than the controller's declared maximum.",
        "peak {peak_a:.3g} A, controller.peak_a {limit_a:g} A: what gaps and slow samples hide is bounded by it",
        "Check controller.peak_a, and the gain and place of the current sensor.",
    ),
    "fuse_above_wire": FindingWords(
        _above_wire_what,
        _above_wire_evidence,
        "Fit a smaller fuse, or a wire whose ampacity is at least the fuse's rating.",
    ),
    "fuse_wire_coordination": FindingWords(
        _coordination_what,
        "{why}",
        "Fit a smaller or a faster fuse, or a thicker wire.",
    ),
    "breaking_capacity": FindingWords(
        _fuse("{fuse}: a short circuit behind it can drive more current than it is built to interrupt."),
        _breaking_evidence,
        "Put a fuse with a greater breaking capacity at the battery: this one may arc and burn instead of opening.",
    ),
    "breaking_capacity_near": FindingWords(
        _fuse("{fuse}: a short circuit behind it can come near the current that it is built to interrupt."),
        _breaking_evidence,
        "Put a fuse with a greater breaking capacity at the battery, or measure the resistance of the blocks closer.",
    ),
    "wire_over": FindingWords(
        "The {place} lead carried more than its wire is rated for.",
        "{rule}",
        "Stop using it loaded like this; fit a thicker wire, and let someone licensed check the work.",
    ),
}
