"""Numbers as people read them: value, interval, unit; times of a run."""

from __future__ import annotations

import math
from dataclasses import replace

from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.number_format import interval, number, value_alone
from amptally.analysis.wording.results import refusal

__all__ = ["bare", "beyond", "carried", "full", "interval_line", "lasting", "moment", "number", "short"]

_SECONDS_UNTIL = 600.0
"""Shorter times are shown in seconds, with their decimals."""


def moment(seconds: float) -> str:
    """A time in the run, or a length of time: 12.3 s, 3:12, 2 h 05 min."""
    if seconds < 59.95:
        return f"{number(seconds, 1)} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60}:{whole % 60:02d}"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def lasting(result: Estimate) -> str:
    """A length of time with its interval, in minutes and hours: 1 h 08 min (50 min to 1 h 49 min)."""
    if result.value is None or result.value < _SECONDS_UNTIL:
        return full(result)
    value, low, high = (None if side is None else _minutes(side) for side in (result.value, result.low, result.high))
    if low is not None and high is not None:
        return f"{value} ({low} to {high})"
    return f"at least {low}" if low is not None else f"at most {high}" if high is not None else f"{value}"


def _minutes(seconds: float) -> str:
    whole = round(seconds / 60)
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d} min"


def carried(margin: float) -> str:
    """A margin, rounded down: two decimals under 2, else one."""
    decimals = 2 if margin < 2 else 1
    return number(math.floor(margin * 10**decimals + 1e-9) / 10**decimals, decimals)


def beyond(margin: float) -> str:
    """How many times the limit a load of a margin below 1 was, rounded up."""
    return number(math.ceil(100 / margin - 1e-9) / 100, 2)


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
