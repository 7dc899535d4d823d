"""Ampacity of single stranded copper conductors by insulation temperature, 33 CFR 183.425 Table 5.

(P): text of the regulation as published by the US government printing office. (P): its base of 30 °C air, from makers'
catalogues that reprint it as "Table E". It holds outside engine spaces, except for intermittent surges; pigtails under
7 in inside equipment are exempt. The column for 105 °C is the same as that of ABYC E-11 (second-hand, a marine
retailer's calculator), which lacks rows.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from typing import Literal

from amptally.tables.wire_gauge import area_mm2, counted_size

SOURCE = "33 CFR 183.425 Table 5"
BASE_AIR_C = 30.0
COLUMNS_C = (60.0, 75.0, 80.0, 90.0, 105.0, 125.0, 200.0)
"""Temperature that the insulation is rated for."""
AMPACITY_A: dict[int, tuple[float, ...]] = {
    18: (10, 10, 15, 20, 20, 25, 25),
    16: (15, 15, 20, 25, 25, 30, 35),
    14: (20, 20, 25, 30, 35, 40, 45),
    12: (25, 25, 35, 40, 45, 50, 55),
    10: (40, 40, 50, 55, 60, 70, 70),
    8: (55, 65, 70, 70, 80, 90, 100),
    6: (80, 95, 100, 100, 120, 125, 135),
    4: (105, 125, 130, 135, 160, 170, 180),
    3: (120, 145, 150, 155, 180, 195, 210),
    2: (140, 170, 175, 180, 210, 225, 240),
    1: (165, 195, 210, 210, 245, 265, 280),
    0: (195, 230, 245, 245, 285, 305, 325),
    -1: (225, 265, 285, 285, 330, 355, 370),
    -2: (260, 310, 330, 330, 385, 410, 430),
    -3: (300, 360, 385, 385, 445, 475, 510),
}
"""Amperes by gauge, a number for each column; −1, −2, −3 are 00, 000, 0000."""
ENGINE_SPACE_AIR_C = 50.0
ENGINE_SPACE_FACTOR = {105.0: 0.85}
"""(P). From memory: 0.58, 0.75, 0.78, 0.82 for 60, 75, 80, 90 °C, 0.89 for 125 °C, 1 for 200 °C; not used, as
`air_factor` gives no more than any of them."""
INTERPOLATION_U = 0.035
"""1 σ, relative, between two rows: the scatter of rows found from their neighbours (own arithmetic on the table)."""
ROW_TOLERANCE = 0.01
"""An area this near to a row's, relative, is that row's size. Own choice: sizes are printed to two or three digits."""

Missing = Literal[
    "size", "insulation", "thinner_than_table", "thicker_than_table", "insulation_below_table", "air_too_hot"
]
"""Why there is no value: neither awg nor mm2; no insulation_c; outside the rows; below 60 °C; air at the column's."""


@dataclass(frozen=True, slots=True)
class Ampacity:
    """The current that a wire carries for good without passing its insulation's temperature, and how it was found."""

    value_a: float | None
    """None when nothing supports a value; `missing` then says why."""
    least_a: float
    """It carries at least this; `value_a` where there is one, 0 where nothing is known."""
    most_a: float | None
    """It carries at most this; `value_a` where there is one, None where nothing is known."""
    missing: Missing | None = None
    area_mm2: float | None = None
    """Copper area that counted; None without a size."""
    rows_awg: tuple[int, ...] = ()
    """The row taken, or the two that the value lies between, the thinner one first."""
    insulation_c: float | None = None
    """As given."""
    column_c: float | None = None
    """The column taken: the hottest one not above the insulation's rating."""
    air_c: float = BASE_AIR_C
    """The air counted with: the base where none is given, or a cooler one."""
    air_given: bool = False
    air_factor: float = 1.0
    """On the table's value, for air above its base."""

    @property
    def interpolated(self) -> bool:
        """Whether the value lies between two rows."""
        return len(self.rows_awg) == 2

    @property
    def relative_u(self) -> float:
        """1 σ, relative, of the interpolation; the table states no tolerance of its own."""
        return INTERPOLATION_U if self.interpolated else 0.0


