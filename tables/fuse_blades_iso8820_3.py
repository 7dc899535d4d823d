"""Blade fuse-links, ISO 8820-3: types F (miniature), C (medium) and E (high current).

Scope (published preview, standards.iteh.ai, ISO 8820-3:2015): these three types, 32 V or 58 V, up to 100 A, breaking
capacity 1000 A. The limit table is not in the preview. Rows marked second-hand are transcriptions of makers' data
sheets for a 40 A regular blade fuse (p 3) and a 40 A maxi-style blade fuse (p 3, which cites ISO 8820-3:2002 and
SAE J1888), and of a second transcription for the 10 A regular blade. Ratings made, as general pages on automotive
fuses list them: C 1 to 40 A, F 2 to 30 A, E 20 to 80 A.
"""

from __future__ import annotations

from amptally.tables.fuse_opening_times import FuseTable, OpeningTimes, UsableCurrent

BREAKING_CAPACITY_A = 1000.0
BREAKING_SOURCE = "scope of ISO 8820-3:2015"

BLADE_MINI = FuseTable(
    family="blade_mini",
    title="ISO 8820-3 type F (miniature blade)",
    least_rating_a=2,
    greatest_rating_a=30,
    transcribed_for_a=(),
    rows=(
        OpeningTimes(100, 360_000, None, "from memory"),
        OpeningTimes(135, 0.75, 600, "from memory"),
        OpeningTimes(200, 0.15, 5, "from memory"),
        OpeningTimes(350, 0.08, 0.25, "from memory"),
        OpeningTimes(600, 0.03, 0.1, "from memory"),
    ),
)

BLADE_MEDIUM_TO_30_A = FuseTable(
    family="blade_medium",
    title="ISO 8820-3 type C (medium blade), 10 A column",
    least_rating_a=1,
    greatest_rating_a=30,
    transcribed_for_a=(10,),
    rows=(
        OpeningTimes(110, 360_000, None, "from memory"),  # not confirmed: other parts give 100 % for 100 h
        OpeningTimes(135, 0.75, 600, "from memory"),
        OpeningTimes(160, 0.25, 50, "second-hand"),
        OpeningTimes(200, 0.15, 5, "second-hand"),
        OpeningTimes(350, 0.08, 0.25, "from memory"),
        OpeningTimes(600, None, 0.1, "from memory"),
    ),
)

BLADE_MEDIUM_35_40_A = FuseTable(
    family="blade_medium",
    title="ISO 8820-3 type C (medium blade), 35/40 A column",
    least_rating_a=35,
    greatest_rating_a=40,
    transcribed_for_a=(35, 40),
    rows=(
        OpeningTimes(100, 360_000, None, "second-hand"),
        OpeningTimes(135, 0.75, 600, "second-hand"),
        OpeningTimes(200, 0.15, 5, "second-hand"),
        OpeningTimes(350, 0.08, 0.5, "second-hand"),
        OpeningTimes(600, None, 0.15, "second-hand"),
    ),
)

BLADE_LARGE = FuseTable(
    family="blade_large",
    title="ISO 8820-3 type E (high current blade)",
    least_rating_a=20,
    greatest_rating_a=80,
    transcribed_for_a=(40,),
    rows=(
        OpeningTimes(100, 360_000, None, "second-hand"),
        OpeningTimes(135, 60, 1800, "second-hand"),
        OpeningTimes(200, 2, 50, "second-hand"),
        OpeningTimes(350, 0.2, 7, "second-hand"),
        OpeningTimes(600, 0.04, 1, "second-hand"),
    ),
    # Usable current of the 40 A part: 40 A from −40 to 20 °C, then 34, 30, 25, 22 A; same data sheet, p 3.
    derating=(
        UsableCurrent(20, 40 / 40, "second-hand"),
        UsableCurrent(65, 34 / 40, "second-hand"),
        UsableCurrent(85, 30 / 40, "second-hand"),
        UsableCurrent(110, 25 / 40, "second-hand"),
        UsableCurrent(125, 22 / 40, "second-hand"),
    ),
)

MELTING_I2T_A2S = {("blade_large", 30.0): 4100.0, ("blade_large", 35.0): 6000.0, ("blade_large", 40.0): 8500.0,
                   ("blade_medium", 40.0): 3300.0}  # fmt: skip
"""Typical melting I²t [A²s] by family and rating, the same data sheets: for checks, not part of any margin."""
