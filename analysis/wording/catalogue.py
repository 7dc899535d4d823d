"""Every phrase by the code of its reason, and every finding's three sentences, gathered from one file a topic."""

from __future__ import annotations

from amptally.analysis.results.reason import Fact, Reason
from amptally.analysis.wording import (
    of_battery,
    of_driving,
    of_exposure,
    of_forecast,
    of_integrals,
    of_laps,
    of_machine_file,
    of_protection,
    of_quality,
    of_results,
    of_runs,
)
from amptally.analysis.wording.phrase import Clauses, FindingWords, Phrase

_TOPICS = (
    of_results, of_runs, of_quality, of_integrals, of_exposure, of_protection, of_battery, of_laps, of_driving,
    of_forecast, of_machine_file,
)  # fmt: skip


def _gathered() -> tuple[dict[str, Phrase], dict[str, FindingWords]]:
    phrases: dict[str, Phrase] = {}
    findings: dict[str, FindingWords] = {}
    for topic in _TOPICS:
        for mine, all_of_them in ((topic.PHRASES, phrases), (topic.FINDINGS, findings)):
            twice = mine.keys() & all_of_them.keys()
            if twice:
                raise ValueError(f"{topic.__name__} words {', '.join(sorted(twice))} a second time")
            all_of_them.update(mine)
    return phrases, findings


PHRASES, FINDINGS = _gathered()


def topic_of(code: str) -> str:
    """The topic that words a finding: protection, battery, runs …"""
    return next(topic.__name__.rpartition("of_")[2] for topic in _TOPICS if code in topic.FINDINGS)


def worded(words: Phrase, reason: Reason) -> str:
    """A template filled in with a reason's facts, or what a function makes of them; reasons among them as clauses."""
    facts = {name: _clauses(fact) for name, fact in reason.facts}
    return words.format(**facts) if isinstance(words, str) else words(facts)


def _clauses(fact: Fact) -> object:
    reasons = fact if isinstance(fact, tuple) else (fact,)
    if not all(isinstance(each, Reason) for each in reasons):
        return fact
    return Clauses(worded(PHRASES[each.code], each) for each in reasons if isinstance(each, Reason))
