"""How close a run came to its fuse: margins against published opening times, and a verdict. Method: docs/methods.md.

Nothing here says that a fuse is safe: it says what was measured, against which limit, with what margin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from analysis import fuse_findings as say
from analysis.estimate import COVERAGE_FACTOR, UNDECLARED, Estimate, refuse
from analysis.exposure import CurrentError, Exposure, rms_estimate
from analysis.finding import Finding
from analysis.fuse_curve import FAMILIES, TABLES, Limit, Tightest, fuse_table, tightest, usable_fraction
from analysis.propagate import power_of
from analysis.tables.opening_times import LIMIT_PERCENT, FuseTable

DEFAULT_AMBIENT_C = 25.0
NEAR_MARGIN = 1.25  # our own line: 1 / 0.8
CONTINUOUS_FRACTION = 0.75  # continuous load at most 75 % of the rating at 25 °C: a maker's fuseology guide
CONTINUOUS_WINDOW_S = 600.0

Verdict = Literal["past", "inside", "near", "below", "unknown"]


@dataclass(frozen=True, slots=True)
class FuseSpec:
    """One fuse as the machine file describes it; None where it says nothing."""

    place: str
    """main, left or right."""
    family: str | None
    rating_a: float | None
    ambient_c: float | None = None
    """The air at the fuse."""
    position: str | None = None
    """Where the fuse sits: supply_leg, motor_lead or unknown; not asked of the main fuse."""
    sensed: str | None = None
    """Where the controller's currents are measured, in the same words."""

    @property
    def who(self) -> str:
        """How findings name it."""
        return f"{self.place.capitalize()} fuse"


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

    def as_json(self) -> dict[str, object]:
        """The report's object."""
        return {
            "rating_a": self.rating_a,
            "derated_a": self.derated_a,
            "family": self.family,
            "margin": self.margin.as_json(),
            "margin_latest": self.margin_latest.as_json(),
            "tightest_window_s": self.tightest_window_s,
            "tightest_at_s": self.tightest_at_s,
            "seconds_above_rating": self.seconds_above_rating.as_json(),
            "continuous_fraction": self.continuous_fraction.as_json(),
            "verdict": self.verdict,
            "rule": self.rule,
        }


def assess_fuse(
    fuse: FuseSpec,
    exposure: Exposure | None,
    error: CurrentError | None = None,
    corner_hz: float | None = None,
) -> FuseResult:
    """Compare the current that one fuse carried with its published limits.

    `exposure` is the current the fuse sees, None when it was not measured; `error` is what is declared about its sensor
    and `corner_hz` the corner of the filter before the converter. Whatever the data or the machine file cannot support
    is refused with the reason; nothing raises.
    """
    error = error or CurrentError()
    findings: list[Finding] = []
    unseen = _unseen(fuse, exposure, findings)
    rating_a = fuse.rating_a if fuse.rating_a is not None and 0 < fuse.rating_a < math.inf else None
    table, derated_a, unlimited = _derated(fuse, rating_a, findings)
    reason = unseen or unlimited
    if exposure is None or unseen or rating_a is None:
        above = refuse("s", reason)
    else:
        above = _seconds_above(exposure, rating_a, error)
    if exposure is None or rating_a is None or table is None or derated_a is None or reason:
        none = refuse("", reason)
        rule = f"No comparison: {reason}."
        return FuseResult(
            rating_a, derated_a, fuse.family, none, none, None, None, above, none, "unknown", rule, tuple(findings)
        )
    trust = _trust(fuse, table, rating_a, findings)
    doubts = _resolution(fuse, table, exposure, corner_hz, findings)
    earliest, latest = Limit.of(table, derated_a, "earliest"), Limit.of(table, derated_a, "latest")
    margin, closest = _margin(exposure, earliest, error, doubts)
    margin_latest, _ = _margin(exposure, latest, error, doubts)
    fraction, filled = _continuous(exposure, derated_a, error)
    verdict = verdict_of(margin, margin_latest, fraction, filled)
    rule = (
        f"Largest RMS of |i| over every window from {earliest.shortest_s:g} s up, against the earliest and latest "
        f"opening times of {table.title} ({trust}) in percent of {derated_a:.4g} A, log-log between the published "
        f"rows; beyond {earliest.last_s:g} s the earliest limit is {derated_a:.4g} A, beyond {latest.last_s:g} s the "
        f"latest is {LIMIT_PERCENT:g} %."
    )
    result = FuseResult(
        rating_a,
        derated_a,
        fuse.family,
        margin,
        margin_latest,
        closest.window.window_s if closest else None,
        closest.window.start_s if closest else None,
        above,
        fraction,
        verdict,
        rule,
    )
    findings += _explain(fuse.who, exposure, result, closest, filled)
    return replace(result, findings=tuple(findings))


