"""Student's t against the printed table."""

from __future__ import annotations

import pytest
from scipy.special import stdtrit

from amptally.analysis.results.student_t import small_sample_factor, student_t


def test_student_t() -> None:
    # JCGM 100:2008, table G.2, 95 %: 2.57 at 5 and 2.13 at 15 degrees of freedom; references IR4: t95(5) = 2.57058
    assert student_t(5) == pytest.approx(2.57058, abs=5e-6)
    # The same table: 12.71 at 1, 4.30 at 2, 2.23 at 10, 2.09 at 20, 2.04 at 30, 2.01 at 50, 1.984 at 100 (from memory)
    table = {1: (12.71, 5e-3), 2: (4.30, 5e-3), 10: (2.23, 5e-3), 15: (2.13, 5e-3), 20: (2.09, 5e-3), 30: (2.04, 5e-3)}
    for degrees, (printed, digits) in (table | {50: (2.01, 5e-3), 100: (1.984, 5e-4)}).items():
        assert student_t(degrees) == pytest.approx(printed, abs=digits)


def test_stored_and_expanded_values_are_scipy_s() -> None:
    for degrees in (*range(1, 200), 1000, 100_000):
        assert student_t(degrees) == pytest.approx(float(stdtrit(degrees, 0.975)), rel=5e-8)
    with pytest.raises(ValueError, match="0 degrees"):
        student_t(0)


def test_many_readings_leave_a_1_sigma_as_it_is() -> None:
    assert small_sample_factor(100_000) == pytest.approx(1.0, abs=1e-3)
    # 12.706 / 1.96, table G.2
    assert small_sample_factor(1) == pytest.approx(6.483, abs=1e-3)
