"""The allowed values of one field of a machine file, and the message for any other value."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["number", "integer", "boolean", "text", "choice"]

CHANNEL_UNIT = "channel"
"""Placeholder for the SI unit of the channel of a [sensors.*] section."""
MAX_TEXT = 200
"""Longest text value, in characters."""

_SPOKEN = {
    "A": "amperes",
    "Ah": "ampere-hours",
    "V": "volts",
    "Ω": "ohms",
    "m": "metres",
    "mm²": "square millimetres",
    "kg": "kilograms",
    "h": "hours",
    "s": "seconds",
    "µs": "microseconds",
    "Hz": "hertz",
    "°C": "degrees Celsius",
    "rpm": "revolutions per minute",
}


_SLIPS: dict[str, tuple[tuple[str, float], ...]] = {
    "m": (("mm", 1e-3), ("cm", 1e-2), ("in", 0.0254)),
    "kg": (("g", 1e-3),),
    "Ah": (("mAh", 1e-3),),
    "A": (("mA", 1e-3),),
    "V": (("mV", 1e-3),),
    "Ω": (("mΩ", 1e-3),),
    "s": (("ms", 1e-3),),
    "µs": (("ms", 1e3),),
    "h": (("min", 1 / 60),),
    "Hz": (("kHz", 1e3),),
}
"""Units that are typed by mistake for each unit, and what one of them is in it."""
_MEANT: dict[str, tuple[str, float]] = {
    "ft": ("m", 0.3048), "foot": ("m", 0.3048), "feet": ("m", 0.3048), "inch": ("m", 0.0254), "inches": ("m", 0.0254),
    '"': ("m", 0.0254), "lb": ("kg", 0.45359237), "lbs": ("kg", 0.45359237), "min": ("s", 60.0), "h": ("s", 3600.0),
    "mOhm": ("Ω", 1e-3), "mohm": ("Ω", 1e-3), "milliohm": ("Ω", 1e-3), "ohm": ("Ω", 1.0), "ohms": ("Ω", 1.0),
    "amps": ("A", 1.0), "amp": ("A", 1.0), "volts": ("V", 1.0), "volt": ("V", 1.0), "us": ("µs", 1.0),
    "hours": ("h", 1.0), "hour": ("h", 1.0), "hr": ("h", 1.0), "mm2": ("mm²", 1.0), "sqmm": ("mm²", 1.0),
    "C": ("°C", 1.0), "deg": ("°C", 1.0), "metres": ("m", 1.0), "meters": ("m", 1.0),
}  # fmt: skip
"""Further spellings of units that people write after a number."""
_QUANTITY = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?)\s*(\S.*)?")


@dataclass(frozen=True, slots=True)
class Alias:
    """Another word for a choice, as people say it."""

    words: tuple[str, ...]
    """The choices it may mean; empty where none of them."""
    meaning: str
    """One sentence about it."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A number as it would be, had it been typed in another unit."""

    typed: str
    """With the other unit: `5000 mAh`."""
    value: float
    """In the field's own unit."""


