"""Which ratings of a fuse's own body meet what this run asked of it and what the lead behind it carries.

docs/methods.md, Ratings that suit. A rating is named for what it meets in this run, never as a recommendation to fit
it: local codes and the judgement of a licensed person come first.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from amptally.analysis.protection.coordination import Behind, coordinate
from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.protection.fuse_curve import NEAR_MARGIN
from amptally.analysis.protection.fuse_eligibility import FuseSpec, usable_rating
from amptally.analysis.protection.fuse_margin import CONTINUOUS_FRACTION, continuous_rating_a
from amptally.analysis.protection.stall import Stall, stall_margin
from amptally.analysis.protection.wire import Part, ampacity
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.reason import Reason
from amptally.tables.fuse_above_wire import fuse_against_wire
from amptally.tables.fuse_families import FAMILIES, fuse_table
from amptally.tables.fuse_opening_times import FuseTable

BY_THE_RUN = frozenset({"fails_continuous", "fails_exposure", "fails_stall"})
"""Codes of what a rating fails by the current of the run or a declared stall, not by the parts of the lead."""
DOUBTED = frozenset({"doubted", "widened_for_doubt"})
"""Codes on a value that rests on doubted data."""


@dataclass(frozen=True, slots=True)
class LeadLimits:
    """What must not carry more than the fuse lets through, in one lead."""

    place: str
    behind: tuple[Behind, ...]
    """The wires that depend on the fuse, its own first."""
    caps: tuple[tuple[Part, float], ...]
    """(part, largest fuse rating it allows [A]) of every other part that the machine file rates."""
    breaking: Reason | None = None
    """The finding that a short circuit passes what the body interrupts, whatever its rating."""
    stall: Stall | None = None
    """What the motors draw when held; None where it is not declared."""


@dataclass(frozen=True, slots=True)
class Needs:
    """What a fuse of one column of opening times must carry in this run, at the cautious ends of its intervals."""

    margin: Estimate
    derated_a: float
    """The derated rating that `margin` is for."""
    load_a: float
    """High end of the continuous load."""

    def margin_at(self, derated_a: float) -> Estimate:
        """The margin of another derated rating of the same column: it grows in proportion."""
        share = derated_a / self.derated_a

        def scaled(value: float | None) -> float | None:
            return None if value is None else value * share

        margin = self.margin
        return replace(margin, value=scaled(margin.value), low=scaled(margin.low), high=scaled(margin.high), terms=())


@dataclass(frozen=True, slots=True)
class Candidate:
    """One rating of the body, judged as if it were fitted."""

    rating_a: float
    margin: Estimate
    """Against the run."""
    fails: tuple[Reason, ...]
    """What it does not meet; empty where it suits."""
    notes: tuple[Reason, ...] = ()
    """What is to be known all the same."""

    @property
    def suits(self) -> bool:
        """It meets everything that was asked for."""
        return not self.fails


@dataclass(frozen=True, slots=True)
class FuseAdvice:
    """Which ratings of the body suit."""

    rating_a: float | None
    """The fitted one; None where no rating can be judged at all."""
    why: tuple[Reason, ...]
    """What was asked for, and what bears on all of it; or why no rating can be judged."""
    each: tuple[Candidate, ...] = ()
    """Every rating that the body is made in, and the fitted one, rising."""

    @property
    def given(self) -> bool:
        """False where no rating can be judged at all; `why` says why."""
        return self.rating_a is not None

    @property
    def fits_a(self) -> tuple[float, ...]:
        """Every rating that meets everything, the fitted one among them if it does."""
        return tuple(each.rating_a for each in self.each if each.suits)

    @property
    def next_up_a(self) -> float | None:
        """Smallest of them above the fitted one; None where none is."""
        fitted_a = self.rating_a or math.inf
        return min((rating for rating in self.fits_a if rating > fitted_a), default=None)

    @property
    def next_down_a(self) -> float | None:
        """Largest of them below it."""
        fitted_a = self.rating_a or 0.0
        return max((rating for rating in self.fits_a if rating < fitted_a), default=None)

    @property
    def fails(self) -> tuple[Reason, ...]:
        """What the fitted rating itself fails."""
        return next((each.fails for each in self.each if each.rating_a == self.rating_a), ())


def none_given(*why: Reason, span: Reason | None = None) -> FuseAdvice:
    """No rating can be judged, and the reasons; `span` is what can be said all the same."""
    refused = Reason("no_rating_named", why=why)
    return FuseAdvice(None, (refused,) if span is None else (refused, span))


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
        return none_given(unlisted, span=_span(result, limits))
    needs = {id(table): found for table, found in _needs(result, margin_of)}
    ratings = sorted({*made.all_a, result.rating_a})
    each = tuple(_candidate(rating, spec, result, limits, needs) for rating in ratings)
    why = [_asked(limits)]
    recalled = tuple(one.rating_a for one in each if one.suits and one.rating_a in made.remembered_a)
    if recalled:
        why.append(Reason("ratings_from_memory", ratings_a=recalled))
    if any(reason.code in ("whole_run_rms", "driven_part_rms") for reason in fraction.reasons):
        why.append(Reason("load_of_a_short_run"))
    if result.current_from != "measured":
        why.append(Reason("current_not_measured_here", current_from=result.current_from))
    return FuseAdvice(result.rating_a, tuple(why), each)


def same_on_both(left: FuseAdvice, right: FuseAdvice) -> tuple[FuseAdvice, FuseAdvice]:
    """Both sides with the same rating: what one of them fails, the other does not take either.

    A side that cannot be judged stops no rating of the other.
    """

    def held(own: FuseAdvice, other: FuseAdvice, place: str) -> FuseAdvice:
        against = {each.rating_a: each.fails for each in other.each}
        each = tuple(
            replace(one, fails=(Reason("fails_other_side", place=place, fails=against[one.rating_a]),))
            if one.suits and against.get(one.rating_a)
            else one
            for one in own.each
        )
        return replace(own, each=each)

    return held(left, right, "right"), held(right, left, "left")


def _asked(limits: LeadLimits) -> Reason:
    return Reason(
        "asked_of_a_rating",
        continuous_share=CONTINUOUS_FRACTION,
        margin=NEAR_MARGIN,
        wire_described=bool(limits.behind),
        caps=limits.caps,
        stall_a=None if limits.stall is None else limits.stall.current_a,
        stall_s=None if limits.stall is None else limits.stall.seconds,
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
    for rating in (*FAMILIES[result.family].ratings.all_a, result.rating_a):
        table = fuse_table(result.family, rating)
        if table is None or any(table is known for known, _ in found):
            continue
        margin, fraction = result.margin, result.continuous_fraction
        if table is not own:
            margin, fraction = margin_of(table, result.derated_a)
        high = math.inf if fraction.high is None else fraction.high * result.derated_a
        found.append((table, Needs(margin, result.derated_a, high)))
    return found


def _candidate(
    rating_a: float, spec: FuseSpec, result: FuseResult, limits: LeadLimits, needs: dict[int, Needs]
) -> Candidate:
    """One rating judged as if it were fitted."""
    usable = usable_rating(replace(spec, rating_a=rating_a))
    table, derated_a = usable.table, usable.derated_a
    if table is None or derated_a is None:
        return Candidate(rating_a, refuse("", Reason("fails_no_limits")), (Reason("fails_no_limits"),))
    need = needs[id(table)]
    margin = need.margin_at(derated_a)
    failed = []
    if continuous_rating_a(need.load_a, derated_a / rating_a) > rating_a:
        failed.append(Reason("fails_continuous", load_a=need.load_a, derated_a=derated_a))
    if margin.low is None or margin.low < NEAR_MARGIN:
        failed.append(Reason("fails_exposure", margin=margin.low))
    if limits.stall is not None:
        at_stall = stall_margin(table, derated_a, limits.stall, need.load_a)
        if at_stall is not None and at_stall < NEAR_MARGIN:
            failed.append(
                Reason("fails_stall", stall_a=limits.stall.current_a, stall_s=limits.stall.seconds, margin=at_stall)
            )
    wire_fails, notes = _wire_failures(rating_a, table.family, result, limits)
    failed += wire_fails
    failed += [Reason("fails_part", part=part, cap_a=cap_a) for part, cap_a in limits.caps if rating_a > cap_a]
    if limits.breaking is not None:
        failed.append(Reason("fails_breaking", capacity_a=limits.breaking["capacity_a"]))
    return Candidate(rating_a, margin, tuple(failed), notes)


def _wire_failures(
    rating_a: float, family: str, result: FuseResult, limits: LeadLimits
) -> tuple[list[Reason], tuple[Reason, ...]]:
    """What the wires cannot take of a fuse of this rating, and what only the rule for small overloads lets them."""
    # A smaller fuse than the fitted one asks no more of a wire, whatever that is.
    beyond = result.rating_a is not None and rating_a > result.rating_a
    unknown = [Reason("fails_wire_unknown")] if beyond else []
    failed: list[Reason] = []
    for behind in limits.behind:
        limit = ampacity(behind.wire, behind.air_c)
        if fuse_against_wire(rating_a, limit).verdict == "above":
            known = limit.value_a is not None
            failed.append(Reason("fails_wire", ampacity_a=limit.most_a, at_most=not known, place=behind.place))
    together = coordinate(limits.place, family, rating_a, limits.behind)
    if not together.curve:
        return failed or unknown, ()
    (why,) = together.why
    if together.holds is False:
        facts = {name: why[name] for name in ("weakest_s", "fuse_most_a", "wire_least_a", "copper_c", "limit_c")}
        failed.append(Reason("fails_coordination", **facts))
    elif why.code == "wire_protected_by_overload_rule":
        return failed, (Reason("by_overload_rule_only", copper_c=why["copper_c"], limit_c=why["limit_c"]),)
    return failed, ()


def _span(result: FuseResult, limits: LeadLimits) -> Reason:
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
    carried = (ampacity(behind.wire, behind.air_c).value_a for behind in limits.behind)
    caps += [("wire", carries_a) for carries_a in carried if carries_a is not None]
    part, cap_a = min(caps, key=lambda item: item[1], default=(None, None))
    return Reason("rating_span", from_a=derated_a / share, part=part, to_a=cap_a)


def judged(advice: FuseAdvice) -> tuple[Reason, ...]:
    """The fitted rating and those beside it, each with its margin and what speaks against it."""
    places = [place for place, each in enumerate(advice.each) if each.rating_a == advice.rating_a]
    if not places:
        return ()
    fitted, each = places[0], advice.each
    beside = [each[place] for place in (fitted, fitted + 1, fitted - 1) if 0 <= place < len(each)]
    return tuple(judgement(one, fitted=one.rating_a == advice.rating_a) for one in beside)


def judgement(candidate: Candidate, *, fitted: bool = False) -> Reason:
    """One rating with its margin and what speaks against it."""
    return Reason(
        "rating_judged",
        rating_a=candidate.rating_a,
        fitted=fitted,
        margin=candidate.margin.value,
        low=candidate.margin.low,
        fails=candidate.fails,
        notes=candidate.notes,
    )


def advice_finding(place: str, result: FuseResult, advice: FuseAdvice) -> Reason | None:
    """The advice on the fuse at `place` as a finding; None where nothing could be compared."""
    if result.margin.value is None or result.rating_a is None:
        return None
    by_the_run = {failure.code for failure in advice.fails} & BY_THE_RUN
    if result.verdict == "unknown" and by_the_run and "fails_stall" not in by_the_run:
        return None  # it is not decided whether the run was too much for it: the fuse's own line says why
    grave = bool(by_the_run)
    return Reason(
        "fuse_rating_advice",
        "caution" if grave else "note",
        place=place,
        rating_a=result.rating_a,
        given=advice.given,
        meets=not advice.fails,
        next_up_a=advice.next_up_a,
        next_down_a=advice.next_down_a,
        why=(*advice.why, *judged(advice)),
    )
