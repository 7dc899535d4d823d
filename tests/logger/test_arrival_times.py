"""Times of lines that bring none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.recording.arrival_times import ArrivalTimes
from amptally.logger.wire.blocks import Block, Layout, Stretch

LAYOUT = Layout(("mark",), 0, None, timed=False)


def placed(arrivals: ArrivalTimes, parts: list[tuple[int, int]]) -> list[int]:
    """Times of the lines of parts, each (lines, arrival in µs)."""
    ends = np.cumsum([lines for lines, _ in parts])
    block = Block(LAYOUT, 0, np.arange(1, ends[-1] + 1), np.zeros((ends[-1], 1), np.int64))
    stretch = Stretch(block, np.arange(len(parts)), ends)
    return arrivals.place(stretch, np.array([host for _, host in parts])).block.time_us.tolist()


def test_lines_one_by_one_have_their_own_arrival() -> None:
    assert placed(ArrivalTimes(), [(1, 5_000), (1, 25_100), (1, 44_900)]) == [0, 20_100, 39_900]


def test_a_burst_is_spread_over_the_time_since_the_one_before() -> None:
    """A USB adapter that delivers every 16 ms what a board prints every 4 ms."""
    times = placed(ArrivalTimes(), [(4, 16_000 * burst) for burst in range(1, 50)])
    assert np.diff(times[4:]).tolist() == [4_000] * (len(times) - 5)


def test_a_pause_stays_a_pause() -> None:
    arrivals = ArrivalTimes()
    placed(arrivals, [(1, 20_000 * k) for k in range(20)])
    times = placed(arrivals, [(3, 5_000_000)])
    assert times[-1] == 5_000_000
    assert times[0] == 5_000_000 - 2 * 40_000


def test_the_jitter_is_that_of_the_arrivals() -> None:
    rng, arrivals = np.random.default_rng(4), ArrivalTimes()
    assert arrivals.jitter_us is None
    late = rng.uniform(0, 6_000, 3_000)
    placed(arrivals, [(1, round(20_000 * k + late[k])) for k in range(3_000)])
    # The difference of two uniform delays of up to 6 ms is triangular: 95 % of it lie within 6 (1 - sqrt(0.05)) ms.
    assert arrivals.jitter_us == pytest.approx(6_000 * (1 - 0.05**0.5), rel=0.15)


@given(st.lists(st.tuples(st.integers(1, 5), st.integers(0, 10_000_000)), min_size=1, max_size=30))
def test_times_grow_and_no_line_is_later_than_its_arrival_by_more_than_its_place(parts: list[tuple[int, int]]) -> None:
    hosts = sorted(host for _, host in parts)
    parts = [(lines, host) for (lines, _), host in zip(parts, hosts, strict=True)]
    times = placed(ArrivalTimes(), parts)
    assert (np.diff(times) >= 1).all()
    origin = hosts[0] - (parts[0][0] - 1) * 1_000
    ends = np.cumsum([lines for lines, _ in parts])
    late = [times[end - 1] - (host - origin) for end, (_, host) in zip(ends.tolist(), parts, strict=True)]
    assert max(late) <= sum(lines for lines, _ in parts)


@given(data=st.data())
def test_how_parts_are_grouped_changes_nothing(data: st.DataObject) -> None:
    parts = [(1 + k % 3, 20_000 * k) for k in range(12)]
    cut = data.draw(st.integers(1, 11))
    arrivals = ArrivalTimes()
    assert placed(arrivals, parts[:cut]) + placed(arrivals, parts[cut:]) == placed(ArrivalTimes(), parts)
