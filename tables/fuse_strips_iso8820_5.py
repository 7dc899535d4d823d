"""Bolt-down strip fuse-links, ISO 8820-5: types SF30 (midi-style) and SF51 (mega-style).

Scope (published, ulstandardspdf.com, BS ISO 8820-5:2015): 32 V, 30 to 500 A, breaking capacity 2000 A. The opening
times are from memory, none is verified. No derating table is available.
"""

from __future__ import annotations

from amptally.tables.fuse_opening_times import FuseTable, OpeningTimes

BREAKING_CAPACITY_A = 2000.0
BREAKING_SOURCE = "scope of ISO 8820-5:2015"
LEAST_RATING_A, GREATEST_RATING_A = 30.0, 500.0  # the same; which type is made in which rating is not given there

_ROWS = (
    OpeningTimes(100, 14_400, None, "from memory"),
    OpeningTimes(135, 120, 1800, "from memory"),
    OpeningTimes(200, 1, 15, "from memory"),
    OpeningTimes(350, 0.3, 5, "from memory"),
    OpeningTimes(600, 0.1, 1, "from memory"),
)

STRIP_SF30 = FuseTable(
    "strip_sf30", "ISO 8820-5 type SF30 (midi-style strip)", LEAST_RATING_A, GREATEST_RATING_A, (), _ROWS
)
STRIP_SF51 = FuseTable(
    "strip_sf51", "ISO 8820-5 type SF51 (mega-style strip)", LEAST_RATING_A, GREATEST_RATING_A, (), _ROWS
)
