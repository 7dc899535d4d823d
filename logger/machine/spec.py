"""The allowed values of one field of a machine file, and the message for any other value."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
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
            return f"{asked}{quotes}, for example {plain(self.example)}."
        # Written so that NaN, which compares false with everything, is refused.
        if not self.low <= value <= self.high:
            return f"{asked} from {plain(self.low)} to {plain(self.high)}, for example {plain(self.example)}."
        return None

    def _choice_refusal(self, value: object) -> str:
        listed = ", ".join(toml(word) for word in self.words)
        near = nearest(value, self.words) if isinstance(value, str) else None
        return f"Write one of {listed}{f'; the nearest is {toml(near)}' if near else ''}."


def number(unit: str, low: float, high: float, example: float, text: str) -> Spec:
    """A finite number from `low` to `high` [unit]."""
    return Spec("number", text, example, unit, low, high)


def integer(low: int, high: int, example: int, text: str) -> Spec:
    """A whole number from `low` to `high`."""
    return Spec("integer", text, example, "", low, high)


def boolean(example: bool, text: str) -> Spec:
    """true or false."""
    return Spec("boolean", text, example)


def line(example: str, text: str) -> Spec:
    """One printable line of text."""
    return Spec("text", text, example)


def choice(*words: str, text: str) -> Spec:
    """One of `words`, the first of which is the example."""
    return Spec("choice", text, words[0], words=words)


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
