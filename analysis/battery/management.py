"""Battery current against the current at which the battery's management opens. docs/methods.md, Battery management."""

from __future__ import annotations

from amptally.analysis.exposure.current import Current
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run

NEAR_SHARE = 0.8
"""Of that current: from here on it is near. Our own choice: a lower voltage and a colder motor ask for more."""


def judge_management(run: Run, battery_current: Current) -> tuple[Reason, ...]:
    """Findings where the peak of the battery current reached, or came near, `bms.cutoff_a`; or cannot be compared.

    The peak is the largest of the samples, so that one above the limit was above it; how long a management waits before
    it opens is not on the machine file, so that reaching it is a danger, however short.
    """
    bms = run.machine.bms if run.machine else None
    if bms is None or bms.cutoff_a is None:
        return ()
    peak = battery_current.peak_a
    if peak.value is None:
        return (Reason("management_current_unchecked", "note", cutoff_a=bms.cutoff_a),)
    if peak.value < NEAR_SHARE * bms.cutoff_a:
        return ()
    reached = peak.value >= bms.cutoff_a
    return (
        Reason(
            "management_current_reached" if reached else "management_current_near",
            "danger" if reached else "caution",
            peak_a=peak.value,
            cutoff_a=bms.cutoff_a,
            share=peak.value / bms.cutoff_a,
        ),
    )
