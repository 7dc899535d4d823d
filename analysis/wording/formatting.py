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
    mark = {"estimate": "", "at_least": "≥ ", "at_most": "≤ "}[result.bound]
    return f"{mark}{number(result.value * factor, _decimals(result))} {unit}".strip()


def interval(result: Estimate) -> str:
    """The 95 % interval alone: "40.0 to 44.0", "from 40.0", "to 44.0".

    Empty where there is none to show: the value is refused, or its sides round to the digits of the value itself.
    """
    if result.value is None:
        return ""
    factor, _ = _SCALED.get(result.unit, (1.0, result.unit))
    decimals = _decimals(result)
    value, low, high = (
        None if side is None else number(side * factor, decimals) for side in (result.value, result.low, result.high)
    )
    if low is not None and high is not None:
        return "" if low == high else f"{low} to {high}"
    if low is not None:
        return "" if low == value else f"from {low}"
    return "" if high is None or high == value else f"to {high}"


def full(result: Estimate) -> str:
    """Value with its 95 % interval, or what is known of it, or why there is none."""
    if result.value is None:
        return f"not given: {result.refused}"
    factor, unit = _SCALED.get(result.unit, (1.0, result.unit))
    shown = f"{number(result.value * factor, _decimals(result))} {unit}".strip()
    known = interval(result)
    if result.low is not None and result.high is not None:
        return f"{shown} ({known})" if known else shown
    side = "at least " if result.low is not None else "at most " if result.high is not None else ""
    return f"{side}{shown} (95 %: {known})" if known else f"{side}{shown}"


def _decimals(result: Estimate) -> int:
    """Decimals that show the value and its known sides."""
    assert result.value is not None
    factor, _ = _SCALED.get(result.unit, (1.0, result.unit))
    value = result.value * factor
    sides = [side * factor for side in (result.low, result.high) if side is not None]
    return digits(value, max((abs(side - value) for side in sides), default=0.0))
