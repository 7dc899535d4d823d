"""What a topic writes down: a template that names facts, or a function of them where a template does not do."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

Facts: TypeAlias = Mapping[str, Any]
Phrase: TypeAlias = str | Callable[[Facts], str]
"""`"a filter of {corner_hz:g} Hz flattens short peaks"`, or a function that makes such a clause."""


class Clauses(tuple[str, ...]):
    """Reasons that are facts of another reason, as words: each clause once, joined by semicolons in a template."""

    __slots__ = ()

    def __str__(self) -> str:
        return "; ".join(dict.fromkeys(filter(None, self)))

    def __format__(self, spec: str) -> str:
        return format(str(self), spec)


@dataclass(frozen=True, slots=True)
class FindingWords:
    """The three sentences of a finding."""

    what: Phrase
    """One plain sentence."""
    evidence: Phrase
    """The numbers or the missing fields behind it, without a full stop."""
    next: Phrase
    """What the reader can do about it, a sentence."""


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun: 1 gap, 2 gaps, 2 presses."""
    return f"{number} {one if number == 1 else many or one + 's'}"
