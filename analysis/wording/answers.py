"""The sentences that a report leads with, from the results of its sections."""

from __future__ import annotations

from amptally.analysis.battery.sag import Sag
from amptally.analysis.forecast.remaining import Remaining
from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.formatting import bare, beyond, carried, full, moment
from amptally.analysis.wording.labels import ENDS_BY
from amptally.analysis.wording.results import phrase, refusal

_VERDICTS = {
    "past": ": it should have opened, so doubt the data, the sensor's place or the fuse",
    "inside": ": inside the band in which it may open",
    "near": ": close, by the low end of the margin or by the load over ten minutes",
    "below": "",
    "unknown": ": these data do not decide how close it came",
}
_NOT_MEASURED = {
    "estimated": " (estimated through the controller's duty, not measured)",
    "bounded": " (measured in the other lead, so a bound alone)",
}


def duration(seconds: float) -> str:
    return f"{seconds:.2g} s" if seconds < 10 else moment(seconds)


def doing_words(commanded: Reason | None) -> str:
    """What the machine was asked to do, as the end of a sentence; empty where that is not known."""
    return "" if commanded is None else f", {phrase(commanded)}"


def fuse_sentence(fuse: FuseResult, commanded: Reason | None) -> str:
    """Worst window of one fuse against its earliest opening; `commanded` is what the machine was asked to do then."""
    window_s, at_s, margin = fuse.tightest_window_s, fuse.tightest_at_s, fuse.margin.value
    if margin is None or window_s is None or at_s is None:
        return f"no margin: {refusal(fuse.margin)}"
    # A margin that is known only from above: the current may have come closer than this.
    above, below = {"at_most": ("at least ", "at most "), "at_least": ("at most ", "at least ")}.get(
        fuse.margin.bound, ("", "")
    )
    latest = fuse.margin_latest.value
    if fuse.verdict == "past" and latest is not None:
        ratio = (
            f"{beyond(latest)} times the current at which it opens at the latest, {beyond(margin)} times that "
            "at which it may open"
        )
    elif margin < 1:
        ratio = f"{above}{beyond(margin)} times the current at which it may open"
    else:
        ratio = f"it could have carried {below}{carried(margin)} times as much before it may open{_promised(fuse)}"
    doing = doing_words(commanded)
    return (
        f"worst {fuse.worst_rms_a or 0.0:.0f} A{_NOT_MEASURED.get(fuse.current_from or '', '')} for "
        f"{duration(window_s)} at {moment(at_s - window_s)}{doing}; {ratio}"
        f"{_VERDICTS[fuse.verdict]}"
    )


def _promised(fuse: FuseResult) -> str:
    """What the published opening times alone guarantee, where that is less than the likely margin."""
    found = (reason["margin"] for reason in fuse.margin.reasons if reason.code == "rows_promise")
    promised = next((float(margin) for margin in found if isinstance(margin, float)), None)
    return "" if promised is None else f" (its published times alone allow {carried(promised)})"


def sag_sentence(sag: Sag) -> str:
    """Drop under load first; then the minimum voltage, which a discharge lowers as well."""
    dropped = ""
    if sag.load_drop_v.value is not None and sag.load_drop_at_s is not None:
        least = "at least " if sag.load_drop_v.bound == "at_least" else ""
        dropped = f"dropped {least}{bare(sag.load_drop_v)} under load at {moment(sag.load_drop_at_s)}; "
    if sag.min_voltage_v.value is None or sag.min_voltage_at_s is None:
        return f"{dropped}voltage {full(sag.min_voltage_v)}"
    minimum = f"minimum voltage {bare(sag.min_voltage_v)} or lower at {moment(sag.min_voltage_at_s)}"
    if sag.worst_sag_v.value is not None:
        below = f"{bare(sag.worst_sag_v)} below rest"
        return f"{dropped}{minimum}, {below}{'' if dropped else ' by load and discharge together'}"
    return f"{dropped}{minimum}" if dropped else f"{minimum}; sag {full(sag.worst_sag_v)}"


def receiver_sentence(sag: Sag, minimum_v: float | None) -> str:
    """Minimum of the receiver supply against what the receiver needs."""
    against = "its minimum is not in the machine file" if minimum_v is None else f"its minimum is {minimum_v:g} V"
    at = "" if sag.receiver_min_at_s is None else f" at {moment(sag.receiver_min_at_s)}"
    return f"{bare(sag.receiver_min_v)} or lower{at}; {against}"


def charge_sentence(laps_per_charge: Estimate, remaining: Remaining) -> str:
    """Laps and time that a charge gives, and what ends it."""
    laps = full(laps_per_charge)
    gives = f"a full charge gives {laps} laps like these"
    sentence = f"laps per charge {laps}" if laps_per_charge.is_refused else gives
    runtime = remaining.runtime_s
    if runtime.value is None:
        return f"{sentence}; runtime {full(runtime)}"
    from_low = "" if runtime.low is None else f", 95 % from {moment(runtime.low)}"
    at_most = "at most " if runtime.low is None else ""
    ended = f", ended by {ENDS_BY[remaining.ends_by]}" if remaining.ends_by else ""
    return f"{sentence}; from here {at_most}{moment(runtime.value)} of driving like this{from_low}{ended}"
