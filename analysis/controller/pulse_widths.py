"""Whether the command pulses can be what they are labelled. docs/methods.md, Commands."""

from __future__ import annotations

import numpy as np

from amptally.analysis.controller.pulses import changes_of
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Run

PULSES = ("pulse_a_us", "pulse_b_us")
SHORTEST_US, LONGEST_US = 500.0, 3000.0
"""The absolute extremes of a command pulse: 0.5 ms to 2.5-3.0 ms (mitchr.me, RCcontrolTheory)."""
STRAY_SHARE = 0.01
"""Share of the time in which single damaged pulses may lie beyond. Our own choice."""


def judge_pulses(run: Run) -> tuple[Reason, ...]:
    """Findings about the command pulses: widths that no receiver sends, and one input without the other."""
    measured = [name for name in PULSES if run.has(name)]
    found = [finding for name in measured if (finding := implausible(run, name)) is not None]
    if len(measured) == 1:
        (missing,) = set(PULSES) - set(measured)
        found.append(Reason("pulse_channel_alone", "note", channel=measured[0], missing=missing))
    return tuple(found)


def implausible(run: Run, si_name: str) -> Reason | None:
    """Widths that are no command pulse's, for more than `STRAY_SHARE` of the time with pulses; None elsewhere.

    0 is no pulse, and not judged.
    """
    pulse = changes_of(run, si_name)
    if pulse is None or len(pulse.time_s) < 2:
        return None
    width, lasted_s = pulse.value[:-1], np.where(pulse.gap_after, 0.0, np.diff(pulse.time_s))
    sent = width != 0
    beyond = sent & ((width < SHORTEST_US) | (width > LONGEST_US))
    sent_s, beyond_s = float(lasted_s[sent].sum()), float(lasted_s[beyond].sum())
    if beyond_s <= STRAY_SHARE * sent_s:
        return None
    return Reason(
        "pulse_implausible",
        "caution",
        channel=si_name,
        shortest_us=float(width[beyond].min()),
        longest_us=float(width[beyond].max()),
        share=beyond_s / sent_s,
    )