def verdict_of(margin: Estimate, margin_latest: Estimate, fraction: Estimate, filled_fraction: float) -> Verdict:
    """The verdict from both margins and the continuous fraction.

    A margin `at_most` x with x < 1 is inside the band for certain; with x ≥ 1 the truth may be on either side of any
    line below x, so the verdict stays open. `filled_fraction` is the continuous fraction had every gap carried the
    run's greatest current: only when that, too, is small do gaps leave "below" standing.
    """
    if margin.value is None:
        return "unknown"
    if margin_latest.value is not None and margin_latest.value < 1:
        return "past"
    if margin.value < 1:
        return "inside"
    if margin.low is None:
        return "unknown"
    if margin.low < NEAR_MARGIN or (fraction.value is not None and fraction.value > CONTINUOUS_FRACTION):
        return "near"
    return "below" if filled_fraction <= CONTINUOUS_FRACTION else "unknown"


def _unseen(fuse: FuseSpec, exposure: Exposure | None, findings: list[Finding]) -> str:
    """Why the measured current is not this fuse's; empty when it is, or is taken to be."""
    if exposure is None:
        why = "the current through it was not measured"
        findings.append(say.current_missing(fuse.who, why))
        return why
    if fuse.place == "main":
        return ""
    asked = {f"fuse.{fuse.place}.position": fuse.position, "controller.sensed": fuse.sensed}
    missing = " and ".join(name for name, value in asked.items() if value is None)
    position, sensed = fuse.position or "supply_leg", fuse.sensed or "supply_leg"
    given = f"fuse position {position}, current sensed in {sensed}" + (f"; {missing} not given" if missing else "")
    if position == sensed and position != "unknown":
        if missing:
            findings.append(say.place_assumed(fuse.who, given, missing))
        return ""
    if "unknown" in (position, sensed):
        code, why = "fuse_place_unknown", "it is not known whether the sensor sees the current that the fuse sees"
        action = f"trace the wires, then write {' and '.join(asked)} in the machine file"
    else:
        leg, other = position.replace("_", " "), sensed.replace("_", " ")
        code, why = "fuse_place_differs", f"the fuse is in the {leg} and the current is measured in the {other}"
        action = f"measure the current in the {leg}"
    findings.append(say.place_refused(fuse.who, code, why, given, action.capitalize()))
    return f"{why}: {action}"


def _derated(
    fuse: FuseSpec, rating_a: float | None, findings: list[Finding]
) -> tuple[FuseTable | None, float | None, str]:
    """(table, derated rating in A, "") or what is missing for them, with the reason in words."""
    if rating_a is None:
        why = "its rating is not known"
        findings.append(say.rating_missing(fuse.who, why, fuse.rating_a, fuse.place))
        return None, None, why
    if fuse.family not in FAMILIES:
        why = "its family is not given" if fuse.family is None else f"{fuse.family} is not a known fuse family"
        findings.append(say.family_unknown(fuse.who, why, ", ".join(FAMILIES), fuse.place))
        return None, None, why
    table = fuse_table(fuse.family, rating_a)
    if table is None:
        columns = [column for column in TABLES if column.family == fuse.family]
        made = " and ".join(f"{column.least_rating_a:g} to {column.greatest_rating_a:g} A" for column in columns)
        why = f"{fuse.family} has no {rating_a:g} A rating"
        findings.append(say.rating_unknown(fuse.who, why, made))
        return None, None, why
    if not table.derating:
        findings.append(say.derating_missing(fuse.who, rating_a))
        return table, rating_a, ""
    ambient_c = fuse.ambient_c
    if ambient_c is None or not math.isfinite(ambient_c):
        ambient_c = DEFAULT_AMBIENT_C
        findings.append(say.ambient_assumed(fuse.who, ambient_c, fuse.place))
    fraction = usable_fraction(table, ambient_c)
    if fraction is None:
        why = f"its derating table ends at {table.derating[-1].ambient_c:g} °C"
        findings.append(say.ambient_beyond(fuse.who, why, ambient_c))
        return table, None, why
    return table, rating_a * fraction, ""


def _trust(fuse: FuseSpec, table: FuseTable, rating_a: float, findings: list[Finding]) -> str:
    """How far the limits can be trusted, in words; a finding where they are unverified."""
    doubts = []
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
    if interval_s > shortest_s / 2 * (1 + 1e-9):
        doubts.append(f"sample interval {interval_s:.3g} s, more than half of {shortest_s:g} s")
        findings.append(say.sampling_slow(fuse.who, doubts[-1], shortest_s))
    if corner_hz is None:
        findings.append(say.filter_undeclared(fuse.who, needed_hz))
    elif corner_hz < needed_hz and not exposure.interval_rms:
        doubts.append(f"filter corner {corner_hz:g} Hz, below {needed_hz:.3g} Hz")
        findings.append(say.filter_slow(fuse.who, doubts[-1]))
    if 2 * interval_s < shortest_s and exposure.refusal(2 * interval_s) is None:
        findings.append(say.short_windows(fuse.who, shortest_s, exposure.worst(2 * interval_s)))
    return doubts


