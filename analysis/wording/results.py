"""Reasons as words: why a value is refused, and what the interval of one rests on."""

from __future__ import annotations

from collections.abc import Iterable

from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording.catalogue import PHRASES, worded


def phrase(reason: Reason) -> str:
    """One reason as a clause without a capital or a full stop. KeyError for a code that no topic knows."""
    return worded(PHRASES[reason.code], reason)


def phrases(reasons: Iterable[Reason]) -> str:
    """Several reasons as one line, each clause once."""
    return "; ".join(dict.fromkeys(filter(None, map(phrase, reasons))))


def sentences(reasons: Iterable[Reason]) -> str:
    """Several reasons as sentences, each with a capital and a full stop."""
    return " ".join(f"{text[:1].upper()}{text[1:]}." for text in dict.fromkeys(filter(None, map(phrase, reasons))))


def refusal(result: Estimate) -> str | None:
    """Why there is no value; None where there is one."""
    return phrases(result.reasons) if result.value is None else None


def basis(result: Estimate) -> str:
    """What the interval rests on; empty where there is no value."""
    return "" if result.value is None else phrases(result.reasons)
