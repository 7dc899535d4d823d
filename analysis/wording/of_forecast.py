"""Words for forecasts: capacity, charge left, what ends it."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase
from amptally.tables.battery_capacity_temperature import SOURCE


def _exponent(facts: Facts) -> str:
    return f"k = {facts['k']:.4f}" + (" (above published ranges)" if facts["above_published"] else "")


def _sheet(name: str) -> Phrase:
    def phrase(facts: Facts) -> str:
        left = facts.get("likely_left", 1.0)
        taken = "" if left == 1 else f"; {100 * left:.0f} % of it assumed, as age and wear are not known"
        return (
            f"{name} ±{100 * facts['relative_u']:.0f} % (1 σ), up to {100 * facts['above']:.0f} % above it seen, wear "
            f"down to {100 * facts['worn_to']:.0f} % not ruled out{taken}"
        )

    return phrase


def _tolerance(facts: Facts) -> str:
    u, worn = 100 * facts["relative_u"], 100 * facts["worn_to"]
    return f"sheet ±{u:.0f} % (1 σ), wear down to {worn:.0f} % not ruled out"


_BLOCKS = {"block_a": "block A", "block_b": "block B"}


def _measured(facts: Facts) -> str:
    u = 100 * facts["relative_u"]
    block, celsius = facts["block"], facts["temperature_c"]
    of = "one block, which one is not said" if block is None else f"{_BLOCKS[block]}, the other taken to be like it"
    at = "25 °C assumed, as its temperature is not said" if celsius is None else f"at {celsius:g} °C"
    return f"measured capacity {facts['charge_ah']:.4g} Ah in {facts['hours']:.3g} h of {of}, {at}, ±{u:.1f} % (1 σ)"


def _counted_against(facts: Facts) -> str:
    return f"charge counted against {'the measured capacity' if facts['measured'] else 'the capacity of the sheet'}"


def _models(facts: Facts) -> str:
    wells = facts["two_well_models"]
    return f"Peukert's law and {wells} two-well model{'' if wells == 1 else 's'}"


def _ledger(facts: Facts) -> str:
    runs = facts["runs"]
    return f"ledger over {runs} earlier run{'' if runs == 1 else 's'}; charging between runs is not seen"


PHRASES: dict[str, Phrase] = {
    # Capacity of the data sheet
    "capacity_not_given": "capacity_ah and capacity_hours are not given in the machine file",
    "second_point_not_given": "no second data-sheet point: give second_capacity_ah and second_hours, there is no "
    "default rate exponent",
    "data_sheet_not_positive": "capacities and hours of the data sheet must be above 0",
    "exponent_needs_two_points": "two different positive currents and times are needed for the rate exponent",
    "data_sheet_points_contradict": "of the two data-sheet points the one with the shorter time must have the higher "
    "current",
    "exponent_below_one": "the two data-sheet points give a rate exponent below 1, more charge at the faster rate: "
    "check the numbers",
    "no_discharge_current": "no discharge current to state a capacity at",
    "exponent_from_sheet": _exponent,
    "exponent_assumed": "no second data-sheet point: rate exponent {lowest_k:g} to {highest_k:g} assumed, as "
    "{chemistry} batteries have",
    "extrapolated": "extrapolated: the data sheet covers {slow_a:.3g} to {fast_a:.3g} A per block",
    "two_well_family": "two-well models with c {lowest_c:g} to {highest_c:g}",
    "no_rate_effect": "no effect of rate in the sheet",
    "sheet_tolerance": _tolerance,
    "capacity_from_sheet": _sheet("sheet"),
    "capacity_from_nameplate": _sheet("nameplate"),
    "capacity_measured": _measured,
    "measured_over": "measured over {hours:.3g} h",
    # Temperature
    "temperature_assumed": "battery temperature not given, {temperature_c:g} °C within {within_k:g} K assumed",
    "no_temperature_table": "no temperature table for {chemistry}: factor 1 at {temperature_c:g} °C",
    "temperature_factor": f"{SOURCE}: {{factor:.3f}} at {{temperature_c:g}} °C",
    "temperature_below_table": "no table below {lowest_c:g} °C: {low:.2f} to {high:.2f} of the capacity at 25 °C "
    "assumed at {temperature_c:g} °C",
    "temperature_outside_table": "battery temperature: {temperature_c:g} °C is outside the table's {lowest_c:g} to "
    "{highest_c:g} °C",
    # What a forecast cannot be made from
    "description_doubted": "the machine description does not fit the measured voltage (finding {finding})",
    "no_battery_description": "no machine description with a [battery] section: import or report with --machine FILE",
    "battery_description_incomplete": "the machine file lacks chemistry, block_voltage_v, blocks or arrangement of the "
    "battery",
    "connection_of_blocks_unknown": "the machine file does not say how the blocks are connected",
    "rated_capacity_unknown": "the machine file gives no capacity_ah with blocks and arrangement",
    "blocks_taken_alike": "{blocks} blocks, all but block B taken to be like block A",
    "equal_shares_assumed": "blocks in parallel taken to share the current equally: block B's lead is not measured",
    "not_driven": "the run holds no driven stretch",
    "no_net_current": "the run drew no net current: there is no load to go on at",
    "load_too_small": "the load is too small for a forecast of its end",
    "no_speed": "no speed: neither wheel counts nor a lap length",
    # What it rests on
    "models_used": _models,
    "low_end_from": lambda facts: f"low end: {', '.join(facts['terms'])}",
    "start_charge_open_below": "start charge known from above only",
    "cutoff_without_chart": "no rest-voltage chart for {chemistry}: a cut-off by voltage may come sooner",
    "cutoff_without_resistance": "block resistance not known: a cut-off by voltage may come sooner",
    "more_drawn_than_measured": "more may have been drawn than was measured",
    "at_most_by_knee": "at most {limit_ah:.3g} Ah by the knee of the voltage",
    "charge_ends_before_cutoff": "the charge ends before the voltage reaches it",
    "resistance_rises": "block resistance taken to rise from {below:.0%} of the charge on, to {times:g} times at empty "
    "({times_high:g} times at the low end)",
    "limit_already_reached": "the voltage reached its limit at {at_s:.0f} s: nothing is left at this load",
    # Evidence
    "counted_against_capacity": _counted_against,
    "capacity_is_largest_uncertainty": "largest uncertainty: the capacity, which nobody measured",
    "largest_uncertainty": lambda facts: f"largest uncertainty: {facts['term'] or 'none'}",
    "knee_contradicts_count": "voltage under load: its knee has begun (bend {bend:.2f}), the count promises more",
    "knee_limits": "the voltage's knee has begun (bend {bend:.2f}) and limits the charge from above",
    # Ledger
    "ledger_run_unreadable": "the ledger stops at an earlier run of this battery that cannot be read: {file}",
    "ledger_stops": "the ledger stops at run {run} of this battery",
    "from_ledger": _ledger,
}


def _below_limit(facts: Facts) -> str:
    return (
        f"mean over {facts['over_s']:.0f} s down to {facts['lowest_v']:.2f} V, "
        f"{_LIMITS[facts['limit']]} {facts['limit_v']:g} V, reached at {facts['at_s']:.0f} s"
    )


_LIMITS = {
    "sheet_cutoff": "end of discharge by its sheet",
    "bms_cutoff": "cut-off of the battery management",
    "controller_cutoff": "cut-off of the controller",
    "controller_minimum": "minimum of the controller's sheet",
}
FINDINGS: dict[str, FindingWords] = {
    "battery_below_limit": FindingWords(
        "The battery reached the end of its discharge in this run: at this load nothing is left.",
        _below_limit,
        "Stop and charge it. Where it was not empty, look for a weak block, cold, or a poor connection.",
    ),
}