def ampacity(
    awg: int | None = None, mm2: float | None = None, insulation_c: float | None = None, air_c: float | None = None
) -> Ampacity:
    """The ampacity of one wire of the machine file, in air at `air_c` [°C] (30 °C where it is None or cooler).

    Of two sizes the smaller counts. Insulation between two columns takes the cooler one. An area between two rows is
    found on the straight line between them in logarithms; beyond the rows, and without a column, there is no value,
    only what bounds it.
    """
    size = counted_size(awg, mm2)
    area = None if size is None else size.area_mm2
    air = BASE_AIR_C if air_c is None else max(air_c, BASE_AIR_C)
    rows = () if area is None else _rows(area)
    coolest, hottest = _columns(insulation_c)
    column_c = coolest if coolest == hottest else None
    missing = _missing(area, insulation_c, column_c, air)
    least, most = 0.0, None
    if area is not None and missing != "air_too_hot":
        if coolest is not None:
            least = _at_least_a(area, coolest) * air_factor(coolest, air)
        upper = _at_most_a(area, hottest)
        if upper is not None and hottest > air:
            most = upper * air_factor(hottest, air)
    factor = 1.0 if column_c is None else air_factor(column_c, air)
    value = None if missing else most
    return Ampacity(value, least, most, missing, area, rows, insulation_c, column_c, air, air_c is not None, factor)


def _columns(insulation_c: float | None) -> tuple[float | None, float]:
    """The coolest and the hottest column that may be the wire's; the first is None for a wire cooler than all."""
    if insulation_c is None:
        return COLUMNS_C[0], COLUMNS_C[-1]
    column_c = max((column for column in COLUMNS_C if column <= insulation_c), default=None)
    # Insulation below the first column carries less than that column says, by how much nobody publishes.
    return column_c, column_c or COLUMNS_C[0]


def _missing(area: float | None, insulation_c: float | None, column_c: float | None, air_c: float) -> Missing | None:
    if area is None:
        return "size"
    if insulation_c is None:
        return "insulation"
    if column_c is None:
        return "insulation_below_table"
    if not _rows(area):
        return "thinner_than_table" if area < _AREAS_MM2[0] else "thicker_than_table"
    return "air_too_hot" if column_c <= air_c else None


def air_factor(column_c: float, air_c: float) -> float:
    """Factor on a column of the table in air at `air_c`: √((Tc − Ta)/(Tc − 30)); 1 up to 30 °C, 0 from Tc on.

    Heat I²R leaves in proportion to the rise above the air. Source: NEC ampacity data on a cable distributor's page,
    second-hand, where the base is 40 °C. It is never above the regulation's own factor for engine spaces, taken as air
    of 50 °C (from memory), from that temperature on.
    """
    factor = square_root_factor(column_c, max(air_c, BASE_AIR_C), BASE_AIR_C)
    return min(factor, ENGINE_SPACE_FACTOR.get(column_c, 1.0)) if air_c >= ENGINE_SPACE_AIR_C else factor


def square_root_factor(limit_c: float, air_c: float, base_c: float) -> float:
    """√((Tc − Ta)/(Tc − Tbase)), 0 when the air is at the limit; ValueError when the base is."""
    if limit_c <= base_c:
        raise ValueError(f"insulation for {limit_c:g} °C has no rise above the table's {base_c:g} °C air")
    return math.sqrt(max(limit_c - air_c, 0.0) / (limit_c - base_c))


_GAUGES = tuple(sorted(AMPACITY_A, reverse=True))
_AREAS_MM2 = tuple(map(area_mm2, _GAUGES))


def _rows(area: float) -> tuple[int, ...]:
    """The row of this size, or the two around it; () outside the table."""
    for gauge, row_area in zip(_GAUGES, _AREAS_MM2, strict=True):
        if abs(area / row_area - 1) <= ROW_TOLERANCE:
            return (gauge,)
    upper = bisect_left(_AREAS_MM2, area)
    return _GAUGES[upper - 1 : upper + 1] if 0 < upper < len(_GAUGES) else ()


def _column_a(area: float, column_c: float) -> float | None:
    """The column at an area, log-log between its rows; None outside them."""
    place = COLUMNS_C.index(column_c)
    rows = _rows(area)
    if not rows:
        return None
    low_a, high_a = AMPACITY_A[rows[0]][place], AMPACITY_A[rows[-1]][place]
    if len(rows) == 1:
        return low_a
    share = math.log(area / area_mm2(rows[0])) / math.log(area_mm2(rows[1]) / area_mm2(rows[0]))
    return low_a * math.exp(share * math.log(high_a / low_a))


def _at_least_a(area: float, column_c: float) -> float:
    """What a wire carries at least: a thicker one than the table's what its thickest row does, a thinner one 0."""
    found = _column_a(area, column_c)
    if found is not None:
        return found
    return AMPACITY_A[_GAUGES[-1]][COLUMNS_C.index(column_c)] if area > _AREAS_MM2[-1] else 0.0


def _at_most_a(area: float, column_c: float) -> float | None:
    """What a wire carries at most: a thinner one than the table's what its thinnest row does; None: no bound."""
    found = _column_a(area, column_c)
    if found is not None:
        return found
    return AMPACITY_A[_GAUGES[0]][COLUMNS_C.index(column_c)] if area < _AREAS_MM2[0] else None
