"""Colours: readable, apart for every kind of colour vision, and the same in pictures and pages."""

from __future__ import annotations

import itertools
import math
import re
from pathlib import Path

import pytest

from amptally.dashboard.figures.traces import COLUMNS
from amptally.dashboard.theme import DARK, DASHES, LIGHT, Theme

STYLE = (Path(__file__).parents[2] / "dashboard" / "assets" / "style.css").read_text(encoding="utf-8")
Triple = tuple[float, float, float]

# Severity 1.0 matrices for linear RGB of Machado, Oliveira, Fernandes 2009, "A physiologically-based model for
# simulation of color vision deficiency", IEEE TVCG 15(6); from memory.
DEFICIENCIES = {
    "none": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protan": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deutan": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritan": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}


def linear(colour: str) -> Triple:
    """Linear RGB of #rrggbb (IEC 61966-2-1)."""

    def one(place: int) -> float:
        c = int(colour[place : place + 2], 16) / 255
        return c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4

    return one(1), one(3), one(5)


def contrast(first: str, second: str) -> float:
    """Contrast ratio of WCAG 2.1: (L1 + 0.05) / (L2 + 0.05) with L = 0.2126 R + 0.7152 G + 0.0722 B; from memory."""
    light, dark = sorted(
        (
            sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear(colour), strict=True))
            for colour in (first, second)
        ),
        reverse=True,
    )
    return (light + 0.05) / (dark + 0.05)


def oklab(rgb: Triple) -> Triple:
    """Oklab of linear RGB (Ottosson 2020; from memory)."""
    r, g, b = (min(max(c, 0.0), 1.0) for c in rgb)
    long = (0.4122214708 * r + 0.5363325363 * g + 0.0514459929 * b) ** (1 / 3)
    middle = (0.2119034982 * r + 0.6806995451 * g + 0.1073969566 * b) ** (1 / 3)
    short = (0.0883024619 * r + 0.2817188376 * g + 0.6299787005 * b) ** (1 / 3)
    return (
        0.2104542553 * long + 0.7936177850 * middle - 0.0040720468 * short,
        1.9779984951 * long - 2.4285922050 * middle + 0.4505937099 * short,
        0.0259040371 * long + 0.7827717662 * middle - 0.8086757660 * short,
    )


def seen(colour: str, deficiency: str) -> Triple:
    rgb = linear(colour)
    first, second, third = (
        sum(weight * c for weight, c in zip(row, rgb, strict=True)) for row in DEFICIENCIES[deficiency]
    )
    return oklab((first, second, third))


def test_the_measures_themselves() -> None:
    """White on black is 21:1, the greatest ratio there is (WCAG 2.1; from memory)."""
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert oklab((1, 1, 1))[0] == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=lambda theme: theme.name)
def test_text_stands_out(theme: Theme) -> None:
    """4.5:1 for text (WCAG 2.1, 1.4.3; from memory); series colours are text in headings and legends."""
    for ground in (theme.card, theme.paper):
        for colour in (theme.ink, theme.soft, theme.limit):
            assert contrast(colour, ground) >= 4.5
    for colour in theme.series:
        assert contrast(colour, theme.card) >= 4.5


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=lambda theme: theme.name)
@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_series_stay_apart(theme: Theme, deficiency: str) -> None:
    """Every two series colours differ by 0.07 in Oklab at least; a just visible difference is about 0.02 (common
    practice, no source). Dashes tell them apart besides."""
    for first, second in itertools.combinations(theme.series, 2):
        assert math.dist(seen(first, deficiency), seen(second, deficiency)) >= 0.07
    assert len(set(DASHES)) == len(theme.series)


def block(selector: str) -> dict[str, str]:
    found = re.search(re.escape(selector) + r" \{(.*?)\}", STYLE, re.DOTALL)
    assert found is not None
    return dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6});", found[1]))


@pytest.mark.parametrize(
    ("selector", "theme"),
    [(":root", LIGHT), (':root[data-theme="dark"]', DARK), (':root:not([data-theme="light"])', DARK)],
)
def test_pages_have_the_colours_of_pictures(selector: str, theme: Theme) -> None:
    names = block(selector)
    for name in ("paper", "card", "ink", "soft", "line", "limit"):
        assert names[name] == getattr(theme, name)
    assert (names["first"], names["second"]) == theme.series[:2]
    assert contrast(names["caution"], theme.card) >= 4.5


def test_nothing_is_fetched_by_the_style() -> None:
    assert "url(" not in STYLE
    assert "@import" not in STYLE
    assert "@font-face" not in STYLE


def test_a_trace_stays_drawable() -> None:
    """Two points a column and the ends of gaps: about 2,000 at most, which SVG still draws at once."""
    assert 2 * COLUMNS <= 2000
