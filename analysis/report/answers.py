"""What a report leads with: close to the fuse? how far did the battery sag? how far does a charge go?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from amptally.analysis.driving.manoeuvre import commanded
from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.report.build import Report
from amptally.analysis.wording.answers import charge_sentence, fuse_sentence, receiver_sentence, sag_sentence

Tone = Literal["plain", "caution", "danger", "unknown"]
TONE_OF_VERDICT: dict[str, Tone] = {
    "past": "danger",
    "inside": "danger",
    "near": "caution",
    "below": "plain",
    "unknown": "unknown",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """One leading sentence."""

    topic: Literal["fuse", "sag", "receiver", "charge"]
    subject: str
    """What the sentence is about; empty where it says so itself."""
    sentence: str
    """Without a capital or a full stop."""
    at_s: float | None = None
    """Moment in the run it refers to."""
    window_s: float | None = None
    """Length of that moment."""
    tone: Tone = "plain"
    """How the screen marks it, beside the words."""

    @property
    def text(self) -> str:
        """Subject and sentence as one line."""
        return f"{self.subject}: {self.sentence}" if self.subject else self.sentence


def by_margin(report: Report) -> list[tuple[str, FuseResult]]:
    """Fuses by place, the smallest margin first, those without one last."""
    margins = {place: fuse.margin.value for place, fuse in report.fuses.items()}
    return sorted(report.fuses.items(), key=lambda item: math.inf if (m := margins[item[0]]) is None else m)


def fuse_answer(report: Report, place: str, fuse: FuseResult) -> Answer:
    """Worst window of one fuse against its earliest opening."""
    at_s, window_s = fuse.tightest_at_s, fuse.tightest_window_s
    if fuse.margin.is_refused or at_s is None or window_s is None:
        return Answer("fuse", f"{place} fuse", fuse_sentence(fuse, None), tone="unknown")
    start_s = at_s - window_s
    doing = commanded(report.run, start_s, window_s, report.drive.stalls)
    return Answer("fuse", f"{place} fuse", fuse_sentence(fuse, doing), start_s, window_s, TONE_OF_VERDICT[fuse.verdict])


def sag_answer(report: Report) -> Answer:
    """Greatest drop under load and the minimum voltage."""
    sag = report.sag
    at_s = sag.min_voltage_at_s if sag.load_drop_at_s is None else sag.load_drop_at_s
    if sag.min_voltage_v.is_refused:
        return Answer("sag", "battery", sag_sentence(sag), tone="unknown")
    return Answer("sag", "battery", sag_sentence(sag), at_s)


def receiver_answer(report: Report) -> Answer | None:
    """Minimum of the receiver supply against what the receiver needs; None where it was not measured."""
    sag, machine = report.sag, report.run.machine
    if sag.receiver_min_v.is_refused:
        return None
    minimum_v = machine.receiver.minimum_v if machine and machine.receiver else None
    codes = {finding.code for finding in report.findings}
    tone: Tone = "plain"
    if "receiver_below_minimum" in codes:
        tone = "danger"
    elif "receiver_near_minimum" in codes:
        tone = "caution"
    return Answer("receiver", "receiver supply", receiver_sentence(sag, minimum_v), sag.receiver_min_at_s, tone=tone)


def charge_answer(report: Report) -> Answer:
    """Laps and time that a charge gives, and what ends it."""
    remaining = report.charge.remaining
    sentence = charge_sentence(report.laps_per_charge, remaining)
    return Answer("charge", "", sentence, tone="unknown" if remaining.runtime_s.is_refused else "plain")


def answers(report: Report) -> list[Answer]:
    """All of them: fuses first, the smallest margin at the top."""
    found = [fuse_answer(report, place, fuse) for place, fuse in by_margin(report)]
    receiver = receiver_answer(report)
    return [*found, sag_answer(report), *([receiver] if receiver else []), charge_answer(report)]