def _margin(
    exposure: Exposure, limit: Limit, error: CurrentError, doubts: list[str]
) -> tuple[Estimate, Tightest | None]:
    """Allowed over measured in the tightest window."""
    found = tightest(exposure, limit)
    if found is None:
        why = exposure.refusal(max(limit.shortest_s, 2 * exposure.interval_s))
        return refuse("", why or "no current flowed here, so there is no ratio"), None
    margin = power_of(found.allowed_a, rms_estimate(exposure, found.window, error), -1, "", {})
    if doubts and margin.refused is None:
        if margin.high is None:
            return refuse("", f"the current cannot be told from zero; {doubts[0]}"), found
        margin = margin.bounded("at_most", "; ".join(doubts))
    return margin, found


def _continuous(exposure: Exposure, derated_a: float, error: CurrentError) -> tuple[Estimate, float]:
    """The continuous fraction, and what it would be had each gap carried the run's greatest current."""
    window_s = min(CONTINUOUS_WINDOW_S, exposure.duration_s)
    reason = exposure.refusal(window_s)
    if reason:
        return refuse("", reason), math.inf
    window = exposure.worst(window_s)
    note = "" if window_s == CONTINUOUS_WINDOW_S else f"RMS of the whole run, {window_s:.4g} s, shorter than 600 s"
    gap_share = min((exposure.duration_s - exposure.sampled_s) / window_s, 1.0)
    filled_a = math.sqrt((1 - gap_share) * window.rms_a**2 + gap_share * exposure.peak_a**2)
    return power_of(1 / derated_a, rms_estimate(exposure, window, error, note), 1, "", {}), filled_a / derated_a


def _seconds_above(exposure: Exposure, rating_a: float, error: CurrentError) -> Estimate:
    """Time above the marked rating: the sensor's error moves the line, and gaps may hide more."""
    terms = error.rms_terms(rating_a, 1.0).values()
    shift_a = COVERAGE_FACTOR * math.hypot(*(term for term in terms if term is not None))
    levels = rating_a, rating_a + shift_a, max(rating_a - shift_a, 0.0)
    (value_s, timing_u_s), (least_s, _), (most_s, _) = exposure.seconds_above(*levels)
    timing_s = COVERAGE_FACTOR * timing_u_s
    gap_s = exposure.duration_s - exposure.sampled_s
    basis = {
        f"sensor error moves the line by {shift_a:.3g} A": shift_a > 0,
        UNDECLARED: None in terms,
        f"crossings between samples {timing_s:.3g} s": timing_s > 0,
        f"{gap_s:.4g} s of gaps as doubt": gap_s > 0,
    }
    return Estimate(
        value_s,
        max(least_s - timing_s, 0.0),
        min(most_s + timing_s + gap_s, exposure.duration_s),
        "s",
        basis="; ".join(text for text, holds in basis.items() if holds),
    )


def _explain(
    who: str, exposure: Exposure, result: FuseResult, closest: Tightest | None, filled_fraction: float
) -> list[Finding]:
    """Findings about the comparison itself."""
    if closest is None:
        code = "fuse_no_current" if exposure.peak_a == 0 else "fuse_run_short"
        return [say.nothing_to_compare(who, code, result.margin.refused or "")]
    window = closest.window
    evidence = (
        f"{window.rms_a:.4g} A RMS over {window.window_s:.4g} s from {window.start_s:.3f} s; earliest opening from "
        f"{closest.allowed_a:.4g} A: margin {closest.ratio:.3g}"
    )
    if result.margin_latest.value is not None:
        evidence += f"; latest opening: margin {result.margin_latest.value:.3g}"
    if result.continuous_fraction.value is not None:
        evidence += f"; continuous fraction {result.continuous_fraction.value:.3g}"
    told = {"past": say.past, "inside": say.inside, "near": say.near}.get(result.verdict)
    findings = [told(who, evidence)] if told else []
    if window.crosses_gap:
        findings.append(say.gap_in_window(who, window))
    elif result.verdict == "unknown" and result.margin.bound != "at_most" and result.margin.value is not None:
        findings.append(say.gap_leaves_open(who, exposure.duration_s - exposure.sampled_s, filled_fraction))
    return findings
