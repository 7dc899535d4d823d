"""Finding a moment by looking at little: against the slow twin that reads all times."""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.signals import time_index as locate
from amptally.analysis.signals.time_index import first_row


@given(
    st.lists(st.integers(1, 1000), min_size=1, max_size=60),
    st.integers(0, 70_000),
    st.sampled_from([1, 2, 5, 20_000]),
)
def test_the_same_row_as_a_search_through_all_times(steps: list[int], wanted: int, look: int) -> None:
    time_s = np.cumsum(steps).astype(float)
    for moment in (float(wanted), float(time_s[wanted % len(time_s)])):
        with patch.object(locate, "READ_ROWS", look):
            found = first_row(lambda start, count: time_s[start : start + count], len(time_s), moment)
        assert found == np.searchsorted(time_s, moment, "left")


def test_a_day_takes_few_looks_even_with_hours_missing() -> None:
    time_s = np.arange(2_000_000) / 100.0
    time_s[700_000:] += 40_000.0
    looks: list[int] = []

    def read(start: int, count: int) -> np.ndarray:
        looks.append(count)
        return time_s[start : start + count]

    for moment in (3.0, 6_999.0, 20_000.0, 47_000.0, 59_999.0):
        looks.clear()
        assert first_row(read, len(time_s), moment) == np.searchsorted(time_s, moment, "left")
        assert len(looks) <= 16
        assert sum(looks) <= 300_000
