"""Why a value stands as it does, or does not stand: a code and the numbers behind it. Sentences are made elsewhere.

A reason decides nothing by its words, for it has none: `amptally.analysis.wording` makes the sentence where a person
reads it. The same type says why a value is refused, what its interval rests on, and what a reader of the whole run
should know (a finding).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, TypeAlias, Union

Severity = Literal["note", "caution", "danger"]
SEVERITIES: tuple[Severity, ...] = ("danger", "caution", "note")
"""Gravest first."""
Fact: TypeAlias = Union[bool, int, float, str, "Reason", tuple["Fact", ...], None]


@dataclass(frozen=True, slots=True, init=False)
class Reason:
    """`Reason("filter_slow", corner_hz=20.0)`: hashable, comparable, and plain enough for JSON."""

    code: str
    """Stable short name; docs/json.md lists those that programs may match on."""
    severity: Severity
    facts: tuple[tuple[str, Fact], ...]
    """By name, in the order given; every number's name ends in its unit."""

    def __init__(self, code: str, severity: Severity = "note", /, **facts: Fact) -> None:
        object.__setattr__(self, "code", code)
        object.__setattr__(self, "severity", severity)
        object.__setattr__(self, "facts", tuple(facts.items()))

    def __getitem__(self, name: str) -> Fact:
        """One fact; KeyError where the reason has none of this name."""
        return dict(self.facts)[name]

    def as_json(self) -> dict[str, object]:
        """One entry of `reasons` in the report: code, severity and the facts, without NaN or infinity."""
        return {"code": self.code, "severity": self.severity, **{name: _plain(fact) for name, fact in self.facts}}


def _plain(fact: Fact) -> object:
    if isinstance(fact, Reason):
        return fact.as_json()
    if isinstance(fact, tuple):
        return [_plain(each) for each in fact]
    return None if isinstance(fact, float) and not math.isfinite(fact) else fact


def gravest_first(found: Iterable[Reason]) -> tuple[Reason, ...]:
    """Ordered by severity; within one severity as they came."""
    return tuple(sorted(found, key=lambda each: SEVERITIES.index(each.severity)))


def gravest(severities: Iterable[Severity]) -> Severity:
    """Of one or more."""
    return min(severities, key=SEVERITIES.index)
