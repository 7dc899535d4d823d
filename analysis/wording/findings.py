"""Findings as words: what, on which evidence, what to do next."""

from __future__ import annotations

from dataclasses import dataclass

from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.catalogue import FINDINGS, worded


@dataclass(frozen=True, slots=True)
class Told:
    """One finding for people."""

    what: str
    """One plain sentence."""
    evidence: str
    """The numbers or the missing fields behind it, without a full stop."""
    next: str
    """What the reader can do about it."""


def told(finding: Reason) -> Told:
    """The three sentences of a finding. KeyError for a code that no topic knows."""
    words = FINDINGS[finding.code]
    return Told(worded(words.what, finding), worded(words.evidence, finding), worded(words.next, finding))
