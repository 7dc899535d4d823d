"""How close a run came to its fuse: margins against published opening times, and a verdict. Method: docs/methods.md.

Nothing here says that a fuse is safe: it says what was measured, against which limit, with what margin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from amptally.analysis.exposure.exposure import TIE, WINDOW_INTERVALS, CurrentError, Exposure
from amptally.analysis.protection.fuse_eligibility import FuseSpec, UsableRating, usable_rating
from amptally.analysis.protection.fuse_margin import (
    ALL_SEEN,
    Margins,
    Unseen,
    Verdict,
    above_rating,
    measured_margins,
    translated_margins,
)
from amptally.analysis.protection.supply import Translated
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.reason import Fact, Reason, Severity
from amptally.tables.fuse_derating import last_known_c, steepest_slope_per_k
from amptally.tables.fuse_families import FAMILIES
from amptally.tables.fuse_opening_times import FuseTable

LOADED_SHARE = 0.1
"""RMS at the start of a run, as a share of the derated rating, from which the run is said to start loaded. Our own."""

Source = Literal["measured", "estimated", "bounded"]
"""Where the current of a fuse comes from: its own sensor, duty, or only that one lead carries at least the other's."""
FINDING_OF: dict[Verdict, tuple[str, Severity]] = {
    "past": ("fuse_past", "danger"),
    "inside": ("fuse_inside", "danger"),
    "near": ("fuse_near", "caution"),
}
"""Code and severity by verdict; the other verdicts make none."""
NO_DOUBTS = Doubts()
BETWEEN_SAMPLES = ("between_samples_at_most", "between_samples_open")
"""Reasons of a margin whose samples do not show all that may have flowed."""
GAPS_HIDE = ("gaps_may_hide_more", "gaps_would_leave")
"""Reasons of a margin that gaps make an upper bound."""


@dataclass(frozen=True, slots=True)
class FuseResult:
    """One fuse of the report."""

    rating_a: float | None
    derated_a: float | None
    """The rating in the air at the fuse; None when it cannot be given."""
    family: str | None
    margin: Estimate
    """What the whole current could have been multiplied by before the earliest opening, by the table's network.

    Its low end is what the published rows alone guarantee, less what sensor, sampling and gaps leave open.
    """
    margin_latest: Estimate
    """The same for the latest opening."""
    tightest_window_s: float | None
    """The shortest window ending at `tightest_at_s` that holds nine tenths of the heating there."""
    tightest_at_s: float | None
    """When the fuse was warmest, in run time."""
    seconds_above_rating: Estimate
    """Time with |i| above `rating_a`."""
    continuous_fraction: Estimate
    """Largest 600 s RMS, or that of the driven part if shorter, over `derated_a`."""
    verdict: Verdict
    rule: tuple[Reason, ...]
    """Which limits, how read, and how far they can be trusted; or why nothing was compared."""
    findings: tuple[Reason, ...] = ()
    current_from: Source | None = None
    """None where no current could be compared."""
    worst_rms_a: float | None = None
    """RMS in that window."""


def assess_fuse(
    fuse: FuseSpec,
    exposure: Exposure | None,
    error: CurrentError | None = None,
    corner_hz: float | None = None,
    through: Translated | None = None,
    doubts: Doubts = NO_DOUBTS,
    *,
    unseen: Unseen = ALL_SEEN,
    driven_s: float = math.inf,
    description_fits: bool = True,
) -> FuseResult:
    """Compare the current that one fuse carried with its published limits.

    `exposure` is the current of the fuse's sensor, None when it was not measured or is refused; `error` is what is
    declared about that sensor and `corner_hz` the corner of the filter before the converter. `through` is what the
    fuse's own lead carried where the sensor sits in the other one; `unseen` says what bounds that which was not
    measured. `doubts` are those of the run. A machine file whose battery does not fit
    the measured voltage (`description_fits` False) may name the wrong fuse too: a danger stands, no comfort does.

    `driven_s` is how long the machine was driven.

    Whatever the data or the machine file cannot support is refused with the reason; nothing raises.
    """
    error, channel = error or CurrentError(), f"{fuse.lead}_current_a"
    usable = usable_rating(fuse)
    rating_a, table, derated_a = usable.rating_a, usable.table, usable.derated_a
    at = fuse.sensor
    through = through if exposure is not None and at.code == "differs" else None
    missing, findings = _missing(fuse, exposure, through, doubts.against((channel, "margin")))
    unlimited = None
    if missing is None:
        unlimited, more = missing_limits(fuse, usable)
        findings += more
    reason = missing or unlimited
    if exposure is None or missing is not None or rating_a is None:
        assert reason is not None
        above = refuse("s", reason)
    else:
        above = above_rating(exposure, through, rating_a, error)
    above = doubts.hold(above, (channel, "peak"))
    if exposure is None or rating_a is None or table is None or derated_a is None or reason is not None:
        assert reason is not None
        margin = doubts.hold(refuse("", reason), (channel, "margin"))
        fraction = doubts.hold(refuse("", reason), (channel, "peak"))
        return FuseResult(
            rating_a,
            derated_a,
            fuse.family,
            margin,
            margin,
            None,
            None,
            above,
            fraction,
            "unknown",
            _no_comparison(margin),
            tuple(findings),
        )
    carried = exposure if through is None else through.likely
    standing = _standing(table, rating_a)
    findings += _unverified(fuse, table, standing)
    between, more = unseen_for(table, fuse.place, carried, corner_hz, unseen)
    if through is None:
        margins = measured_margins(exposure, table, derated_a, error, between, driven_s)
    else:
        margins = translated_margins(through, table, derated_a, error, between, driven_s)
    findings += more
    if usable.share is not None and usable.share.at_most:
        margins = margins.at_most(_borrowed(fuse, usable))
    margins = margins.held(doubts, channel)
    source: Source = "measured" if through is None else "estimated" if through.lower and through.upper else "bounded"
    withdrawn = not description_fits and margins.verdict in ("near", "below")
    verdict: Verdict = "unknown" if withdrawn else margins.verdict
    if doubts.against((channel, "margin")) is not None:
        rule = _no_comparison(margins.margin)
    else:
        rule = _rule(table, derated_a, standing, through)
        findings += [
            *_open_between_samples(fuse, margins),
            *_explain(fuse, carried, derated_a, margins, source, withdrawn=withdrawn),
        ]
    if withdrawn:
        rule = (*rule, Reason("verdict_withdrawn"))
    if not description_fits and not margins.margin.is_refused:
        findings.append(Reason("fuse_description_doubted", "caution", place=fuse.place))
    closest = margins.closest
    return FuseResult(
        rating_a,
        derated_a,
        fuse.family,
        margins.margin,
        margins.margin_latest,
        closest.window.window_s if closest else None,
        closest.at_s if closest else None,
        above,
        margins.fraction,
        verdict,
        rule,
        tuple(findings),
        source,
        closest.window.rms_a if closest else None,
    )


