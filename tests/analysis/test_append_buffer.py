"""Arrays that grow hold what was appended, within the room asked for and beyond it."""

from __future__ import annotations

import numpy as np
import pytest

from amptally.analysis.signals.append_buffer import AppendBuffer
from amptally.analysis.signals.series import Series, SeriesBuffer


@pytest.mark.parametrize("room", [0, 5, 7, 1000])
def test_parts_follow_one_another(room: int) -> None:
    growing = AppendBuffer(np.float64, room)
    assert len(growing) == 0
    for part in ([1.0, 2.0], [], [3.0], [4.0, 5.0, 6.0, 7.0]):
        growing.add(np.array(part))
    assert growing.filled.tolist() == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]
    assert len(growing) == 7


@pytest.mark.parametrize("room", [1, 100])
def test_stretches_are_joined_with_the_gaps_between_them(room: int) -> None:
    joining = SeriesBuffer(lambda time_s: np.diff(time_s) > 1.5, room)
    assert joining.series is None
    for first_s in (0.0, 3.0, 7.0):
        time_s = first_s + np.arange(3.0)
        joining.add(Series(time_s, 10 * time_s, np.zeros(2, bool)))
    whole = joining.series
    assert whole is not None
    assert whole.time_s.tolist() == [0, 1, 2, 3, 4, 5, 7, 8, 9]
    assert whole.value.tolist() == [0, 10, 20, 30, 40, 50, 70, 80, 90]
    assert np.flatnonzero(whole.gap_after).tolist() == [5]
