"""Numbers as people read them: value, interval, unit; times of a run."""

from __future__ import annotations

from dataclasses import replace

from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.number_format import interval, number, value_alone
from amptally.analysis.wording.results import refusal

__all__ = ["bare", "full", "interval_line", "moment", "number", "short"]


def moment(seconds: float) -> str:
    """A time in the run: 12.3 s, 3 min 12 s, 2 h 05 min."""
    if seconds < 59.95:
        return f"{number(seconds, 1)} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def bare(result: Estimate) -> str:
    """Value and unit without a mark, for sentences that say themselves which side is open."""
    return short(replace(result, bound="estimate"))


def short(result: Estimate) -> str:
    """Value and unit alone, marked where it is one-sided; a dash where refused."""
    if result.value is None:
        return "–"
    return {"estimate": "", "at_least": "≥ ", "at_most": "≤ "}[result.bound] + value_alone(result)


def full(result: Estimate) -> str:
    """Value with its 95 % interval, or what is known of it, or why there is none."""
    return f"not given: {refusal(result)}" if result.value is None else str(result)


def interval_line(result: Estimate) -> str:
    """What is known of a value's interval, on a line of its own, by the estimate's own numbers and terms."""
    side = {"estimate": "", "at_least": "lower bound", "at_most": "upper bound"}[result.bound]
    undeclared = any(term.u is None for term in result.terms)
    has_width = any(end is not None and end != result.value for end in (result.low, result.high))
    shown = interval(result)
    if shown:
        width, side = f"95 %: {shown}", ""  # "from" and "to" say which side is open
    elif undeclared:
        width = ""  # a sensor of unknown error has no narrow interval
    else:
        width = "95 %: narrower than the digits shown" if has_width else "no interval is known"
    return "; ".join(filter(None, (side, width, "sensor error not declared" if undeclared else "")))