def _no_comparison(margin: Estimate) -> tuple[Reason, ...]:
    return (Reason("no_comparison", why=margin.reasons),)


def _rule(
    table: FuseTable, derated_a: float, standing: tuple[Reason, ...], through: Translated | None
) -> tuple[Reason, ...]:
    """Which limits, and how read."""
    limits = Reason("limits_of_fuse", table=table.title, standing=standing, derated_a=derated_a)
    estimated = () if through is None else (Reason("current_translated", how=through.how),)
    return (*estimated, limits)


def _missing(
    fuse: FuseSpec, exposure: Exposure | None, through: Translated | None, doubted: Reason | None
) -> tuple[Reason | None, list[Reason]]:
    """(why nothing is known of this fuse's current, None where something is; findings about it).

    A current that was measured but is refused by a doubt has a finding of its own.
    """
    if exposure is None and doubted is not None:
        return doubted, []
    if exposure is None:
        missing = Reason("fuse_current_missing", "caution", place=fuse.place)
        return missing, [missing]
    at = fuse.sensor
    given: dict[str, Fact] = {"place": fuse.place, "position": at.position, "sensed": at.sensed, "missing": at.missing}
    if at.sees:
        return None, [Reason("fuse_place_assumed", **given)] if at.code == "assumed" else []
    if at.code == "unknown":
        unknown = Reason("fuse_place_unknown", "caution", **given)
        return unknown, [unknown]
    differs = Reason("fuse_place_differs", "caution", **given, how=() if through is None else through.how)
    return differs if through is None else None, [differs]


def missing_limits(fuse: FuseSpec, usable: UsableRating) -> tuple[Reason | None, list[Reason]]:
    """(why the fuse has no derated rating, None where it has; findings on what is missing or assumed for it).

    From the machine file alone.
    """
    place, family = fuse.place, fuse.family
    if usable.code == "rating_missing":
        why = Reason("fuse_rating_missing", "caution", place=place, rating_a=fuse.rating_a)
        return why, [why]
    if usable.code in ("family_missing", "family_unknown"):
        why = Reason("fuse_family_unknown", "caution", place=place, family=family, known=tuple(FAMILIES))
        return why, [why]
    if usable.table is None:
        columns = FAMILIES[family].tables if family else ()
        spans = tuple((column.least_rating_a, column.greatest_rating_a) for column in columns)
        why = Reason(
            "fuse_rating_unknown", "caution", place=place, family=family, rating_a=usable.rating_a, limits_for_a=spans
        )
        return why, [why]
    findings = [Reason("fuse_ambient_assumed", place=place, air_c=fuse.air_c)] if fuse.ambient_assumed else []
    if usable.share is not None and usable.share.borrowed:
        findings.append(_borrowed(fuse, usable))
    if usable.code == "ambient_beyond":
        last_c = usable.table.derating[-1].ambient_c if usable.table.derating else last_known_c()
        why = Reason("fuse_ambient_beyond", "caution", place=place, air_c=fuse.air_c, last_c=last_c)
        return why, [*findings, why]
    return None, findings


