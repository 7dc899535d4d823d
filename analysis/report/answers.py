"""The sentences a report leads with: close to the fuse? how far did the battery sag? how far does a charge go?"""

from __future__ import annotations

from dataclasses import dataclass

from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.report.build import Report
from amptally.analysis.report.command_words import commanded
from amptally.analysis.wording.formatting import bare, full, moment, number, short
from amptally.analysis.wording.results import refusal

VERDICTS = {
    "past": "it should have opened, so doubt the data, the sensor's place or the fuse",
    "inside": "inside the band in which it may open",
    "near": "near, by the margin's interval or by the load over ten minutes",
    "below": "below its earliest opening",
    "unknown": "these data leave open how near",
}
NOT_MEASURED = {
    "estimated": " (estimated through the controller's duty, not measured)",
    "bounded": " (measured in the other lead, so a bound alone)",
}
ENDS = {
    "block_a": "block A at its limit",
    "block_b": "block B at its limit",
    "controller": "the controller's cut-off",
    "bms": "the battery management's cut-off",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """One leading sentence."""

    topic: str
    """fuse, sag, receiver or charge."""
    text: str
    at_s: float | None = None
    """Moment in the run it speaks of."""
    window_s: float | None = None
    """How long that moment lasts."""
    tone: str = "plain"
    """plain, caution, danger or unknown: how the screen marks it, beside the words."""


TONE_OF_VERDICT = {"past": "danger", "inside": "danger", "near": "caution", "below": "plain", "unknown": "unknown"}


def _times(ratio: float) -> str:
    """One decimal, or two where one would round to 1."""
    return number(ratio, 1 if ratio >= 1.1 else 2)


def _duration(seconds: float) -> str:
    return f"{seconds:.2g} s" if seconds < 10 else moment(seconds)


def fuse_answer(report: Report, place: str, fuse: FuseResult) -> Answer:
    """Worst window of one fuse against its earliest opening."""
    window, start = fuse.tightest_window_s, fuse.tightest_at_s
    if fuse.margin.value is None or window is None or start is None:
        return Answer("fuse", f"{place} fuse: no margin: {refusal(fuse.margin)}", tone="unknown")
    worst = fuse.worst_rms_a or 0.0
    doing = commanded(report.run, start, window, report.drive.stalls)
    context = f", {doing}" if doing else ""
    margin, latest = fuse.margin.value, fuse.margin_latest.value
    # A margin that is known only from above: the current may have come closer than this.
    above, below = {"at_most": ("at least ", "at most "), "at_least": ("at most ", "at least ")}.get(
        fuse.margin.bound, ("", "")
    )
    if fuse.verdict == "past" and latest is not None:
        ratio = (
            f"{_times(1 / latest)} times the current at which it opens at the latest, {_times(1 / margin)} times that "
            "at which it may open"
        )
    elif margin < 1:
        ratio = f"{above}{_times(1 / margin)} times the current at which it may open"
    else:
        ratio = f"it could have carried {below}{_times(margin)} times as much before it may open"
    more = "" if fuse.verdict == "below" else f": {VERDICTS[fuse.verdict]}"
    text = (
        f"{place} fuse: worst {worst:.0f} A{NOT_MEASURED.get(fuse.current_from or '', '')} for {_duration(window)} at "
        f"{moment(start)}{context}; {ratio}{more}"
    )
    return Answer("fuse", text, start, window, TONE_OF_VERDICT[fuse.verdict])


def sag_answer(report: Report) -> Answer:
    """Worst sag and the least voltage."""
    sag = report.sag
    if sag.worst_sag_v.value is not None and sag.worst_sag_at_s is not None:
        text = (
            f"battery: sagged at least {bare(sag.worst_sag_v)} below rest, to {bare(sag.min_voltage_v)} or lower, "
            f"at {moment(sag.worst_sag_at_s)}"
        )
        return Answer("sag", text, sag.worst_sag_at_s)
    if sag.min_voltage_v.value is not None and sag.min_voltage_at_s is not None:
        least = f"{short(sag.min_voltage_v)} at {moment(sag.min_voltage_at_s)}"
        text = f"battery: least voltage {least}; sag {full(sag.worst_sag_v)}"
        return Answer("sag", text, sag.min_voltage_at_s)
    return Answer("sag", f"battery: voltage {full(sag.min_voltage_v)}", tone="unknown")


def receiver_answer(report: Report) -> Answer | None:
    """Least receiver supply against its minimum; None where it was not measured."""
    least, machine = report.sag.receiver_min_v, report.run.machine
    if least.value is None:
        return None
    minimum = machine.receiver.minimum_v if machine and machine.receiver else None
    against = "its minimum is not in the machine file" if minimum is None else f"its minimum is {minimum:g} V"
    codes = {finding.code for finding in report.findings}
    tone = "danger" if "receiver_below_minimum" in codes else "caution" if "receiver_near_minimum" in codes else "plain"
    at = report.sag.receiver_min_at_s
    text = f"receiver supply: {bare(least)} or lower" + (f" at {moment(at)}" if at is not None else "") + f"; {against}"
    return Answer("receiver", text, at, tone=tone)


def charge_answer(report: Report) -> Answer:
    """Laps and time a charge gives, and what ends it."""
    remaining = report.charge.remaining
    laps = report.laps_per_charge
    if laps.value is not None:
        text = f"a full charge gives {full(laps)} laps like these"
    else:
        text = f"laps per charge {full(laps)}"
    if remaining.runtime_s.value is not None:
        low = remaining.runtime_s.low
        from_low = f", 95 % from {moment(low)}" if low is not None else ""
        most = "at most " if low is None else ""
        text += f"; from here {most}{moment(remaining.runtime_s.value)} of driving like this{from_low}"
        if remaining.ends_by:
            text += f", ended by {ENDS[remaining.ends_by]}"
        return Answer("charge", text)
    return Answer("charge", f"{text}; runtime {full(remaining.runtime_s)}", tone="unknown")


def answers(report: Report) -> list[Answer]:
    """The leading sentences, fuses first, the tightest of them at the top."""
    tightest = sorted(
        report.fuses.items(), key=lambda item: item[1].margin.value if item[1].margin.value is not None else 1e9
    )
    found = [fuse_answer(report, place, fuse) for place, fuse in tightest]
    receiver = receiver_answer(report)
    return [*found, sag_answer(report), *([receiver] if receiver else []), charge_answer(report)]
