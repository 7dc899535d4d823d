"""Which ratings of a fuse's own body meet what this run asked of it and what the lead behind it carries.

docs/methods.md, Fuse advice. A rating is named for what it meets in this run, never as a recommendation to fit it:
local codes and the judgement of a licensed person come first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.protection.fuse_curve import NEAR_MARGIN
from amptally.analysis.protection.fuse_eligibility import FuseSpec, usable_rating
from amptally.analysis.protection.fuse_margin import CONTINUOUS_FRACTION, continuous_rating_a
from amptally.analysis.protection.wire import Conductor, ampacity
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.finding import Finding
from amptally.tables.fuse_above_wire import fuse_against_wire
from amptally.tables.fuse_families import FAMILIES, fuse_table
from amptally.tables.fuse_opening_times import FuseTable
from amptally.tables.wire_short_time import LONGEST_S, adiabatic_current_a, short_time_k

CODES = "Local codes and the judgement of a licensed person come before it."


@dataclass(frozen=True, slots=True)
class LeadLimits:
    """What must not carry more than the fuse lets through, in one lead."""

    conductor: Conductor | None
    """None where the machine file names no wire here."""
    caps: tuple[tuple[str, float], ...]
    """(what, greatest rating [A]) of every other part that the machine file rates."""


@dataclass(frozen=True, slots=True)
class Needs:
    """What a fuse of one table's column must carry in this run, taken at the cautious ends of its intervals."""

    margin_per_a: float
    """Low end of the margin for each ampere of derated rating."""
    load_a: float
    """High end of the continuous load."""


@dataclass(frozen=True, slots=True)
class FuseAdvice:
    """Other ratings of the same body."""

    next_up_a: float | None
    """Least rating above the fitted one that meets everything; None where none does."""
    next_down_a: float | None
    """Greatest rating below it that does."""
    fits_a: tuple[float, ...]
    """Every rating that does, the fitted one among them if it does."""
    why: str
    """What was asked for, and what the ratings beside the fitted one fail."""
    fails: tuple[str, ...] = ()
    """What the fitted rating itself fails."""
    given: bool = True
    """False where no rating can be judged at all; `why` says why."""

    def in_words(self) -> str:
        """For people: which ratings, then why; local codes last."""
        if not self.given:
            return self.why
        fits = ", ".join(f"{rating:g}" for rating in self.fits_a)
        meet = f"{fits} A meet all of this as measured in this run" if fits else "none meets all of this"
        return f"{meet}. {self.why} {CODES}"


def none_given(why: str) -> FuseAdvice:
    """No advice, and the reason."""
    return FuseAdvice(None, None, (), why, given=False)


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
    if result.rating_a is None or result.derated_a is None or result.family is None or result.margin.value is None:
        return none_given(f"No other rating is named: {result.margin.refused or 'the fitted one is not known'}.")
    if result.verdict == "past":
        return none_given(
            "No other rating is named: by its limits this fuse should have opened, so doubt the data first."
        )
    if result.margin.low is None or result.continuous_fraction.high is None:
        return none_given(
            "No other rating is named: how great the current was is not bounded from above "
            f"({result.margin.basis or 'margin at_most'})."
        )
    made = FAMILIES[result.family].ratings
    if not made.all_a:
        return none_given(
            f"No other rating is named: which ratings {result.family} is made in is not held, only its range. "
            + _span(spec, result, limits)
        )
    needs = {id(table): found for table, found in _needs(result, margin_of)}
    failing = {rating: _failures(rating, spec, result, limits, needs) for rating in made.all_a}
    fitted = _failures(result.rating_a, spec, result, limits, needs)
    fits = tuple(rating for rating in made.all_a if not failing[rating])
    up = min((rating for rating in fits if rating > result.rating_a), default=None)
    down = max((rating for rating in fits if rating < result.rating_a), default=None)
    above = min((rating for rating in made.all_a if rating > result.rating_a), default=None)
    below = max((rating for rating in made.all_a if rating < result.rating_a), default=None)
    told = [f"Asked for: {_asked(limits)}", f"{result.rating_a:g} A fitted: {_words(fitted)}"]
    told += [f"{each:g} A: {_words(failing[each])}" for each in (above, below) if each is not None]
    recalled = [f"{rating:g}" for rating in fits if rating in made.remembered_a]
    if recalled:
        told.append(f"that {', '.join(recalled)} A is made is from memory")
    if "shorter than 600 s" in result.continuous_fraction.basis:
        told.append("the run is shorter than 600 s, so that its own RMS stands for the continuous load")
    if result.current_from != "measured":
        told.append(f"the current is {result.current_from}, not measured")
    return FuseAdvice(up, down, fits, "; ".join(told) + ".", fitted)


def _asked(limits: LeadLimits) -> str:
    caps = ", ".join(f"{what} {cap:g} A" for what, cap in limits.caps)
    wire = "wire not described" if limits.conductor is None else "wire (ampacity, and 5 s heating while it opens)"
    return (
        f"continuous load at most {100 * CONTINUOUS_FRACTION:.0f} % of the derated rating, earliest opening with "
        f"margin {NEAR_MARGIN:g} or more at the low end, {wire}" + (f", not above {caps}" if caps else "")
    )


