"""Words for what the machine file alone shows: those of `machine check`."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase
from amptally.logger.machine.problem import RULES


def _rule(facts: Facts) -> str:
    return RULES[facts["rule"]][1]


PHRASES: dict[str, Phrase] = {}
FINDINGS: dict[str, FindingWords] = {
    "machine_file": FindingWords(_rule, "machine file, {where}: {evidence}", "{next}"),
}
