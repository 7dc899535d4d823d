"""The colours of pictures, light and dark; assets/style.css holds the same ones for everything else.

Series colours stay distinct under the three colour-vision deficiencies (tests/dashboard/test_theme.py), and each has
the contrast of text against its card. Dashes, marks and words carry the same information without colour.
"""

from __future__ import annotations

from dataclasses import dataclass

DASHES = ("solid", "dash", "dot", "dashdot")
"""Dash patterns that repeat the colour code, by position in a lane."""
DASH_SIGNS = ("━━", "╍╍", "┅┅", "━╍")
"""The same at text height, for legends."""


@dataclass(frozen=True, slots=True)
class Theme:
    """One set of colours, as #rrggbb."""

    name: str
    paper: str
    """Behind everything."""
    card: str
    """Behind a picture."""
    ink: str
    soft: str
    """Secondary text, axes."""
    line: str
    """Grid and rules."""
    series: tuple[str, str, str, str]
    limit: str
    """Ratings, minima, the band in which a fuse may open."""
    ramp: tuple[str, str, str]
    """Low to high, for densities."""


LIGHT = Theme(
    "light",
    paper="#f3f1ea",
    card="#fffdf8",
    ink="#1f262b",
    soft="#56616a",
    line="#dcd8cd",
    series=("#123f7a", "#9a4310", "#7f57ad", "#17805a"),
    limit="#a8243b",
    ramp=("#d6d0bf", "#6f8fae", "#0d2c55"),
)
DARK = Theme(
    "dark",
    paper="#14181b",
    card="#1d2327",
    ink="#e9e5db",
    soft="#a5afb5",
    line="#363e44",
    series=("#74c0e8", "#e0873c", "#a08ae6", "#c3edb0"),
    limit="#ff8e86",
    ramp=("#3a464e", "#4f86ad", "#d6efff"),
)
THEMES = {theme.name: theme for theme in (LIGHT, DARK)}


@dataclass(frozen=True, slots=True)
class Screen:
    """What pictures are drawn for."""

    theme: Theme
    narrow: bool = False
    """A phone: texts in pictures are broken into short lines."""

    @classmethod
    def parse(cls, raw: object) -> Screen | None:
        """Read what the browser sent; None before that, since a picture would only be drawn twice."""
        if not isinstance(raw, dict):
            return None
        return cls(THEMES.get(str(raw.get("theme")), LIGHT), raw.get("narrow") is True)
