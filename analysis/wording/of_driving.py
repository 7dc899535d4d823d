"""Words for how a machine was driven."""

from __future__ import annotations

from amptally.analysis.wording.phrase import FindingWords, Phrase

PHRASES: dict[str, Phrase] = {}
FINDINGS: dict[str, FindingWords] = {}
