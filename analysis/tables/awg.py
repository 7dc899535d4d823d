"""American wire gauge: ASTM B258 sizes (formula from memory; the diameters agree with published tables).

The SAE column holds the least copper that an SAE cable of the gauge must have (second-hand, page not given): a cable
sold by gauge may hold less copper than ASTM's size.
"""

from __future__ import annotations

import math

CMIL_PER_MM2 = 1.0 / (math.pi / 4 * 0.0254**2)
"""Circular mils in a square millimetre: a circular mil is a circle of 0.001 in diameter."""
SMALLEST_AWG, LARGEST_AWG = 40, 0
SAE_MIN_CMIL = {18: 1537, 16: 2336, 14: 3702, 12: 5833, 10: 9343, 8: 14810, 6: 24538, 4: 37360, 2: 62450}


def diameter_mm(awg: int) -> float:
    """Diameter of a solid conductor [mm]: d = 0.127 mm × 92^((36 − n)/39), n from 40 down to 0."""
    if not LARGEST_AWG <= awg <= SMALLEST_AWG:
        raise ValueError(f"{awg} AWG is outside {LARGEST_AWG} to {SMALLEST_AWG}: give the conductor's area in mm2")
    return float(0.127 * 92.0 ** ((36 - awg) / 39))


def area_mm2(awg: int) -> float:
    """Copper area [mm²] of a gauge, from its diameter."""
    return math.pi / 4 * diameter_mm(awg) ** 2


def sae_area_ratio(awg: int) -> float:
    """Least SAE copper over ASTM copper, at most 1; a gauge without a row takes the smallest ratio of the column."""

    def ratio(gauge: int) -> float:
        return min(SAE_MIN_CMIL[gauge] / (area_mm2(gauge) * CMIL_PER_MM2), 1.0)

    return ratio(awg) if awg in SAE_MIN_CMIL else min(map(ratio, SAE_MIN_CMIL))
