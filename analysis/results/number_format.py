"""Numbers with the digits that their interval supports, in the unit that people read. No sentences: see wording."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from amptally.analysis.results.estimate import Estimate

_SHOWN_IN = {"ohm": (1e3, "mΩ")}
"""Factor and unit of the units that are not shown as they are."""


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


def value_alone(result: Estimate) -> str:
    """Value and unit: "25.62 Wh"; empty where refused."""
    if result.value is None:
        return ""
    factor, unit = _SHOWN_IN.get(result.unit, (1.0, result.unit))
    return f"{number(result.value * factor, _decimals(result, factor))} {unit}".strip()


def interval(result: Estimate) -> str:
    """The 95 % interval alone: "40.0 to 44.0", "from 40.0", "to 44.0".

    Empty where there is none to show: the value is refused, or its sides round to the digits of the value itself.
    """
    if result.value is None:
        return ""
    factor, _ = _SHOWN_IN.get(result.unit, (1.0, result.unit))
    decimals = _decimals(result, factor)
    value, low, high = (
        None if side is None else number(side * factor, decimals) for side in (result.value, result.low, result.high)
    )
    if low is not None and high is not None:
        return "" if low == high else f"{low} to {high}"
    if low is not None:
        return "" if low == value else f"from {low}"
    return "" if high is None or high == value else f"to {high}"


def with_interval(result: Estimate) -> str:
    """With its interval: "25.62 Wh (25.30 to 25.94)", "42.00 A or more (95 %: 41.22 or more)"; or nothing."""
    shown, known = value_alone(result), interval(result)
    if result.low is not None and result.high is not None:
        return f"{shown} ({known})" if known else shown
    side = " or more" if result.low is not None else " or less" if result.high is not None else ""
    end = known.removeprefix("from ").removeprefix("to ")
    return f"{shown}{side} (95 %: {end}{side})" if known else f"{shown}{side}"


def _decimals(result: Estimate, factor: float) -> int:
    """Decimals that show the value and its known sides."""
    assert result.value is not None
    value = result.value * factor
    sides = [side * factor for side in (result.low, result.high) if side is not None]
    return digits(value, max((abs(side - value) for side in sides), default=0.0))
