"""Which ratings of a fuse's own body meet what this run asked of it and what the lead behind it carries.

docs/methods.md, Fuse advice. A rating is named for what it meets in this run, never as a recommendation to fit it:
local codes and the judgement of a licensed person come first.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.protection.fuse_curve import NEAR_MARGIN
from amptally.analysis.protection.fuse_eligibility import FuseSpec, usable_rating
from amptally.analysis.protection.fuse_margin import CONTINUOUS_FRACTION, continuous_rating_a
from amptally.analysis.protection.wire import Part, ampacity
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.logger.machine.fields import Wire
from amptally.tables.fuse_above_wire import fuse_against_wire
from amptally.tables.fuse_families import FAMILIES, fuse_table
from amptally.tables.fuse_opening_times import FuseTable
from amptally.tables.wire_short_time import LONGEST_S, adiabatic_current_a, short_time_k

BY_THE_RUN = frozenset({"fails_continuous", "fails_exposure"})
"""Codes of what a rating fails by the current of the run, not by the parts of the lead."""
DOUBTED = frozenset({"doubted", "widened_for_doubt"})
"""Codes on a value that rests on doubted data."""


@dataclass(frozen=True, slots=True)
class LeadLimits:
    """What must not carry more than the fuse lets through, in one lead."""

    wire: Wire | None
    """None where the machine file names no wire here."""
    caps: tuple[tuple[Part, float], ...]
    """(part, largest fuse rating it allows [A]) of every other part that the machine file rates."""


@dataclass(frozen=True, slots=True)
class Needs:
    """What a fuse of one column of opening times must carry in this run, at the cautious ends of its intervals."""

    margin_per_a: float
    """Low end of the margin for each ampere of derated rating [1/A]."""
    load_a: float
    """High end of the continuous load."""


@dataclass(frozen=True, slots=True)
class FuseAdvice:
    """Other ratings of the same body."""

    next_up_a: float | None
    """Smallest rating above the fitted one that meets everything; None where none does."""
    next_down_a: float | None
    """Largest rating below it that does."""
    fits_a: tuple[float, ...]
    """Every rating that does, the fitted one among them if it does."""
    why: tuple[Reason, ...]
    """What was asked for, and what the fitted rating and those beside it fail; or why no rating can be judged."""
    fails: tuple[Reason, ...] = ()
    """What the fitted rating itself fails."""
    given: bool = True
    """False where no rating can be judged at all; `why` says why."""


def none_given(*why: Reason, span: Reason | None = None) -> FuseAdvice:
    """No rating can be judged, and the reasons; `span` is what can be said all the same."""
    refused = Reason("no_rating_named", why=why)
    return FuseAdvice(None, None, (), (refused,) if span is None else (refused, span), given=False)


def doubted_advice(result: FuseResult) -> FuseAdvice | None:
    """No advice, where the current of the fuse is doubted; None where it is not."""
    reasons = (*result.margin.reasons, *result.continuous_fraction.reasons)
    doubt = next((reason for reason in reasons if reason.code in DOUBTED), None)
    return None if doubt is None else none_given(doubt)


def advise(
    spec: FuseSpec,
    result: FuseResult,
    limits: LeadLimits,
    margin_of: Callable[[FuseTable, float], tuple[Estimate, Estimate]],
) -> FuseAdvice:
    """Ratings of the family that meet continuous practice, exposure and the lead's limits at once.

    `margin_of` gives margin and continuous fraction for another column of the family at a derated rating [A]; within
    the fitted fuse's own column both simply scale with the rating.
    """
    margin, fraction = result.margin, result.continuous_fraction
    if result.rating_a is None or result.derated_a is None or result.family is None or margin.value is None:
        return none_given(*margin.reasons)
    if result.verdict == "past":
        return none_given(Reason("fuse_should_have_opened"))
    if margin.low is None or fraction.high is None:
        open_side = margin if margin.low is None else fraction
        return none_given(Reason("current_unbounded_above", why=open_side.reasons))
    made = FAMILIES[result.family].ratings
    if not made.all_a:
        unlisted = Reason("ratings_not_listed", family=result.family)
        return none_given(unlisted, span=_span(spec, result, limits))
    needs = {id(table): found for table, found in _needs(result, margin_of)}
    failing = {rating: _failures(rating, spec, result, limits, needs) for rating in made.all_a}
    fitted = _failures(result.rating_a, spec, result, limits, needs)
    fits = tuple(rating for rating in made.all_a if not failing[rating])
    up = min((rating for rating in fits if rating > result.rating_a), default=None)
    down = max((rating for rating in fits if rating < result.rating_a), default=None)
    above = min((rating for rating in made.all_a if rating > result.rating_a), default=None)
    below = max((rating for rating in made.all_a if rating < result.rating_a), default=None)
    why = [_asked(limits), Reason("rating_judged", rating_a=result.rating_a, fitted=True, fails=fitted)]
    why += [
        Reason("rating_judged", rating_a=each, fitted=False, fails=failing[each])
        for each in (above, below)
        if each is not None
    ]
    recalled = tuple(rating for rating in fits if rating in made.remembered_a)
    if recalled:
        why.append(Reason("ratings_from_memory", ratings_a=recalled))
    if any(reason.code == "whole_run_rms" for reason in fraction.reasons):
        why.append(Reason("load_of_a_short_run"))
    if result.current_from != "measured":
        why.append(Reason("current_not_measured_here", current_from=result.current_from))
    return FuseAdvice(up, down, fits, tuple(why), fitted)


def _asked(limits: LeadLimits) -> Reason:
    return Reason(
        "asked_of_a_rating",
        continuous_share=CONTINUOUS_FRACTION,
        margin=NEAR_MARGIN,
        wire_described=limits.wire is not None,
        caps=limits.caps,
    )


def _needs(
    result: FuseResult, margin_of: Callable[[FuseTable, float], tuple[Estimate, Estimate]]
) -> list[tuple[FuseTable, Needs]]:
    """The needs by column; those of the fitted fuse's column from the result at hand."""
    assert result.family is not None
    assert result.rating_a is not None
    assert result.derated_a is not None
    own = fuse_table(result.family, result.rating_a)
    found: list[tuple[FuseTable, Needs]] = []
    for rating in FAMILIES[result.family].ratings.all_a:
        table = fuse_table(result.family, rating)
        if table is None or any(table is known for known, _ in found):
            continue
        margin, fraction = result.margin, result.continuous_fraction
        if table is not own:
            margin, fraction = margin_of(table, result.derated_a)
        low = 0.0 if margin.low is None else margin.low / result.derated_a
        high = math.inf if fraction.high is None else fraction.high * result.derated_a
        found.append((table, Needs(low, high)))
    return found


