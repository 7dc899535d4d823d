"""Words for what a run as a whole can say: its machine description, clock, alarms."""

from __future__ import annotations

from amptally.analysis.wording.phrase import FindingWords, Phrase

PHRASES: dict[str, Phrase] = {}
FINDINGS: dict[str, FindingWords] = {}
