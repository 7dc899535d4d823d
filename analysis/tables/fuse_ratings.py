"""Ratings that each fuse body is made in, as far as they are known.

Listed: public lists of sizes and colours by body (references section 1: a general page on automotive fuses; a colour
page; 35 A from the electrical data of a maker's sheet, second-hand). Remembered: from memory, unverified. Of the strips
only the range is published (scope of ISO 8820-5:2015, 30 to 500 A), so no single rating is held.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Ratings:
    """One body's ratings [A], rising."""

    listed_a: tuple[float, ...]
    """Found in a source."""
    remembered_a: tuple[float, ...] = ()
    """From memory only."""

    @property
    def all_a(self) -> tuple[float, ...]:
        """Both, rising."""
        return tuple(sorted((*self.listed_a, *self.remembered_a)))


RATINGS: dict[str, Ratings] = {
    "blade_large": Ratings((20, 30, 35, 40, 50, 60, 70, 80)),
    "blade_medium": Ratings((1, 2, 3, 10, 15, 20, 35, 40), (4, 5, 7.5, 25, 30)),
    "blade_mini": Ratings((2, 3, 10, 15, 20, 30), (4, 5, 7.5, 25)),
    "strip_sf30": Ratings(()),
    "strip_sf51": Ratings(()),
}
