"""The shape of a published table of fuse opening times; the tables themselves are its neighbours, one file each."""

from __future__ import annotations

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
    breaking_capacity_a: float = 0.0

    def limits(self) -> tuple[OpeningTimes, ...]:
        """The rows that a margin is taken against."""
        return tuple(row for row in self.rows if row.percent >= LIMIT_PERCENT)
