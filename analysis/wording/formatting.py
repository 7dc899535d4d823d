"""Numbers as people read them: value, interval, unit; times of a run."""

from __future__ import annotations

import math
from dataclasses import replace

from amptally.analysis.results.estimate import Estimate

_SCALED = {"ohm": (1e3, "mΩ"), "s": (1.0, "s"), "": (1.0, "")}


def moment(seconds: float) -> str:
    """A time in the run: 12.3 s, 3 min 12 s, 2 h 05 min."""
    if seconds < 59.95:
        return f"{number(seconds, 1)} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def digits(value: float, doubt: float) -> int:
    """Decimals worth showing: the doubt with two figures, never more than four figures of the value."""
    if value == 0 and doubt == 0:
        return 1
    by_doubt = 1 - math.floor(math.log10(doubt)) if doubt > 0 else 4
    by_value = 3 - math.floor(math.log10(abs(value))) if value else by_doubt
    return max(0, min(by_doubt, by_value, 4))


def number(value: float, decimals: int) -> str:
    """Fixed decimals, with a true minus and never minus zero."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = f"{0:.{decimals}f}"
    return text.replace("-", "−")


def bare(result: Estimate) -> str:
    """Value and unit without a mark, for sentences that say themselves which side is open."""
    return short(replace(result, bound="estimate"))


def short(result: Estimate) -> str:
    """Value and unit alone, marked where it is one-sided; a dash where refused."""
    if result.value is None:
        return "–"
    factor, unit = _SCALED.get(result.unit, (1.0, result.unit))
    value = result.value * factor
    sides = [abs(side * factor - value) for side in (result.low, result.high) if side is not None]
    mark = {"estimate": "", "at_least": "≥ ", "at_most": "≤ "}[result.bound]
    return f"{mark}{number(value, digits(value, max(sides, default=0.0)))} {unit}".strip()


def full(result: Estimate) -> str:
    """Value with its 95 % interval, or what is known of it, or why there is none."""
    if result.value is None:
        return f"not given: {result.refused}"
    factor, unit = _SCALED.get(result.unit, (1.0, result.unit))
    value = result.value * factor
    low = None if result.low is None else result.low * factor
    high = None if result.high is None else result.high * factor
    doubt = max(abs(side - value) for side in (low, high, value) if side is not None)
    decimals = digits(value, doubt)
    tail = f" {unit}" if unit else ""
    if low is not None and high is not None:
        if number(low, decimals) == number(high, decimals):
            return f"{number(value, decimals)}{tail}"
        return f"{number(value, decimals)}{tail} ({number(low, decimals)} to {number(high, decimals)})"
    shown = number(value, decimals)
    if low is not None:
        from_low = "" if number(low, decimals) == shown else f" (95 %: from {number(low, decimals)})"
        return f"at least {shown}{tail}{from_low}"
    if high is not None:
        to_high = "" if number(high, decimals) == shown else f" (95 %: to {number(high, decimals)})"
        return f"at most {shown}{tail}{to_high}"
    return f"{number(value, decimals)}{tail}"
