"""How close a run came to its fuse: margins against published opening times, and a verdict. Method: docs/methods.md.

Nothing here says that a fuse is safe: it says what was measured, against which limit, with what margin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from amptally.analysis.exposure.exposure import TIE, WINDOW_INTERVALS, CurrentError, Exposure
from amptally.analysis.protection import fuse_findings as say
from amptally.analysis.protection.fuse_curve import Limit
from amptally.analysis.protection.fuse_eligibility import FuseSpec, UsableRating, sensor_place, usable_rating
from amptally.analysis.protection.fuse_margin import (
    Margins,
    Verdict,
    above_rating,
    measured_margins,
    translated_margins,
)
from amptally.analysis.protection.supply import Translated
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.finding import Finding
from amptally.tables.fuse_families import FAMILIES
from amptally.tables.fuse_opening_times import LIMIT_PERCENT, FuseTable

PREHEAT_S = 60.0
"""How far before the tightest window a fuse's load is looked at."""
PREHEAT_LEAST_S = 1.0
"""What came less than this before it says nothing of how warm the fuse was."""
PREHEAT_FRACTION = 0.5
"""RMS over that time, of the derated rating, from which the fuse was clearly not cold. Our own choice."""

Source = Literal["measured", "estimated", "bounded"]
"""Where the current of a fuse comes from: its own sensor, duty, or only that one lead carries at least the other's."""


@dataclass(frozen=True, slots=True)
class FuseResult:
    """One fuse of the report; the fields but `findings` are the report's keys."""

    rating_a: float | None
    derated_a: float | None
    """The rating in the air at the fuse; None when it cannot be given."""
    family: str | None
    margin: Estimate
    """Least ratio, over window lengths, of the earliest opening's current to the largest RMS."""
    margin_latest: Estimate
    """The same against the latest opening."""
    tightest_window_s: float | None
    """Length of the window that sets `margin`."""
    tightest_at_s: float | None
    """Where that window starts, in run time."""
    seconds_above_rating: Estimate
    """Time with |i| above `rating_a`."""
    continuous_fraction: Estimate
    """Largest 600 s RMS, or that of the whole run if shorter, over `derated_a`."""
    verdict: Verdict
    rule: str
    """Which limits, how read, and how far they can be trusted."""
    findings: tuple[Finding, ...] = ()
    current_from: Source | None = None
    """None where no current could be compared."""
    worst_rms_a: float | None = None
    """RMS in the window that sets `margin`."""


def assess_fuse(
    fuse: FuseSpec,
    exposure: Exposure | None,
    error: CurrentError | None = None,
    corner_hz: float | None = None,
    through: Translated | None = None,
) -> FuseResult:
    """Compare the current that one fuse carried with its published limits.

    `exposure` is the current of the fuse's sensor, None when it was not measured; `error` is what is declared about
    that sensor and `corner_hz` the corner of the filter before the converter. `through` is what the fuse's own lead
    carried where the sensor sits in the other one. Whatever the data or the machine file cannot support is refused with
    the reason; nothing raises.
    """
    error = error or CurrentError()
    findings: list[Finding] = []
    unseen, differs = _unseen(fuse, exposure, through, findings)
    through = through if differs else None
    usable = usable_rating(fuse)
    rating_a, table, derated_a = usable.rating_a, usable.table, usable.derated_a
    reason = unseen or _unlimited(fuse, usable, findings)
    if exposure is None or unseen or rating_a is None:
        above = refuse("s", reason)
    else:
        above = above_rating(exposure, through, rating_a, error)
    if exposure is None or rating_a is None or table is None or derated_a is None or reason:
        none = refuse("", reason)
        rule = f"No comparison: {reason}."
        return FuseResult(
            rating_a, derated_a, fuse.family, none, none, None, None, above, none, "unknown", rule, tuple(findings)
        )
    trust = _trust(fuse, table, rating_a, findings)
    doubts = _resolution(fuse, table, exposure if through is None else through.likely, corner_hz, findings)
    if through is None:
        found = measured_margins(exposure, table, derated_a, error, doubts)
    else:
        found = translated_margins(through, table, derated_a, error, doubts)
    closest = found.closest
    result = FuseResult(
        rating_a,
        derated_a,
        fuse.family,
        found.margin,
        found.margin_latest,
        closest.window.window_s if closest else None,
        closest.window.start_s if closest else None,
        above,
        found.fraction,
        found.verdict,
        _rule(table, derated_a, trust, through),
        current_from="measured" if through is None else "estimated" if through.least and through.most else "bounded",
        worst_rms_a=closest.window.rms_a if closest else None,
    )
    findings += _explain(fuse.who, exposure if through is None else through.likely, result, found)
    return replace(result, findings=tuple(findings))


