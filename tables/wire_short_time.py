"""Short-time heating of copper conductors: k in A·√s/mm², for t = k²S²/I² up to 5 s.

BS 7671 / IEC 60364-5-54, second-hand through a cable engineering page ("the adiabatic equation").
"""

from __future__ import annotations

import math
from dataclasses import dataclass

SOURCE = "BS 7671 / IEC 60364-5-54, second-hand"
LONGEST_S = 5.0
K_BY_INSULATION = {
    ("PVC", 70, 160): 115.0,
    ("PVC", 90, 160): 100.0,
    ("XLPE or EPR", 90, 250): 143.0,
    ("rubber", 60, 200): 141.0,
    ("rubber", 85, 220): 134.0,
}
"""(insulation, temperature at the start, limit at the end) in °C."""
PVC_LIMIT_C = 160.0
"""The lowest limit of the table."""
HOTTER_STARTS_C = (105.0, 125.0)
"""Insulation ratings above the table for which k comes from the formula, from these temperatures to PVC's limit."""


@dataclass(frozen=True, slots=True)
class ShortTime:
    """The k that counts for a wire."""

    k: float
    """[A·√s/mm²]."""
    start_c: float
    """Temperature of the copper when the pulse begins."""
    end_c: float
    """Temperature that it may reach."""
    from_formula: bool
    """k comes from `adiabatic_k` (from memory); the table ends at 90 °C."""
    passed_over: tuple[tuple[str, float], ...] = ()
    """(insulation, k) of rows that fit the temperature as well and are higher."""


def adiabatic_k(start_c: float, end_c: float) -> float:
    """k = 226 √ln(1 + (Te − Ts)/(234.5 + Ts)) of copper, in A·√s/mm² (formula from memory)."""
    return 226.0 * math.sqrt(math.log(1 + (end_c - start_c) / (234.5 + start_c)))


def short_time_k(insulation_c: float) -> ShortTime | None:
    """k for a wire whose insulation is rated `insulation_c` [°C], loaded to that temperature when the pulse begins.

    The machine file does not say what the insulation is made of, so the lowest k that fits the temperature counts.
    Above the table the wire starts as hot as its column of the ampacity table lets it be, at 105 or 125 °C, and may
    reach PVC's limit. None from that limit on: what hotter insulation stands is not published there.
    """
    if insulation_c <= 70:
        return ShortTime(K_BY_INSULATION[("PVC", 70, 160)], 70, PVC_LIMIT_C, False)
    if insulation_c <= 90:
        other = ("XLPE", K_BY_INSULATION[("XLPE or EPR", 90, 250)])
        return ShortTime(K_BY_INSULATION[("PVC", 90, 160)], 90, PVC_LIMIT_C, False, (other,))
    if insulation_c >= PVC_LIMIT_C:
        return None
    start_c = HOTTER_STARTS_C[0] if insulation_c < HOTTER_STARTS_C[1] else HOTTER_STARTS_C[1]
    return ShortTime(adiabatic_k(start_c, PVC_LIMIT_C), start_c, PVC_LIMIT_C, True)


def adiabatic_current_a(k: float, area_mm2: float, window_s: float) -> float:
    """The current that brings the conductor to its limit in `window_s` with no heat lost: I = k S/√t, up to 5 s."""
    if not 0 < window_s <= LONGEST_S:
        raise ValueError(f"the adiabatic rule holds above 0 and up to {LONGEST_S:g} s, not for {window_s:g} s")
    return k * area_mm2 / math.sqrt(window_s)
