"""What workshops call fuse bodies, and which family of `fuse_families.py` each is; some are none of ours.

Styles by family: public vehicle data wiki (C = regular, E = maxi-style, F = mini-style, SF30 = midi-style, SF51 =
mega-style). The other words, and the widths and hole distances that tell bodies apart, are trade practice, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

SPOKEN: dict[str, str] = {
    "blade_large": "maxi blade",
    "blade_medium": "regular blade",
    "blade_mini": "mini blade",
    "strip_sf30": "midi strip",
    "strip_sf51": "mega strip",
}
"""The usual trade word of each family."""

RECOGNISED: dict[str, str] = {
    "blade_large": "two flat blades, body about 29 mm wide",
    "blade_medium": "two flat blades, body about 19 mm wide",
    "blade_mini": "two flat blades, body about 11 mm wide",
    "strip_sf30": "bolted down, holes 30 mm apart",
    "strip_sf51": "bolted down, holes 51 mm apart",
}
"""How to tell the bodies apart with a ruler; from memory."""


@dataclass(frozen=True, slots=True)
class TradeName:
    """One body as it is called in a workshop."""

    families: tuple[str, ...]
    """The families it may be; empty where no table here is of this body."""
    spoken: str
    """The body in a sentence."""


_OF_FAMILY: dict[str, tuple[str, ...]] = {
    "blade_large": ("maxi", "maxi blade", "large blade", "big blade", "apx", "type e"),
    "blade_medium": (
        "regular", "regular blade", "standard", "standard blade", "normal", "medium blade", "ato", "atc", "atof", "apr",
        "type c",
    ),
    "blade_mini": ("mini", "mini blade", "miniature blade", "small blade", "atm", "apm", "type f"),
    "strip_sf30": ("midi", "midi strip", "ami", "sf30"),
    "strip_sf51": ("mega", "mega strip", "amg", "sf51"),
}  # fmt: skip
_OF_NONE: dict[str, tuple[str, ...]] = {
    "an ANL-style strip": ("anl", "anl like", "anl strip", "anl like strip", "anl style strip", "mini anl", "anm"),
    "a cartridge fuse": ("jcase", "mcase", "cartridge", "box fuse", "pal"),
    "a glass fuse": ("glass", "glass tube", "agc", "agu", "5x20", "6x32"),
    "a battery terminal fuse": ("mrbf", "terminal fuse", "cube"),
    "a class T fuse": ("class t", "t class"),
    "a micro blade": ("micro", "micro blade", "micro2", "micro3", "low profile mini", "lp mini", "sub miniature"),
    "a circuit breaker": ("breaker", "circuit breaker", "resettable", "polyfuse", "ptc"),
}


def _names() -> Mapping[str, TradeName]:
    found: dict[str, TradeName] = {}
    for family, words in _OF_FAMILY.items():
        found |= {word: TradeName((family,), f"a {SPOKEN[family]}") for word in words}
    for spoken, words in _OF_NONE.items():
        found |= {word: TradeName((), spoken) for word in words}
    found["blade"] = TradeName(("blade_medium", "blade_large", "blade_mini"), "a blade")
    for word in ("strip", "bolt down", "bolt on", "bolted"):
        found[word] = TradeName(("strip_sf30", "strip_sf51"), "a bolt-down strip")
    return found


TRADE_NAMES: Mapping[str, TradeName] = _names()
"""By trade word, in lower case."""
