"""Words for doubts about data."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase

DOUBTS = {
    "current_sign": "the sign of the battery current looks turned",
    "voltage_unanswering": "the battery voltage does not answer the load",
    "current_filled_in": "the current is an assumption, not measured",
    "current_scale": "the battery current is on a scale that does not fit its battery",
    "channel_stuck": "a channel stands at one reading while others move",
    "channel_partial": "the current was measured in part of the run only",
    "cut_top": "the peaks of the current are cut off",
    "sensor_clipped": "the current sensor was at its full scale",
    "channels_swapped": "two current channels look swapped",
    "channels_disagree": "battery, left and right current do not add up",
    "zero_shift": "the current sensor's zero moved",
    "time_bases_differ": "two channels are on different clocks",
}
"""What is doubted, by the code of the finding."""


def _doubted(facts: Facts) -> str:
    return f"{DOUBTS[facts['finding']]} (finding {facts['finding']})"


def _widened(facts: Facts) -> str:
    return f"{_doubted(facts)}, ±{facts['half']:.3g}"


PHRASES: dict[str, Phrase] = {"doubted": _doubted, "widened_for_doubt": _widened}
FINDINGS: dict[str, FindingWords] = {}