def _words(failures: Sequence[str]) -> str:
    return "fails " + ", ".join(failures) if failures else "meets all of it as measured in this run"


def _needs(
    result: FuseResult, margin_of: Callable[[FuseTable, float], tuple[Estimate, Estimate]]
) -> list[tuple[FuseTable, Needs]]:
    """The needs by column; the fitted one's own from the result at hand."""
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
) -> tuple[str, ...]:
    """What a rating fails, in a few words each; empty where it meets everything."""
    usable = usable_rating(replace(spec, rating_a=rating_a))
    table, derated_a = usable.table, usable.derated_a
    if table is None or derated_a is None or result.rating_a is None:
        return ("no limits are held for it",)
    need = needs[id(table)]
    failed = []
    if continuous_rating_a(need.load_a, derated_a / rating_a) > rating_a:
        failed.append(
            f"continuous practice ({need.load_a:.3g} A is {100 * need.load_a / derated_a:.0f} % of {derated_a:.3g} A)"
        )
    if need.margin_per_a * derated_a < NEAR_MARGIN:
        failed.append(f"exposure (margin from {need.margin_per_a * derated_a:.2f})")
    failed += _wire_failures(rating_a, derated_a, table, spec, result, limits)
    failed += [f"{what} ({cap:g} A)" for what, cap in limits.caps if rating_a > cap]
    return tuple(failed)


def _wire_failures(
    rating_a: float, derated_a: float, table: FuseTable, spec: FuseSpec, result: FuseResult, limits: LeadLimits
) -> list[str]:
    """What the wire cannot take of a fuse of this rating."""
    conductor = limits.conductor
    limit = None if conductor is None else ampacity(conductor, spec.ambient_c)
    # A smaller fuse than the fitted one asks no more of a wire, whatever that is.
    beyond = result.rating_a is not None and rating_a > result.rating_a
    above = limit is not None and fuse_against_wire(rating_a, limit).verdict == "above"
    if conductor is None or limit is None or limit.value_a is None:
        if above and limit is not None:
            return [f"wire (ampacity at most {limit.most_a:.3g} A)"]
        return ["wire (its ampacity is not known)"] if beyond else []
    failed = [f"wire (ampacity {limit.value_a:.3g} A)"] if above else []
    assert conductor.insulation_c is not None
    assert conductor.area_mm2 is not None
    short = short_time_k(conductor.insulation_c)
    if short is None:
        return [*failed, "wire (no short-time limit is known for its insulation)"] if beyond else failed
    for row in table.limits():
        if row.longest_s is not None and row.longest_s <= LONGEST_S:
            through_a = row.percent / 100 * derated_a
            carries_a = adiabatic_current_a(short.k, conductor.area_mm2, row.longest_s)
            if through_a > carries_a:
                failed.append(
                    f"wire ({through_a:.3g} A for {row.longest_s:g} s while it opens, carries {carries_a:.3g} A)"
                )
                break
    return failed


def _span(spec: FuseSpec, result: FuseResult, limits: LeadLimits) -> str:
    """Least rating that meets load and exposure, greatest that the lead allows: for bodies without listed ratings."""
    assert result.derated_a is not None
    assert result.rating_a is not None
    assert result.margin.low is not None
    assert result.continuous_fraction.high is not None
    share = result.derated_a / result.rating_a
    least = result.derated_a * max(
        NEAR_MARGIN / max(result.margin.low, 1e-9), result.continuous_fraction.high / CONTINUOUS_FRACTION
    )
    caps = list(limits.caps)
    wire = None if limits.conductor is None else ampacity(limits.conductor, spec.ambient_c).value_a
    if wire is not None:
        caps.append(("wire", wire))
    need = f"This run asks for {least / share:.3g} A or more"
    if not caps:
        return f"{need}; the machine file names no limit of the lead, so nothing above the fitted rating is considered."
    what, cap = min(caps, key=lambda item: item[1])
    gap = "" if least / share <= cap else ": no rating meets both"
    return f"{need}, the lead ({what}) for {cap:.3g} A or less{gap}."


def advice_finding(who: str, result: FuseResult, advice: FuseAdvice) -> Finding | None:
    """The advice as a finding; None where nothing could be compared."""
    if result.margin.value is None or result.rating_a is None:
        return None
    others = {"up": advice.next_up_a, "down": advice.next_down_a}
    named = [f"next {way} {amps:g} A" for way, amps in others.items() if amps is not None]
    fitted = f"{who}: {result.rating_a:g} A"
    if not advice.given:
        what = f"{who}: no other rating can be judged by this run."
    elif not advice.fails:
        also = f"; of the others of its body {' and '.join(named)} would too" if named else ""
        what = f"{fitted} meets continuous practice, exposure and the lead's limits as measured in this run{also}."
    elif named:
        what = f"{fitted} does not meet all limits as measured in this run; {' and '.join(named)} would."
    else:
        what = f"{fitted} does not meet all limits as measured in this run, and no other rating of its body would."
    measured = ("continuous", "exposure")
    grave = any(failure.startswith(measured) for failure in advice.fails)
    action = f"Lower the load or change the lead where nothing meets all of it. {CODES}"
    return Finding("caution" if grave else "note", "fuse_rating_advice", what, advice.why.rstrip("."), action)
