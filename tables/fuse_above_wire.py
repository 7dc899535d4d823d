"""A fuse's rating against the ampacity of the wire that it protects.

ABYC E-11, second-hand: the fuse is rated at most the ampacity; the next size up may stand, to 150 % of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from amptally.tables.wire_ampacity import Ampacity

NEXT_SIZE_UP = 1.5


@dataclass(frozen=True, slots=True)
class FuseAgainstWire:
    """How a rating stands to a wire."""

    verdict: Literal["above", "open", "not_above"]
    """open: the ampacity is not known well enough, and the rating lies within what it may be."""
    ratio: float | None = None
    """Rating over ampacity; None unless above."""
    at_least: bool = False
    """The ampacity is known only from above, so the ratio is at least this."""
    severity: Literal["note", "caution", "danger"] | None = None
    """Above: caution up to 150 % of a known ampacity, else danger. Open: note where nothing speaks against the fuse, as
    no size is given or the wire is thicker than the table; else caution. None when not above."""


def fuse_against_wire(rating_a: float, limit: Ampacity) -> FuseAgainstWire:
    """The verdict on a fuse of `rating_a` [A] before a wire."""
    if rating_a <= limit.least_a:
        return FuseAgainstWire("not_above")
    if limit.most_a is None or rating_a <= limit.most_a:
        silent = limit.missing in ("size", "thicker_than_table")
        return FuseAgainstWire("open", severity="note" if silent else "caution")
    ratio = rating_a / limit.most_a
    known = limit.value_a is not None
    return FuseAgainstWire("above", ratio, not known, "caution" if known and ratio <= NEXT_SIZE_UP else "danger")
