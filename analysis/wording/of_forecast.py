"""Words for forecasts: capacity, charge left, what ends it."""

from __future__ import annotations

from amptally.analysis.wording.phrase import FindingWords, Phrase

PHRASES: dict[str, Phrase] = {}
FINDINGS: dict[str, FindingWords] = {}