def _rule(table: FuseTable, derated_a: float, trust: str, through: Translated | None) -> str:
    """Which limits, how read, and what they do not cover."""
    earliest, latest = Limit.of(table, derated_a, "earliest"), Limit.of(table, derated_a, "latest")
    seen = "" if through is None else f"The current of this lead was not measured, it is estimated: {through.how}. "
    return (
        f"{seen}Largest RMS of |i| over every window from {earliest.shortest_s:g} s up, against the earliest and "
        f"latest opening times of {table.title} ({trust}) in percent of {derated_a:.4g} A, log-log between the "
        f"published rows; beyond {earliest.last_s:g} s the earliest limit is {derated_a:.4g} A, beyond "
        f"{latest.last_s:g} s the latest is {LIMIT_PERCENT:g} %. The times are for a fuse that starts cold: one that "
        "carried current before opens sooner."
    )


def _unseen(
    fuse: FuseSpec, exposure: Exposure | None, through: Translated | None, findings: list[Finding]
) -> tuple[str, bool]:
    """(why nothing is known of this fuse's current, else empty; whether the sensor sits in the other lead)."""
    if exposure is None:
        why = "the current through it was not measured"
        findings.append(say.current_missing(fuse.who, why))
        return why, False
    at = sensor_place(fuse.place, fuse.position, fuse.sensed)
    missing = " and ".join(at.missing)
    given = f"fuse position {at.position}, current sensed in {at.sensed}" + (
        f"; {missing} not given" if missing else ""
    )
    if at.sees:
        if at.code == "assumed":
            findings.append(say.place_assumed(fuse.who, given, missing))
        return "", False
    if at.code == "unknown":
        code, why = "fuse_place_unknown", "it is not known whether the sensor sees the current that the fuse sees"
        action = f"trace the wires, then write fuse.{fuse.place}.position and controller.sensed in the machine file"
    else:
        leg, other = at.position.replace("_", " "), at.sensed.replace("_", " ")
        code, why = "fuse_place_differs", f"the fuse is in the {leg} and the current is measured in the {other}"
        action = f"measure the current in the {leg}"
        if through is not None:
            findings.append(say.place_translated(fuse.who, why, f"{given}; {through.how}", action.capitalize()))
            return "", True
    findings.append(say.place_refused(fuse.who, code, why, given, action.capitalize()))
    return f"{why}: {action}", False


def _unlimited(fuse: FuseSpec, usable: UsableRating, findings: list[Finding]) -> str:
    """Why the fuse has no derated rating, in words, else empty; findings on what is missing or assumed for it."""
    if usable.code == "rating_missing":
        why = "its rating is not known"
        findings.append(say.rating_missing(fuse.who, why, fuse.rating_a, fuse.place))
        return why
    if usable.code in ("family_missing", "family_unknown"):
        why = "its family is not given" if fuse.family is None else f"{fuse.family} is not a known fuse family"
        findings.append(say.family_unknown(fuse.who, why, ", ".join(FAMILIES), fuse.place))
        return why
    if usable.table is None:
        columns = FAMILIES[fuse.family].tables if fuse.family else ()
        made = " and ".join(f"{column.least_rating_a:g} to {column.greatest_rating_a:g} A" for column in columns)
        why = f"{fuse.family} has no {usable.rating_a:g} A rating"
        findings.append(say.rating_unknown(fuse.who, why, made))
        return why
    derating = usable.table.derating
    if not derating:
        findings.append(say.derating_missing(fuse.who, usable.rating_a or 0.0))
        return ""
    if fuse.ambient_assumed:
        findings.append(say.ambient_assumed(fuse.who, fuse.air_c, fuse.place))
    if usable.code == "ambient_beyond":
        why = f"its derating table ends at {derating[-1].ambient_c:g} °C"
        findings.append(say.ambient_beyond(fuse.who, why, fuse.air_c))
        return why
    return ""


