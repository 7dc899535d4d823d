"""Something about a run that its reader should know: how grave, what, on which evidence, what to do next."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from amptally.analysis.results.reason import Reason

Severity = Literal["note", "caution", "danger"]
SEVERITIES: tuple[Severity, ...] = ("danger", "caution", "note")
"""Gravest first."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One entry of a report's `findings`."""

    severity: Severity
    code: str
    """Stable short name, listed in docs/json.md; programs match on it, people read `what`."""
    what: str
    """One plain sentence."""
    evidence: str
    """The numbers or the missing fields behind it."""
    next: str
    """What the reader can do about it."""


def gravest_first(findings: Iterable[Finding | Reason]) -> tuple[Finding | Reason, ...]:
    """Sorted by severity; those of the same one stay in order."""
    return tuple(sorted(findings, key=lambda finding: SEVERITIES.index(finding.severity)))


def gravest(severities: Iterable[Severity]) -> Severity:
    """Of one or more."""
    return min(severities, key=SEVERITIES.index)
