"""Words for battery results: rest, sag, resistance, blocks, state of charge."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase
from amptally.logger.channels import BY_SI_NAME
from amptally.tables.battery_rest_voltage import TABLES

CELLS = {"li_ion": "lithium-ion", "nimh": "NiMH", "lfp": "LFP", "agm": "AGM", "gel": "gel", "flooded": "flooded"}
"""Cells by the machine file's name of their chemistry."""


HARDER = {"block_a": "Block A", "block_b": "Block B"}
"""By the block that carries more; all but block B are alike."""


def _no_sample_at_rest(facts: Facts) -> str:
    return f"{BY_SI_NAME[facts['channel']].label.lower()} has no sample during the rest"


def _at_rest_drawing(facts: Facts) -> str:
    drop_v = facts["drop_v"]
    added = "" if drop_v is None else f"; {1e3 * drop_v:.1f} mV added for that"
    return f"{facts['length_s']:.0f} s standing, at {facts['current_a']:.2f} A{added}"


def _steps(facts: Facts) -> str:
    return f"{facts['steps']} step{'' if facts['steps'] == 1 else 's'} of current"


def _open(facts: Facts) -> str:
    value, u = 1e3 * facts["value_ohm"], 1e3 * facts["u_ohm"]
    return f"the data do not fix the {facts['scale_s']:g} s resistance: {value:.1f} mΩ, 1 σ {u:.1f} mΩ"


def _no_rest_chart(facts: Facts) -> str:
    chemistry = facts["chemistry"]
    return f"no authoritative rest-voltage chart for {CELLS.get(chemistry, chemistry)} cells is known"


def _from_rest_voltage(facts: Facts) -> str:
    source = TABLES[facts["chemistry"]].source
    return (
        f"{facts['voltage_v']:.3f} V per {facts['cells']} cells at rest, {source}; charts differ by "
        f"{100 * facts['half']:.0f} % (95 %)"
    )


