"""Thinning for pictures: no peak is lost, times stay in order, gaps stay gaps."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from amptally.analysis.runs.run import Series
from amptally.analysis.signals import decimation as decimate
from amptally.analysis.signals.decimation import Envelope, density

Floats = npt.NDArray[np.float64]


def series(value: Floats, gaps: tuple[int, ...] = (), step_s: float = 0.002) -> Series:
    gap_after = np.zeros(max(len(value) - 1, 0), bool)
    gap_after[list(gaps)] = True
    steps = np.where(gap_after, 50 * step_s, step_s)
    return Series(np.concatenate(([0.0], np.cumsum(steps))), value, gap_after)


@st.composite
def channels(draw: st.DrawFn) -> Series:
    """Any values at uneven times, with gaps."""
    size = draw(st.integers(1, 700))
    value = draw(arrays.arrays(np.float64, size, elements=st.floats(-1e3, 1e3, width=32)))
    steps = draw(arrays.arrays(np.float64, size - 1, elements=st.floats(0.001, 0.5)))
    gap_after = draw(arrays.arrays(np.bool_, size - 1, elements=st.booleans(), fill=st.just(False)))
    return Series(np.concatenate(([0.0], np.cumsum(steps))), value, gap_after)


def stretch(draw: st.DrawFn, end_s: float) -> tuple[float, float]:
    cuts = sorted(draw(st.lists(st.floats(-1.0, end_s + 1.0), min_size=2, max_size=2, unique=True)))
    return cuts[0], cuts[1]


@pytest.fixture(autouse=True, params=[decimate.FINE, 0], ids=["every sample", "blocks"])
def both_ways(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """A small view looks at every sample, a wide one at the extremes of blocks: the same law holds for both."""
    monkeypatch.setattr(decimate, "FINE", request.param)
    monkeypatch.setattr(decimate, "BLOCK", 4 if request.param == 0 else 64)


@given(st.data(), channels(), st.integers(2, 40))
def test_every_visible_range_keeps_its_extremes_and_order(data: st.DataObject, channel: Series, columns: int) -> None:
    """min and max of the drawn samples inside any range are those of all samples inside it; time never falls."""
    from_s, to_s = data.draw(st.composite(stretch)(float(channel.time_s[-1])))
    thinned = Envelope.of(channel).thin(from_s, to_s, columns)
    inside = channel.value[(channel.time_s >= from_s) & (channel.time_s <= to_s)]
    drawn = thinned.value[(thinned.time_s >= from_s) & (thinned.time_s <= to_s)]
    assert (np.diff(thinned.time_s) >= 0).all()
    if len(inside):
        assert np.nanmin(drawn) == inside.min()
        assert np.nanmax(drawn) == inside.max()
    samples = dict(zip(channel.time_s.tolist(), channel.value.tolist(), strict=True))
    real = ~np.isnan(thinned.value)
    pairs = zip(thinned.time_s[real].tolist(), thinned.value[real].tolist(), strict=True)
    assert all(samples[time] == value for time, value in pairs)
    gaps = np.count_nonzero(channel.gap_after)
    assert len(thinned.time_s) <= 2 * columns + 4 + 3 * gaps


def test_a_sample_beyond_the_end_hides_none_inside() -> None:
    """The neighbour drawn outside the visible range is lower than all inside it, and must not stand for them."""
    value = np.full(40, 2.0)
    value[20], value[-1] = 1.0, 0.0
    channel = series(value)
    to_s = float(channel.time_s[-2])
    thinned = Envelope.of(channel).thin(0.0, to_s, 2)
    assert thinned.value[thinned.time_s <= to_s].min() == 1.0


@given(channels(), st.integers(2, 40))
def test_a_gap_breaks_the_line(channel: Series, columns: int) -> None:
    """Between two drawn samples there is a NaN exactly where a gap lies between them."""
    thinned = Envelope.of(channel).thin(-1.0, 1e6, columns)
    ends = channel.time_s[1:][channel.gap_after]
    real = np.flatnonzero(~np.isnan(thinned.value))
    times = thinned.time_s[real]
    crossed = np.searchsorted(ends, times[1:], "right") > np.searchsorted(ends, times[:-1], "right")
    assert (np.diff(real) == np.where(crossed, 2, 1)).all()
    if np.count_nonzero(channel.gap_after) <= columns:
        # Both sides of every gap are drawn, so that it looks as long as it was.
        assert np.isin(ends, times).all()


@given(st.data(), channels(), st.integers(1, 12))
def test_ranges_agree_with_a_slow_twin(data: st.DataObject, channel: Series, count: int) -> None:
    """Least and greatest of each stretch, found sample by sample."""
    from_s, to_s = data.draw(st.composite(stretch)(float(channel.time_s[-1])))
    edges = np.linspace(from_s, to_s, count + 1)
    least, greatest = Envelope.of(channel).ranges(edges)
    for place in range(count):
        inside = channel.value[(channel.time_s >= edges[place]) & (channel.time_s < edges[place + 1])]
        if len(inside):
            assert (least[place], greatest[place]) == (inside.min(), inside.max())
        else:
            assert np.isnan(least[place])


def test_a_single_sample_peak_survives_at_full_width() -> None:
    """One sample of 90 A in 400 000 others at 10 A is drawn, at its own time."""
    value = np.full(400_000, 10.0)
    value[123_457] = 90.0
    channel = series(value)
    thinned = Envelope.of(channel).thin(0.0, 800.0, 600)
    assert len(thinned.time_s) < 1300
    assert thinned.time_s[int(np.argmax(thinned.value))] == channel.time_s[123_457]


def test_a_sample_between_two_gaps_is_named() -> None:
    thinned = Envelope.of(series(np.arange(6.0), gaps=(2, 3))).thin(0.0, 10.0, 50)
    assert thinned.value[thinned.alone].tolist() == [3.0]


def test_density_adds_up_to_sampled_time() -> None:
    """Gaps count for nothing; a corner cell holds the greatest value."""
    rng = np.random.default_rng(3)
    value = rng.normal(10.0, 4.0, 2000)
    channel = series(value, gaps=(700,))
    grid = density(channel.time_s, value, 25 - 0.02 * value, channel.gap_after, 30, 20)
    assert grid.seconds.sum() == pytest.approx(channel.sampled_s)
    assert grid.seconds.shape == (20, 30)
    assert (grid.x_edges[0], grid.x_edges[-1]) == (value[:-1].min(), value[:-1].max())
    # The voltage falls as the current rises: all time lies on the falling diagonal.
    place = np.argwhere(grid.seconds > 0)
    assert (place[:, 0] / 20 + place[:, 1] / 30).max() <= 1.1


def test_density_of_a_constant() -> None:
    channel = series(np.full(5, 3.0))
    assert density(channel.time_s, channel.value, channel.value, channel.gap_after, 4, 4).seconds.sum() == 4 * 0.002