def _trust(fuse: FuseSpec, table: FuseTable, rating_a: float, findings: list[Finding]) -> str:
    """How far the limits can be trusted, in words; a finding where they are unverified."""
    doubts = []
    if FAMILIES[table.family].standing(rating_a) == "not_made":
        doubts.append(f"no list at hand names a {rating_a:g} A part")
    if table.transcribed_for_a and rating_a not in table.transcribed_for_a:
        parts = " and ".join(f"{part:g} A" for part in table.transcribed_for_a)
        doubts.append(f"transcribed for the {parts} part and unverified for {rating_a:g} A")
    recalled = [f"{row.percent:g} %" for row in table.limits() if row.mark == "from memory"]
    if recalled:
        doubts.append(f"rows {', '.join(recalled)} from memory and unverified")
    if doubts:
        findings.append(say.limit_unverified(fuse.who, table.title, "; ".join(doubts)))
    return ", ".join(doubts if len(recalled) == len(table.limits()) else ["second-hand", *doubts])


def _resolution(
    fuse: FuseSpec, table: FuseTable, exposure: Exposure, corner_hz: float | None, findings: list[Finding]
) -> list[str]:
    """Why greater currents than those seen may have flowed: each entry makes the margin an upper bound."""
    shortest_s = min(row.shortest_s for row in table.limits() if row.shortest_s is not None)
    interval_s = exposure.coarse_s
    needed_hz = 1 / (2 * math.pi * shortest_s)
    doubts = []
    if WINDOW_INTERVALS * interval_s > shortest_s * (1 + TIE):
        doubts.append(f"sample interval {interval_s:.3g} s, more than half of {shortest_s:g} s")
        findings.append(say.sampling_slow(fuse.who, doubts[-1], shortest_s))
    if corner_hz is None:
        findings.append(say.filter_undeclared(fuse.who, needed_hz))
    elif corner_hz < needed_hz and not exposure.interval_rms:
        doubts.append(f"filter corner {corner_hz:g} Hz, below {needed_hz:.3g} Hz")
        findings.append(say.filter_slow(fuse.who, doubts[-1]))
    shown_s = WINDOW_INTERVALS * interval_s
    if shown_s < shortest_s and exposure.refusal(shown_s) is None:
        findings.append(say.short_windows(fuse.who, shortest_s, exposure.worst(shown_s)))
    return doubts


def _explain(who: str, exposure: Exposure, result: FuseResult, found: Margins) -> list[Finding]:
    """Findings about the comparison itself."""
    closest = found.closest
    if closest is None:
        code = "fuse_no_current" if exposure.peak_a == 0 else "fuse_run_short"
        return [say.nothing_to_compare(who, code, result.margin.refused or "")]
    window = closest.window
    guess = "" if result.current_from == "measured" else f"{result.current_from}, not measured: "
    evidence = (
        f"{guess}{window.rms_a:.4g} A RMS over {window.window_s:.4g} s from {window.start_s:.3f} s; earliest opening "
        f"from {closest.allowed_a:.4g} A: margin {closest.ratio:.3g}"
    )
    if result.margin_latest.value is not None:
        evidence += f"; latest opening: margin {result.margin_latest.value:.3g}"
    if result.continuous_fraction.value is not None:
        evidence += f"; continuous fraction {result.continuous_fraction.value:.3g}"
    told = {"past": say.past, "inside": say.inside, "near": say.near}.get(result.verdict)
    findings = [told(who, evidence)] if told else []
    if window.crosses_gap:
        findings.append(say.gap_in_window(who, window))
    elif result.verdict == "unknown" and result.margin.value is not None:
        if result.current_from != "measured":
            findings.append(say.estimate_open(who, evidence))
        elif result.margin.bound != "at_most":
            gap_s = exposure.duration_s - exposure.sampled_s
            findings.append(say.gap_leaves_open(who, gap_s, found.filled_fraction))
    before_a, before_s = _before(exposure, window.start_s)
    if result.derated_a and before_a > PREHEAT_FRACTION * result.derated_a and window.window_s <= PREHEAT_S:
        findings.append(say.preheated(who, before_a, before_s, result.derated_a))
    return findings


def _before(exposure: Exposure, start_s: float) -> tuple[float, float]:
    """RMS [A] of the sampled time in the `PREHEAT_S` before a moment, and how long that was [s]; 0 where too short.

    Read off the edges of the smallest blocks, with straight lines between them.
    """
    axis_s = np.array([exposure.sampled_until(start_s - PREHEAT_S), exposure.sampled_until(start_s)])
    seconds = float(axis_s[1] - axis_s[0])
    if seconds < PREHEAT_LEAST_S:
        return 0.0, seconds
    blocks = exposure.square.blocks[-1]
    ticks = np.interp(axis_s, blocks.edge_s, blocks.edge_ticks.astype(np.float64))
    return math.sqrt(float(ticks[1] - ticks[0]) * exposure.square.tick_a2s / seconds), seconds
