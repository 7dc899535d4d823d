"""What a fuse's table allows for how long: its rows, and the band between them that the exposure picture shows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from amptally.analysis.protection.thermal_memory import Rows
from amptally.tables.fuse_families import fuse_table
from amptally.tables.fuse_opening_times import LIMIT_PERCENT, FuseTable

NEAR_MARGIN = 1.25
"""A margin below it is near: the load is above 0.8 of the limit. Our own line."""
Side = Literal["earliest", "latest"]


def rows_of(table: FuseTable, side: Side) -> Rows:
    """(time [s], current as a multiple of the rating), from short to long: all rows with a time on this side."""
    times = [(row.shortest_s if side == "earliest" else row.longest_s, row.percent / 100) for row in table.rows]
    return tuple((time_s, multiple) for time_s, multiple in reversed(times) if time_s is not None)


@dataclass(frozen=True, slots=True)
class Limit:
    """Allowed RMS by window length: log-log between the points, one level for longer windows, none for shorter ones."""

    points: tuple[tuple[float, float], ...]
    """(window_s, allowed_a), from short to long; the current never rises."""
    beyond_a: float
    """For windows longer than the last point."""

    @classmethod
    def of(cls, table: FuseTable, derated_a: float, side: Side) -> Limit:
        """The earliest or the latest opening of a fuse whose rating, derated, is `derated_a`."""
        rows = [row for row in rows_of(table, side) if 100 * row[1] >= LIMIT_PERCENT]
        points = tuple((time_s, multiple * derated_a) for time_s, multiple in rows)
        return cls(points, derated_a if side == "earliest" else points[-1][1])

    @property
    def shortest_s(self) -> float:
        """Windows shorter than this have no limit."""
        return self.points[0][0]

    @property
    def last_s(self) -> float:
        """The longest published time."""
        return self.points[-1][0]

    def allowed_a(self, window_s: float) -> float | None:
        """The limit for windows of this length."""
        if window_s < self.shortest_s:
            return None
        for (short_s, upper_a), (long_s, lower_a) in pairwise(self.points):
            if window_s <= long_s:
                share = math.log(window_s / short_s) / math.log(long_s / short_s)
                return upper_a * math.exp(share * math.log(lower_a / upper_a))
        return self.points[-1][1] if window_s == self.last_s else self.beyond_a


def fitted_limits(family: str, rating_a: float, derated_a: float) -> tuple[Limit, Limit] | None:
    """Earliest and latest opening of a fuse; None where its family has no table for the rating."""
    table = fuse_table(family, rating_a)
    return None if table is None else (Limit.of(table, derated_a, "earliest"), Limit.of(table, derated_a, "latest"))
