"""Student's t: how much wider an interval is whose scatter was seen on few readings."""

from __future__ import annotations

from functools import lru_cache

from amptally.analysis.results.estimate import COVERAGE_FACTOR


@lru_cache(maxsize=256)
def student_t(degrees: int) -> float:
    """t for 95 %, two-sided (JCGM 100:2008, table G.2), for 1 degree of freedom or more."""
    from scipy.special import stdtrit  # here, because a command that needs no t should not wait for it

    return float(stdtrit(degrees, 0.975))


def small_sample_factor(degrees: int) -> float:
    """What a 1 σ from so few degrees of freedom is multiplied by, so that 1.96 of it reach as far as t of it."""
    return student_t(degrees) / COVERAGE_FACTOR
