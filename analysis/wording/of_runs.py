"""Words for the run as a whole: its machine description, recording, supplies, alarms."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase, counted
from amptally.logger.machine.description import ArrangementMismatch


def _mismatch(facts: Facts) -> str:
    names = ("nominal_v", "median_v", "blocks", "block_voltage_v", "arrangement", "other_fits")
    return str(ArrangementMismatch(**{name: facts[name] for name in names}))


def _alarm(facts: Facts) -> str:
    more = "" if facts["alarms"] == 1 else f", and {facts['alarms'] - 1} more"
    return f"{facts['text']} at {facts['first_at_s']:.1f} s{more}"


def _undeclared(facts: Facts) -> str:
    return f"sensor error not declared for {', '.join(facts['channels'])}"


def _gaps(facts: Facts) -> str:
    kinds = ", ".join(facts["kinds"])
    gaps = counted(facts["gaps"], "gap")
    return f"{gaps} ({kinds}), {facts['lost_s']:.1f} s in all of {facts['duration_s']:.1f} s"


def _faults(facts: Facts) -> str:
    return ", ".join(f"{kind} {count}" for kind, count in facts["counts"])


def _receiver(facts: Facts) -> str:
    at = f" at {facts['at_s']:.1f} s" if facts["at_s"] is not None else ""
    spare_v = facts["lowest_v"] - facts["minimum_v"]
    side = "above" if spare_v >= 0 else "below"
    return (
        f"{facts['lowest_v']:.2f} V or lower{at}, {abs(spare_v):.2f} V {side} the minimum of {facts['minimum_v']:g} V"
    )


def _above_maximum(facts: Facts) -> str:
    recovered_a = facts["recovered_a"]
    flowing = "" if recovered_a is None else f"{recovered_a:.1f} A flowing back, "
    return f"{facts['highest_v']:.2f} V or more at {facts['at_s']:.1f} s, {flowing}maximum {facts['maximum_v']:g} V"


TEST_RECEIVER = (
    "Test with the wheels off the ground; feed the receiver from a supply that does not sag with the motors."
)
PHRASES: dict[str, Phrase] = {
    "speed_by_wheels": "from wheel counts, without slip",
    "speed_by_laps": "from laps",
    "charge_between": "{low_ah:.3g} to {high_ah:.3g} Ah remain",
}
FINDINGS: dict[str, FindingWords] = {
    "alarm": FindingWords(
        "While recording, an alarm was raised: {alarm}.",
        _alarm,
        "Look at that moment in the run; docs/methods.md, Alarms while recording, says what raises it.",
    ),
    "no_checksums": FindingWords(
        "This run file has no checksums: damaged data would not be noticed.",
        "it was written by an older version",
        "Compare it with another copy if a value looks odd; recovering its journal writes a file with checksums.",
    ),
    "no_machine": FindingWords(
        "No machine description: fuses, wires and remaining charge cannot be judged.",
        "the run file holds none",
        "Write one with: amptally machine new cart.toml, then report with --machine cart.toml.",
    ),
    "arrangement_mismatch": FindingWords(
        "The machine description does not fit the measured voltage.",
        _mismatch,
        "Report with the description of this machine: --machine FILE.",
    ),
    "sensor_undeclared": FindingWords(
        "Sensor errors are not declared: intervals hold only what the data themselves show.",
        _undeclared,
        "Compare the sensor with a meter and write offset_u and gain_u under [sensors] in the machine file.",
    ),
    "gaps": FindingWords(
        "Samples are missing: peaks, charge and energy inside the gaps are not known.",
        _gaps,
        "Check cable, connectors and radio link, and record again where the gap matters.",
    ),
    "faults": FindingWords(
        "Damaged data arrived while receiving or importing; they were counted and left out.",
        _faults,
        "A few are normal on a noisy link; many ask for a better cable, or a lower rate.",
    ),
    "arrival_times": FindingWords(
        "The board prints no time: each sample has the time at which its line arrived.",
        "19 of 20 lines arrived within {jitter_s:.3f} s of their turn; values over less than {unsure_below_s:.2g} s "
        "may be off by more than a tenth",
        "Let the board print its own time with each line, for example millis() under the name time_ms.",
    ),
    "clock_not_real_time": FindingWords(
        "The board's clock does not follow the computer's: board time is used as it is.",
        "it runs {rate:.4g} times as fast",
        "Expected for a simulated or replayed board; on a real one check its oscillator.",
    ),
    "receiver_below_minimum": FindingWords(
        "The receiver supply fell below its minimum: control may have dropped out.", _receiver, TEST_RECEIVER
    ),
    "receiver_near_minimum": FindingWords("The receiver supply came close to its minimum.", _receiver, TEST_RECEIVER),
    "controller_below_minimum": FindingWords(
        "The controller's supply fell below the minimum of its sheet.",
        "{lowest_v:.2f} V, minimum {minimum_v:g} V",
        "Charge the battery, or look for a weak block or a poor connection.",
    ),
    "controller_above_maximum": FindingWords(
        "The controller's supply rose above the maximum of its sheet.",
        _above_maximum,
        "Braking into a full battery does this: brake more gently or start below full charge; otherwise look for a "
        "loose battery lead, or a charger that was on.",
    ),
    "start_charge_unknown": FindingWords(
        "Remaining charge and runtime are not given: how full the battery was at the start is not known.",
        "{why}",
        "Report again with --start-charge full (or a fraction), or with --rested HOURS after a long rest.",
    ),
    "capacity_unmeasured": FindingWords(
        "Remaining charge and runtime rest on the nameplate: the capacity is the main uncertainty.",
        "{evidence}",
        "Discharge the battery once from full, and write measured_capacity_ah and measured_hours into the machine "
        "file: that removes most of the uncertainty.",
    ),
    "battery_cold": FindingWords(
        "The battery was cold: its resistance and sag are higher, and it gives less, than in a warm room.",
        "{air_c:.0f} °C around it; the forecast counts with that temperature",
        "Compare resistances only between runs at about the same temperature.",
    ),
}
