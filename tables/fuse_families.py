"""The fuse families of the machine file: which opening-time table, ratings and breaking capacity each has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from amptally.tables import fuse_blades_iso8820_3 as blades
from amptally.tables import fuse_strips_iso8820_5 as strips
from amptally.tables.fuse_opening_times import FuseTable
from amptally.tables.fuse_ratings import RATINGS, Ratings

RatingStanding = Literal["listed", "remembered", "range_only", "not_made"]
"""A rating in a public list, from memory only, inside a range of which no single rating is published, or in none."""


@dataclass(frozen=True, slots=True)
class FuseFamily:
    """One fuse body."""

    name: str
    """In the machine file."""
    spoken: str
    """How a message calls it."""
    tables: tuple[FuseTable, ...]
    """Its opening times, by rating."""
    ratings: Ratings
    """What it is made in."""
    breaking_capacity_a: float
    """Greatest current it is built to interrupt."""
    breaking_source: str
    """Where that comes from."""

    @property
    def least_a(self) -> float:
        """Least rating the body is made in."""
        return min(table.least_rating_a for table in self.tables)

    @property
    def greatest_a(self) -> float:
        """Greatest rating the body is made in."""
        return max(table.greatest_rating_a for table in self.tables)

    def table(self, rating_a: float) -> FuseTable | None:
        """The opening times of this rating; None where there are none."""
        fitting = (table for table in self.tables if table.least_rating_a <= rating_a <= table.greatest_rating_a)
        return next(fitting, None)

    def standing(self, rating_a: float) -> RatingStanding:
        """How sure it is that the body is made in this rating."""
        if not self.least_a <= rating_a <= self.greatest_a:
            return "not_made"
        if not self.ratings.all_a:
            return "range_only"
        if rating_a in self.ratings.listed_a:
            return "listed"
        return "remembered" if rating_a in self.ratings.remembered_a else "not_made"


def _blade(name: str, spoken: str, *tables: FuseTable) -> FuseFamily:
    return FuseFamily(name, spoken, tables, RATINGS[name], blades.BREAKING_CAPACITY_A, blades.BREAKING_SOURCE)


def _strip(name: str, spoken: str, table: FuseTable) -> FuseFamily:
    return FuseFamily(name, spoken, (table,), RATINGS[name], strips.BREAKING_CAPACITY_A, strips.BREAKING_SOURCE)


FAMILIES: dict[str, FuseFamily] = {
    family.name: family
    for family in (
        _blade("blade_mini", "miniature blade (ISO 8820-3 type F)", blades.BLADE_MINI),
        _blade(
            "blade_medium",
            "medium blade (ISO 8820-3 type C)",
            blades.BLADE_MEDIUM_TO_30_A,
            blades.BLADE_MEDIUM_35_40_A,
        ),
        _blade("blade_large", "large blade (ISO 8820-3 type E)", blades.BLADE_LARGE),
        _strip("strip_sf30", "strip SF30 (ISO 8820-5)", strips.STRIP_SF30),
        _strip("strip_sf51", "strip SF51 (ISO 8820-5)", strips.STRIP_SF51),
    )
}


def fuse_table(family: str, rating_a: float) -> FuseTable | None:
    """The opening times of a fuse of this rating; None when the family has none for it, or does not exist."""
    return FAMILIES[family].table(rating_a) if family in FAMILIES else None
