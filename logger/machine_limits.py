"""Published limits that a machine description is held against, each with where it comes from.

"Second-hand" and "from memory" are part of the source and are shown wherever a limit is. The limits that a run is
judged by live with the analysis; these serve `machine check` alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from logger.machine_fields import Wire

RESISTIVITY_OHM_MM2_PER_M = 1 / 58
"""Annealed copper at 20 °C, IEC 60028:1925."""
FULL_TO_NOMINAL = 1.10
"""Rest voltage of a full AGM block, 13.2 V at most, over its nominal 12 V: a vehicle maker's owner manual."""


@dataclass(frozen=True, slots=True)
class FuseFamily:
    """Ratings one fuse body is made in, and what it can interrupt."""

    spoken: str
    """How a message calls it."""
    low_a: float
    """Least rating."""
    high_a: float
    """Greatest rating."""
    listed_a: tuple[float, ...]
    """Ratings found in a source."""
    remembered_a: tuple[float, ...]
    """Ratings from memory only."""
    breaking_a: float
    """Greatest current it is built to interrupt."""
    range_source: str
    """Where low_a and high_a come from."""
    breaking_source: str
    """Where breaking_a comes from."""


_SIZES = "a public list of sizes by body"
_BLADE = "scope of ISO 8820-3:2015"
_STRIP = "scope of ISO 8820-5:2015"

FUSE_FAMILIES: dict[str, FuseFamily] = {
    # 35 A: electrical data of a maker's sheet, second-hand; the others: public colour page.
    "blade_large": FuseFamily(
        "large blade (ISO 8820-3 type E)", 20, 80, (20, 30, 35, 40, 50, 60, 70, 80), (), 1000, _SIZES, _BLADE
    ),
    # 1 and 40 A: ends of the public range; 35 A: column of a maker's sheet, second-hand; the others: colour pages.
    "blade_medium": FuseFamily(
        "medium blade (ISO 8820-3 type C)",
        1,
        40,
        (1, 2, 3, 10, 15, 20, 35, 40),
        (4, 5, 7.5, 25, 30),
        1000,
        _SIZES,
        _BLADE,
    ),
    "blade_mini": FuseFamily(
        "miniature blade (ISO 8820-3 type F)",
        2,
        30,
        (2, 3, 10, 15, 20, 30),
        (4, 5, 7.5, 25),
        1000,
        _SIZES,
        _BLADE,
    ),
    # Only the range of the strips is published: every single rating counts as unverified.
    "strip_sf30": FuseFamily("strip SF30 (ISO 8820-5)", 30, 500, (), (), 2000, _STRIP, _STRIP),
    "strip_sf51": FuseFamily("strip SF51 (ISO 8820-5)", 30, 500, (), (), 2000, _STRIP, _STRIP),
}

AMPACITY_SOURCE = "ABYC E-11, 105 °C insulation, outside engine spaces, second-hand from a marine retailer's calculator"
AMPACITY_INSULATION_C = 105.0
_AMPACITY_A: dict[int, float] = {18: 20, 16: 25, 14: 35, 10: 60, 8: 80, 4: 160, 2: 210}


@dataclass(frozen=True, slots=True)
class Ampacity:
    """Current a conductor may carry for good, by the table above."""

    current_a: float
    """From the nearest size in the table that is no thicker."""
    conductor: str
    """The size as the machine file gives it."""
    row_awg: int
    """Size of the row taken."""
    thicker_than_table: bool
    """The conductor is thicker than the thickest row, so that it carries more than current_a."""


def awg_area_mm2(awg: int) -> float:
    """Cross-section of a solid conductor [mm²]: d = 0.127 mm × 92 ** ((36 − awg) / 39), ASTM B258 (from memory)."""
    diameter_mm = 0.127 * math.pow(92, (36 - awg) / 39)
    return math.pi / 4 * diameter_mm**2


def area_mm2(wire: Wire) -> float | None:
    """Copper cross-section [mm²]; the smaller one where the file gives two."""
    areas = [awg_area_mm2(wire.awg)] if wire.awg is not None else []
    if wire.mm2 is not None:
        areas.append(wire.mm2)
    return min(areas, default=None)


def conductor(wire: Wire) -> str:
    """The size as the file gives it: "10 AWG", "6 mm²"."""
    if wire.awg is not None:
        return "1/0 AWG" if wire.awg == 0 else f"{wire.awg} AWG"
    return "no size" if wire.mm2 is None else f"{wire.mm2:g} mm²"


def ampacity(wire: Wire) -> Ampacity | None:
    """Ampacity by the nearest row that is no thicker; None without a size, or when thinner than the thinnest row."""
    area = area_mm2(wire)
    if area is None:
        return None
    # A hair of tolerance, so that an area computed from an AWG finds its own row.
    rows = [awg for awg in _AMPACITY_A if awg_area_mm2(awg) <= area * (1 + 1e-9)]
    if not rows:
        return None
    row = max(rows, key=awg_area_mm2)
    thickest = max(_AMPACITY_A, key=awg_area_mm2)
    beyond = row == thickest and area > awg_area_mm2(row) * 1.1
    return Ampacity(_AMPACITY_A[row], conductor(wire), row, beyond)


def resistance_ohm(wire: Wire | None) -> float:
    """Copper resistance at 20 °C [Ω], there and back; 0 where size or length is not given."""
    area = area_mm2(wire) if wire is not None else None
    if wire is None or area is None or wire.length_m is None:
        return 0.0
    return RESISTIVITY_OHM_MM2_PER_M * wire.length_m / area


@dataclass(frozen=True, slots=True)
class ChargeWindow:
    """Voltage per cell at the end of bulk charging."""

    cell_v: float
    """Nominal voltage of a cell, by which the cells of a block are counted."""
    low_v: float
    """Below it the battery never fills."""
    high_v: float
    """Above it the battery is overcharged."""
    source: str
    """Where the window comes from."""


_LEAD = ChargeWindow(
    2.0, 2.25, 2.5, "float about 2.25 V to cyclic 2.5 V a cell: a charger note and a maker's 40 Ah sheet"
)
CHARGE_WINDOWS: dict[str, ChargeWindow] = {
    "agm": _LEAD,
    "gel": _LEAD,
    "flooded": _LEAD,
    "lfp": ChargeWindow(3.2, 3.4, 3.65, "14.6 V for four cells in a public chart; the low end from memory, unverified"),
    "li_ion": ChargeWindow(3.65, 4.05, 4.2, "from memory, unverified"),
    "nimh": ChargeWindow(1.2, 1.35, 1.6, "from memory, unverified"),
}
