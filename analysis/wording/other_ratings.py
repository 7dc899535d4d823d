"""Advice on other fuse ratings as one paragraph."""

from __future__ import annotations

from amptally.analysis.protection.fuse_advice import FuseAdvice, judged
from amptally.analysis.wording.of_protection import CODES
from amptally.analysis.wording.results import sentences


def other_ratings(advice: FuseAdvice) -> str:
    """Which ratings meet what was asked for, then why; local codes last."""
    why = sentences((*advice.why, *judged(advice)))
    if not advice.given:
        return why
    fits = ", ".join(f"{rating:g}" for rating in advice.fits_a)
    meet = f"{fits} A meet all of this as measured in this run" if fits else "No rating of its body meets all of this"
    return f"{meet}. {why} {CODES}"