def _borrowed(fuse: FuseSpec, usable: UsableRating) -> Reason:
    """No derating table is held for this family: the steepest known slope was taken."""
    return Reason(
        "fuse_derating_missing",
        "caution",
        place=fuse.place,
        rating_a=usable.rating_a,
        derated_a=usable.derated_a,
        air_c=fuse.air_c,
        slope_per_k=steepest_slope_per_k(),
    )


def _standing(table: FuseTable, rating_a: float) -> tuple[Reason, ...]:
    """How far the limits can be trusted."""
    recalled = tuple(row.percent for row in table.limits() if row.mark == "from memory")
    standing = [] if len(recalled) == len(table.limits()) else [Reason("second_hand")]
    if FAMILIES[table.family].standing(rating_a) == "not_made":
        standing.append(Reason("rating_in_no_list", rating_a=rating_a))
    if table.transcribed_for_a and rating_a not in table.transcribed_for_a:
        standing.append(Reason("transcribed_for_other", parts_a=table.transcribed_for_a, rating_a=rating_a))
    if recalled:
        standing.append(Reason("rows_from_memory", rows_percent=recalled))
    return tuple(standing)


def _unverified(fuse: FuseSpec, table: FuseTable, standing: tuple[Reason, ...]) -> list[Reason]:
    """A finding where more is open than that the limits are second-hand, as all of them are."""
    doubts = tuple(each for each in standing if each.code != "second_hand")
    if not doubts:
        return []
    return [Reason("fuse_limit_unverified", "caution", place=fuse.place, table=table.title, standing=doubts)]


def unseen_for(
    table: FuseTable, place: str, exposure: Exposure, corner_hz: float | None, unseen: Unseen
) -> tuple[Unseen, list[Reason]]:
    """(the same with why larger currents than those seen may have flowed, for a fuse of this table; findings)."""
    shortest_s = _shortest_s(table)
    interval_s = exposure.coarse_s
    needed_hz = 1 / (2 * math.pi * shortest_s)
    unresolved, findings = [], []
    if WINDOW_INTERVALS * interval_s > shortest_s * (1 + TIE):
        unresolved.append(
            Reason("fuse_sampling_slow", "caution", place=place, interval_s=interval_s, shortest_s=shortest_s)
        )
    if corner_hz is None:
        findings.append(Reason("fuse_filter_undeclared", place=place, needed_hz=needed_hz))
    elif corner_hz < needed_hz and not exposure.interval_rms:
        unresolved.append(Reason("fuse_filter_slow", "caution", place=place, corner_hz=corner_hz, needed_hz=needed_hz))
    return replace(unseen, unresolved=tuple(unresolved), corner_hz=corner_hz), [*unresolved, *findings]


def _open_between_samples(fuse: FuseSpec, margins: Margins) -> list[Reason]:
    """A finding where only what may have flowed between samples leaves the verdict open: what would decide it."""
    why = () if margins.promise is None else margins.promise.why
    for each in why if margins.verdict == "unknown" else ():
        if each.code in BETWEEN_SAMPLES:
            facts = dict(each.facts)
            return [
                Reason(
                    "fuse_between_samples",
                    "caution",
                    place=fuse.place,
                    lead=fuse.lead,
                    how=facts["how"],
                    most_a=facts.get("most_a"),
                    enough_a=facts.get("enough_a"),
                )
            ]
    return []


def _shortest_s(table: FuseTable) -> float:
    return min(row.shortest_s for row in table.limits() if row.shortest_s is not None)


def _explain(
    fuse: FuseSpec, exposure: Exposure, derated_a: float, margins: Margins, source: Source, *, withdrawn: bool
) -> list[Reason]:
    """Findings about the comparison itself."""
    closest, verdict, place = margins.closest, margins.verdict, fuse.place
    if closest is None:
        return [Reason("fuse_no_current", place=place, why=margins.margin.reasons)]
    promise, margin = margins.promise, margins.margin
    compared: dict[str, Fact] = {
        "place": place,
        "current_from": source,
        "rms_a": closest.window.rms_a,
        "window_s": closest.window.window_s,
        "at_s": closest.at_s,
        "margin": margin.value,
        "promised": None if promise is None else promise.measured,
        "margin_latest": margins.margin_latest.value,
        "continuous_fraction": margins.fraction.value,
        "bridged": margins.bridged,
    }
    findings = []
    if verdict in FINDING_OF and not withdrawn:
        findings.append(Reason(*FINDING_OF[verdict], **compared))
    hidden = promise is not None and any(reason.code in GAPS_HIDE for reason in promise.why)
    open_by_gaps = verdict == "unknown" and margin.bound == "estimate" and exposure.missing_s > 0
    if source != "measured" and verdict == "unknown" and not margin.is_refused:
        findings.append(Reason("fuse_estimate_open", "caution", **compared))
    elif hidden or open_by_gaps:
        filled, gap_s = margins.filled_fraction, exposure.missing_s
        findings.append(Reason("fuse_gap", "caution", place=place, gap_s=gap_s, low=margin.low, filled_fraction=filled))
    if promise is not None and promise.before_a > LOADED_SHARE * derated_a:
        before_a = promise.before_a
        findings.append(Reason("fuse_started_loaded", place=place, before_a=before_a, derated_a=derated_a))
    return findings