PHRASES: dict[str, Phrase] = {
    # Rest and the voltages read in it
    "no_rest": "no rest of {needed_s:g} s before the first load: let the machine stand switched on before driving",
    "current_at_rest": "the current before the first load is {mean_a:.2f} A, above the {limit_a:.2f} A that counts as "
    "rest",
    "commanded_too_soon": "a command was away from its centre before the battery had rested for {needed_s:g} s",
    "standing_unsteady": "the machine stood, but drew {lowest_a:.2f} to {highest_a:.2f} A: too much or too unsteady to "
    "be rest",
    "at_rest_drawing": _at_rest_drawing,
    "standing_drop_unknown": "what the standing machine drew lowered it, by how much is not known without a resistance",
    "rest_needs_current": "no battery current was measured, so rest cannot be distinguished from load",
    "no_sample_at_rest": _no_sample_at_rest,
    "at_rest": "{length_s:.0f} s at rest",
    # Sag and minimum
    "minimum_of_samples": "minimum of the samples",
    "no_rest_voltage": "no rest voltage to measure from",
    "below_rest": "below rest at {from_s:.0f} to {to_s:.0f} s",
    "from_minimum_of_samples": "from the minimum of the samples",
    # Balance of the currents
    "sides_not_in_supply_legs": "left and right are not measured in supply legs: they need not add up to the battery",
    "battery_is_the_sum": "the battery's own current was not measured, so there is nothing to compare the sum with",
    "currents_never_together": "the three currents were never measured at the same time",
    "residual_sign": "positive: the battery lead carries more than both channels",
    # Resistance
    "no_samples": "no samples",
    "from_steps": _steps,
    "from_regression": "regression",
    "regression_without_current": "regression, without current at {at_s:.0f} s",
    "voltage_rises_with_current": "the voltage does not fall when the current rises: check the wiring of the sensors",
    "resistance_open": _open,
    "open_circuit_open": "the regression does not fix it: 1 σ {u_v:.2f} V",
    "samples_too_coarse": "samples every {interval_s:.3g} s cannot show what happens {scale_s:g} s after a step",
    "run_too_short_for_scale": "the run is too short to show what happens {scale_s:g} s after a step",
    "current_too_slow_for_scale": "the current never changes fast enough to show what happens {scale_s:g} s after a "
    "step",
    "few_samples_for_fit": "too few samples for a regression",
    "current_hardly_changes": "the current hardly changes, so resistance cannot be separated from open-circuit voltage",
    "fit_in_gaps": "too much of the run lies in gaps for a regression",
    "fit_not_unique": "the current does not change in enough ways to separate the terms of the regression",
    "drop_from_regression": "below the open-circuit voltage at the charge of that moment, by the regression",
    "drop_from_steps": "resistance {scale_s:g} s after a step times the largest mean current over {scale_s:g} s",
    "slower_relaxation_unseen": "what the voltage loses later than {scale_s:g} s after a step is not in it",
    # Recovery
    "recovery_needs_both": "battery current and voltage are both needed to see a recovery",
    "no_load_to_recover_from": "the run holds no load to recover from",
    "no_rest_after_load": "less than {needed_s:g} s of rest after the last load",
    "few_voltages_after_load": "too few voltage samples in the rest after the last load",
    "rest_after_load": "rest of {length_s:.0f} s after the last load",
    "slower_recovery": "slower recovery goes on",
    # State of charge
    "no_rest_chart": _no_rest_chart,
    "rest_time_not_stated": "how long the battery rested is not stated; {needed_h:g} h are needed before its voltage "
    "shows its charge (common practice)",
    "rested_too_short": "rested {rested_h:g} h; {needed_h:g} h are needed before the voltage shows the charge (common "
    "practice)",
    "rest_voltage_one_sided": "the rest voltage is known on one side only",
    "voltage_off_chart": "{voltage_v:.2f} V per {cells} cells is far from the chart's {lowest_v:g} to {highest_v:g} V: "
    "check block_voltage_v and arrangement",
    "voltage_on_plateau": "{voltage_v:.2f} V: between {from_v:g} and {to_v:g} V per {cells} cells the voltage of "
    "{chemistry} cells hardly follows the charge",
    "charge_from_rest_voltage": _from_rest_voltage,
    "start_charge_unknown": "charge at the start is not known: state --start-charge, or --rested hours after a rest",
    "start_charge_stated": "start charge as stated by the user, its uncertainty from common practice",
    "capacity_reaches_zero": "the capacity's interval reaches 0",
    "coulomb_count": "start {start:.3f} minus {net_ah:.3g} Ah of {capacity_ah:.3g} Ah",
    "charge_open_on_both_sides": "start, count and capacity leave the charge open on both sides",
    "count_out_of_range": "counted to {counted:.2f}: the start charge, the count or the capacity must be wrong",
}
FINDINGS: dict[str, FindingWords] = {
    "weak_block": FindingWords(
        "The {block} block drops {ratio:.1f} times as far as the other under the same current.",
        "mean of {mean_a:.0f} A: lower block {lower_drop_v:.2f} V, upper block {upper_drop_v:.2f} V below rest",
        "Measure the {block} block alone, check its connections, and compare both after a full charge of each.",
    ),
    "blocks_uneven": FindingWords(
        lambda facts: (
            f"The blocks in parallel share the load unevenly: block B carried {100 * facts['share']:.0f} %, where "
            f"{100 * facts['even']:.0f} % would be even. {HARDER[facts['harder']]} is empty first and ends the drive."
        ),
        lambda facts: (
            f"{facts['own_ah']:.3g} Ah of {facts['whole_ah']:.3g} Ah, share ± {100 * facts['half']:.0f} % of the whole"
        ),
        "Laps per charge and runtime count on that. Compare terminals, cables and fuses of the blocks under load, then "
        "the capacity of each block alone.",
    ),
    "management_current_reached": FindingWords(
        "The battery carried more than the current at which its management opens.",
        "peak {peak_a:.3g} A, bms.cutoff_a {cutoff_a:.3g} A",
        "Expect it to open at the next such load: lower the controller's limit, or correct bms.cutoff_a.",
    ),
    "management_current_near": FindingWords(
        "The battery came near the current at which its management opens.",
        "peak {peak_a:.3g} A, bms.cutoff_a {cutoff_a:.3g} A; a peak between samples may be higher",
        "A steeper start or a lower voltage may open it: lower the controller's limit, or keep a margin.",
    ),
    "management_current_unchecked": FindingWords(
        "The current at which the battery's management opens was not compared with anything.",
        "bms.cutoff_a {cutoff_a:.3g} A is given, but the battery current was not measured, or is in doubt",
        "Measure the battery current, or look for the cause of the doubt.",
    ),
}
