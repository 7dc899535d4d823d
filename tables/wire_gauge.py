"""American wire gauge: ASTM B258 sizes (formula from memory; the diameters agree with published tables).

The SAE column holds the least copper that an SAE cable of the gauge must have (second-hand, page not given): a cable
sold by gauge may hold less copper than ASTM's size. Gauges 00, 000 and 0000 are −1, −2 and −3, as the formula has them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

CMIL_PER_MM2 = 1.0 / (math.pi / 4 * 0.0254**2)
"""Circular mils in a square millimetre: a circular mil is a circle of 0.001 in diameter."""
SMALLEST_AWG, LARGEST_AWG = 40, -3
SAE_MIN_CMIL = {18: 1537, 16: 2336, 14: 3702, 12: 5833, 10: 9343, 8: 14810, 6: 24538, 4: 37360, 2: 62450}


@dataclass(frozen=True, slots=True)
class CountedSize:
    """The copper area that counts for a wire described by gauge, by area, or by both."""

    area_mm2: float
    """The smaller one where both are given."""
    awg: int | None
    """The gauge that the area comes from; None where it was given in mm²."""


def counted_size(awg: int | None, mm2: float | None) -> CountedSize | None:
    """The size that counts: the smaller of the two where both are given; None without any."""
    by_gauge = None if awg is None else CountedSize(area_mm2(awg), awg)
    by_area = None if mm2 is None else CountedSize(mm2, None)
    given = [size for size in (by_gauge, by_area) if size is not None]
    return min(given, key=lambda size: size.area_mm2, default=None)


def gauge_name(awg: int) -> str:
    """As printed on a jacket: "10 AWG", "1/0 AWG" for 0, "4/0 AWG" for −3."""
    return f"{awg} AWG" if awg > 0 else f"{1 - awg}/0 AWG"


def diameter_mm(awg: int) -> float:
    """Diameter of a solid conductor [mm]: d = 0.127 mm × 92^((36 − n)/39), n from 40 down to −3 (0000)."""
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