def _failures(
    rating_a: float, spec: FuseSpec, result: FuseResult, limits: LeadLimits, needs: dict[int, Needs]
) -> tuple[Reason, ...]:
    """What a rating fails; empty where it meets everything."""
    usable = usable_rating(replace(spec, rating_a=rating_a))
    table, derated_a = usable.table, usable.derated_a
    if table is None or derated_a is None or result.rating_a is None:
        return (Reason("fails_no_limits"),)
    need = needs[id(table)]
    failed = []
    if continuous_rating_a(need.load_a, derated_a / rating_a) > rating_a:
        failed.append(Reason("fails_continuous", load_a=need.load_a, derated_a=derated_a))
    if need.margin_per_a * derated_a < NEAR_MARGIN:
        failed.append(Reason("fails_exposure", margin=need.margin_per_a * derated_a))
    failed += _wire_failures(rating_a, derated_a, table, spec, result, limits)
    failed += [Reason("fails_part", part=part, cap_a=cap_a) for part, cap_a in limits.caps if rating_a > cap_a]
    return tuple(failed)


def _wire_failures(
    rating_a: float, derated_a: float, table: FuseTable, spec: FuseSpec, result: FuseResult, limits: LeadLimits
) -> list[Reason]:
    """What the wire cannot take of a fuse of this rating."""
    wire = limits.wire
    # A smaller fuse than the fitted one asks no more of a wire, whatever that is.
    beyond = result.rating_a is not None and rating_a > result.rating_a
    unknown = [Reason("fails_wire_unknown")] if beyond else []
    if wire is None:
        return unknown
    limit = ampacity(wire, spec.ambient_c)
    above = fuse_against_wire(rating_a, limit).verdict == "above"
    if limit.value_a is None:
        return [Reason("fails_wire", ampacity_a=limit.most_a, at_most=True)] if above else unknown
    failed = [Reason("fails_wire", ampacity_a=limit.value_a, at_most=False)] if above else []
    assert wire.insulation_c is not None
    assert wire.size is not None
    short = short_time_k(wire.insulation_c)
    if short is None:
        return [*failed, Reason("fails_wire_no_short_time")] if beyond else failed
    for row in table.limits():
        if row.longest_s is not None and row.longest_s <= LONGEST_S:
            through_a = row.percent / 100 * derated_a
            carries_a = adiabatic_current_a(short.k, wire.size.area_mm2, row.longest_s)
            if through_a > carries_a:
                failed.append(
                    Reason("fails_wire_opening", through_a=through_a, opening_s=row.longest_s, carries_a=carries_a)
                )
                break
    return failed


def _span(spec: FuseSpec, result: FuseResult, limits: LeadLimits) -> Reason:
    """Smallest rating that meets load and exposure, largest that the lead allows: for bodies without listed ratings."""
    assert result.derated_a is not None
    assert result.rating_a is not None
    assert result.margin.low is not None
    assert result.continuous_fraction.high is not None
    share = result.derated_a / result.rating_a
    derated_a = result.derated_a * max(
        NEAR_MARGIN / max(result.margin.low, 1e-9), result.continuous_fraction.high / CONTINUOUS_FRACTION
    )
    caps: list[tuple[Part, float]] = list(limits.caps)
    carries_a = None if limits.wire is None else ampacity(limits.wire, spec.ambient_c).value_a
    if carries_a is not None:
        caps.append(("wire", carries_a))
    part, cap_a = min(caps, key=lambda item: item[1], default=(None, None))
    return Reason("rating_span", from_a=derated_a / share, part=part, to_a=cap_a)


def advice_finding(place: str, result: FuseResult, advice: FuseAdvice) -> Reason | None:
    """The advice on the fuse at `place` as a finding; None where nothing could be compared."""
    if result.margin.value is None or result.rating_a is None:
        return None
    grave = any(failure.code in BY_THE_RUN for failure in advice.fails)
    return Reason(
        "fuse_rating_advice",
        "caution" if grave else "note",
        place=place,
        rating_a=result.rating_a,
        given=advice.given,
        meets=not advice.fails,
        next_up_a=advice.next_up_a,
        next_down_a=advice.next_down_a,
        why=advice.why,
    )
