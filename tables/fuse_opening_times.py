"""The shape of a published table of fuse opening times, what is read off any of them.

The tables themselves are its neighbours `fuse_blades_iso8820_3.py` and `fuse_strips_iso8820_5.py`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Mark = Literal["second-hand", "from memory"]
"""second-hand: transcribed from makers' data sheets that cite the standard. from memory: unverified. No row of a fuse
table has been read in the standard itself."""

LIMIT_PERCENT = 135.0
"""Least percentage with both limits published; between 100 % and this there is none."""


@dataclass(frozen=True, slots=True)
class OpeningTimes:
    """One row: at this current a fuse opens no earlier than `shortest_s` and no later than `longest_s`."""

    percent: float
    """Current, % of the rating at the fuse's temperature."""
    shortest_s: float | None
    """None where the table has no limit."""
    longest_s: float | None
    mark: Mark


@dataclass(frozen=True, slots=True)
class UsableCurrent:
    """One step of a derating table: the share of its rating that a fuse carries in air of this temperature."""

    ambient_c: float
    fraction: float
    mark: Mark


@dataclass(frozen=True, slots=True)
class FuseTable:
    """One column of opening times, with the ratings it is used for and the part it was transcribed from."""

    family: str
    """Name in the machine file."""
    title: str
    """Document and type, as shown to people."""
    least_rating_a: float
    greatest_rating_a: float
    transcribed_for_a: tuple[float, ...]
    """Ratings of the parts whose data sheets the column comes from; empty when it comes from memory."""
    rows: tuple[OpeningTimes, ...]
    """From low to high current."""
    derating: tuple[UsableCurrent, ...] = ()
    """From cold to hot; full rating below the first; empty when no table is available."""

    def limits(self) -> tuple[OpeningTimes, ...]:
        """The rows that a margin is taken against."""
        return tuple(row for row in self.rows if row.percent >= LIMIT_PERCENT)


def altitude_fraction(altitude_m: float) -> float:
    """Share of its rating that a fuse carries where thin air cools it less: 1 − (A − 2000)/20000 above 2000 m.

    A component distributor's forum, topic 46685, whose example is 3000 m. ValueError for what is no number of metres.
    """
    if not math.isfinite(altitude_m):
        raise ValueError(f"{altitude_m} is no altitude in metres")
    return min(max(1 - (altitude_m - 2000) / 20_000, 0.0), 1.0)


def opening_times_s(table: FuseTable) -> tuple[float, ...]:
    """Every published opening time of the column, shortest and longest, sorted."""
    times = {time for row in table.rows for time in (row.shortest_s, row.longest_s) if time is not None}
    return tuple(sorted(times))


def rated_after_s(table: FuseTable) -> float:
    """The shortest time of the 135 % row: longer windows are held to the rating itself."""
    return max(row.shortest_s for row in table.limits() if row.shortest_s is not None)
