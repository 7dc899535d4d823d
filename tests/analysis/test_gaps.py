"""Which intervals are gaps: the rule of docs/run-file.md against an obvious twin, and at its edges."""

from __future__ import annotations

from statistics import median

import numpy as np
import numpy.typing as npt
from hypothesis import given
from hypothesis import strategies as st

from amptally.analysis.signals.gaps import find_gaps
from tests.strategies import examples

Floats = npt.NDArray[np.float64]


def slow_gaps(steps: list[int]) -> list[bool]:
    """The rule as it is written, one interval at a time."""
    found = []
    for k, step in enumerate(steps):
        beside = [part for part in (steps[max(k - 10, 0) : k], steps[k + 1 : k + 11]) if part]
        found.append(bool(beside) and step > 10 * max(median(part) for part in beside))
    return found


def times(steps: list[int]) -> Floats:
    """Whole seconds, so that the twin and the routine see the same differences."""
    return np.concatenate(([0.0], np.cumsum(np.array(steps, float))))


@given(st.lists(st.sampled_from([1, 2, 3, 9, 10, 11, 20, 21, 29, 31, 100, 1000]), max_size=60))
def test_agrees_with_the_slow_twin(steps: list[int]) -> None:
    assert find_gaps(times(steps)).tolist() == slow_gaps(steps)


# Long runs take another path when one odd interval makes every interval suspicious.
@examples(0.25)
@given(st.integers(0, 2**32 - 1), st.integers(2050, 5000))
def test_agrees_with_the_slow_twin_on_long_runs_with_odd_intervals(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    steps = rng.choice([40, 50, 60], count)
    steps[rng.integers(0, count, 40)] = rng.choice([1, 2, 700, 3000], 40)
    steps[rng.integers(0, 12)] = 1
    steps[-rng.integers(1, 12)] = 700
    assert find_gaps(times(steps.tolist())).tolist() == slow_gaps(steps.tolist())


def test_ten_times_the_usual_interval_is_no_gap_and_a_little_more_is_one() -> None:
    steps = [2] * 30
    steps[12], steps[25] = 20, 21
    assert np.flatnonzero(find_gaps(times(steps))).tolist() == [25]


def test_slow_samples_at_rest_are_no_gaps_beside_faster_ones_under_load() -> None:
    # As the measured lead-acid set: 600 s steps at rest, 60 s under load.
    assert not find_gaps(times([600] * 9 + [60] * 200 + [600] * 9)).any()


def test_a_gap_at_either_end_is_seen_from_the_one_side_there_is() -> None:
    assert find_gaps(times([50, 1, 1, 1])).tolist() == [True, False, False, False]
    assert find_gaps(times([1, 1, 1, 50])).tolist() == [False, False, False, True]


def test_neighbouring_gaps_do_not_hide_one_another() -> None:
    assert np.flatnonzero(find_gaps(times([1] * 20 + [100, 100, 100] + [1] * 20))).tolist() == [20, 21, 22]


def test_too_few_samples_have_no_gaps() -> None:
    for steps in ([], [5]):
        assert not find_gaps(times(steps)).any()


def test_a_stated_limit_replaces_the_rule() -> None:
    t_s = times([1, 2, 3, 100])
    assert find_gaps(t_s, 2.0).tolist() == [False, False, True, True]
    assert not find_gaps(t_s, 1000.0).any()


def test_one_odd_interval_of_a_long_run_is_no_gap() -> None:
    t_s = np.arange(1_000_000) * 0.001
    t_s[500_000] += 0.0009995
    assert not find_gaps(t_s).any()
