"""Ratings that each fuse body is made in, as far as they are known.

Listed: public lists of sizes and colours by body (a general page on automotive fuses; a colour page; 35 A from the
electrical data of a maker's sheet, second-hand). Remembered: from memory, unverified. Of the strips only the range is
published (scope of ISO 8820-5:2015, 30 to 500 A), so no single rating is held.
"""

from __future__ import annotations

from dataclasses import dataclass

_SIZES = "a public list of sizes by body"


@dataclass(frozen=True, slots=True)
class Ratings:
    """One body's ratings [A], rising."""

    range_source: str
    """Who publishes the least and the greatest rating of the body."""
    listed_a: tuple[float, ...]
    """Found in a source."""
    remembered_a: tuple[float, ...] = ()
    """From memory only."""

    @property
    def all_a(self) -> tuple[float, ...]:
        """Both, rising."""
        return tuple(sorted((*self.listed_a, *self.remembered_a)))


RATINGS: dict[str, Ratings] = {
    # 1 and 40 A: ends of the public range; 35 A: column of a maker's sheet, second-hand; the others: colour pages.
    "blade_medium": Ratings(_SIZES, (1, 2, 3, 10, 15, 20, 35, 40), (4, 5, 7.5, 25, 30)),
    "blade_mini": Ratings(_SIZES, (2, 3, 10, 15, 20, 30), (4, 5, 7.5, 25)),
    # 35 A: electrical data of a maker's sheet, second-hand; the others: public colour page.
    "blade_large": Ratings(_SIZES, (20, 30, 35, 40, 50, 60, 70, 80)),
    "strip_sf30": Ratings("scope of ISO 8820-5:2015", ()),
    "strip_sf51": Ratings("scope of ISO 8820-5:2015", ()),
}