@dataclass(frozen=True, slots=True)
class Spec:
    """The allowed values of one field."""

    kind: Kind
    """Kind of TOML value allowed."""
    text: str
    """One sentence: what the field is, and where a builder finds its value."""
    example: float | bool | str
    """A valid value, shown in the template and in error messages."""
    unit: str = ""
    """Unit as people write it; empty for a plain number or a word."""
    low: float = 0.0
    """Minimum allowed, inclusive."""
    high: float = 0.0
    """Maximum allowed, inclusive."""
    words: tuple[str, ...] = ()
    """The words a choice allows."""
    spoken: Mapping[str, str] = field(default_factory=dict, hash=False)
    """What the trade calls some of them."""
    aliases: Mapping[str, Alias] = field(default_factory=dict, hash=False)
    """Other words for a choice, by `plain_alias`."""
    usual: tuple[float, float] | None = None
    """What small machines have, both ends included; a number outside may have been typed in another unit."""
    also: tuple[float, ...] = ()
    """Values outside `usual` that are usual too."""

    def refusal(self, value: object, unit: str) -> str | None:
        """What to write instead, in one sentence; None where the value is valid. `unit` is the unit of the field."""
        match self.kind:
            case "number" | "integer":
                return self._number_refusal(value, unit)
            case "boolean":
                return None if isinstance(value, bool) else "Write true or false, without quotes."
            case "text":
                fits = isinstance(value, str) and 0 < len(value) <= MAX_TEXT and value.isprintable()
                asked = f"one line of text in quotes, at most {MAX_TEXT} characters, for example {toml(self.example)}"
                return None if fits else f"Write {asked}."
            case "choice":
                return None if value in self.words else self._choice_refusal(value)

    def _number_refusal(self, value: object, unit: str) -> str | None:
        whole = "whole " if self.kind == "integer" else ""
        asked = f"Write a {whole}number" + (f" of {_SPOKEN[unit]}" if unit else "")
        kinds = (int,) if self.kind == "integer" else (int, float)
        if isinstance(value, bool) or not isinstance(value, kinds):
            quotes = " without quotes" if isinstance(value, str) and _reads_as_number(value) else ""
            meant = self.quantity(value[:60], unit) if isinstance(value, str) and not quotes else None
            if meant is not None:
                return f"{asked} without quotes and without its unit: {plain(meant)}."
            return f"{asked}{quotes}, for example {plain(self.example)}."
        # Written so that NaN, which compares false with everything, is refused.
        if not self.low <= value <= self.high:
            slips = "".join(f" {slip.typed} is {plain(slip.value)}." for slip in self.slips(value, unit))
            return f"{asked} from {plain(self.low)} to {plain(self.high)}, for example {plain(self.example)}.{slips}"
        return None

    def slips(self, value: float, unit: str) -> tuple[Slip, ...]:
        """What a number may mean that is not usual: the same number in other units, where that is usual."""
        low, high = self.usual or (self.low, self.high)
        # NaN compares false with everything, and an integer may be too large for a float.
        if self.kind != "number" or not abs(value) < 1e12 or low <= value <= high or value in self.also:
            return ()
        if unit == "°C":
            others = [("°F", (value - 32) / 1.8)]
        elif unit == "" and self.high <= 1:
            others = [("%", value / 100)]
        else:
            others = [(other, value * factor) for other, factor in _SLIPS.get(unit, ())]
        shown_value = plain(float(value))
        return tuple(
            Slip(f"{shown_value} {other}", float(f"{meant:.4g}")) for other, meant in others if low <= meant <= high
        )

    def quantity(self, text: str, unit: str) -> float | None:
        """A number as people write it, `35`, `12,5`, `250 mm`, `9 mohm`, in the field's unit [unit]; None otherwise."""
        found = _QUANTITY.fullmatch(text.strip())
        if found is None:
            return None
        value, suffix = float(found[1].replace(",", ".")), (found[2] or "").strip()
        if suffix in ("", unit) or (suffix == "%" and unit == "" and self.high <= 1):
            return value / 100 if suffix == "%" else value
        if unit == "°C" and suffix in ("F", "°F"):
            return (value - 32) / 1.8
        factors = dict(_SLIPS.get(unit, ())) | {name: by for name, (of, by) in _MEANT.items() if of == unit}
        factor = factors.get(suffix, factors.get(suffix.lower()))
        if factor is None and suffix.lower() == unit.lower():
            factor = 1.0
        return None if factor is None else float(f"{value * factor:.9g}")

    def alias(self, text: str) -> Alias | None:
        """What a word means that is none of the choices; None where it is not known."""
        return self.aliases.get(plain_alias(text))

    def _choice_refusal(self, value: object) -> str:
        alias = self.alias(value) if isinstance(value, str) else None
        if alias is not None:
            meant = " or ".join(toml(word) for word in alias.words)
            return f"Write {meant}: {alias.meaning}." if meant else f"No choice is {alias.meaning}."
        listed = ", ".join(toml(word) for word in self.words)
        near = nearest(value, self.words) if isinstance(value, str) else None
        return f"Write one of {listed}{f'; the nearest is {toml(near)}' if near else ''}."


def number(
    unit: str,
    low: float,
    high: float,
    example: float,
    text: str,
    *,
    usual: tuple[float, float] | None = None,
    also: tuple[float, ...] = (),
) -> Spec:
    """A finite number from `low` to `high` [unit], on small machines `usual` or one of `also`."""
    return Spec("number", text, example, unit, low, high, usual=usual, also=also)


def integer(low: int, high: int, example: int, text: str) -> Spec:
    """A whole number from `low` to `high`."""
    return Spec("integer", text, example, "", low, high)


def boolean(example: bool, text: str) -> Spec:
    """true or false."""
    return Spec("boolean", text, example)


def line(example: str, text: str) -> Spec:
    """One printable line of text."""
    return Spec("text", text, example)


def choice(
    *words: str, text: str, spoken: Mapping[str, str] | None = None, aliases: Mapping[str, Alias] | None = None
) -> Spec:
    """One of `words`, the first of which is the example; `spoken` and `aliases` as in `Spec`."""
    by_word = {plain_alias(word): alias for word, alias in (aliases or {}).items()}
    return Spec("choice", text, words[0], words=words, spoken=spoken or {}, aliases=by_word)


def plain_alias(text: str) -> str:
    """A word for comparison: lower case, letters and digits, without `fuse`."""
    words = "".join(letter if letter.isalnum() else " " for letter in text[:60].lower()).split()
    return " ".join(word for word in words if word not in ("fuse", "fuses", "a", "an", "style"))


def nearest(word: str, words: tuple[str, ...]) -> str | None:
    """The most similar of `words`, or None where none is similar."""
    # The comparison is quadratic in the length; no name in the file is nearly this long.
    found = difflib.get_close_matches(word[:60].lower(), words, n=1, cutoff=0.6)
    return found[0] if found else None


def plain(value: object) -> str:
    """A value as people write it: 40, 0.009, true; at most 9 digits."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def toml(value: object) -> str:
    """A value of the field table as TOML."""
    return f'"{value}"' if isinstance(value, str) else plain(value)


def shown(value: object) -> str:
    """A value found in a file, short and printable whatever it holds."""
    if isinstance(value, str):
        return repr(value) if len(value) <= 40 else repr(value[:40]) + " and more"
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list):
        return "a list"
    # A hexadecimal integer may have more digits than Python will print.
    if isinstance(value, int) and abs(value) >= 10**18:
        return "a number that is far too large"
    return plain(value) if isinstance(value, bool) else str(value)


def printable(text: str, limit: int) -> str:
    """At most `limit` characters of foreign text, on one line."""
    cleaned = "".join(letter if letter.isprintable() else "?" for letter in text[:limit])
    return cleaned + "…" if len(text) > limit else cleaned


def _reads_as_number(value: str) -> bool:
    try:
        return math.isfinite(float(value))
    except ValueError:
        return False
