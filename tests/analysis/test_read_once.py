"""A long run's file is read no more often than it must be, and what is read is what it holds."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from unittest.mock import patch

import numpy as np
import polars as pl
import pytest

from amptally.analysis.errors import RunContentError
from amptally.analysis.integrals.sums import curve_sums, power_sums
from amptally.analysis.report.single_pass import single_pass
from amptally.analysis.runs import columns, run
from amptally.analysis.runs.columns import ChannelBuffer, ColumnReader, in_units
from amptally.analysis.runs.run import Run
from amptally.analysis.runs.sample_times import BLOCK_ROWS, SampleTimes
from amptally.analysis.signals.series import Places
from amptally.logger.storage.runfile import RunFile
from tests.analysis.build_runs import CART, in_stretches, write_run

LATE = "[sensors.battery_voltage]\ndelay_s = 0.0004\n"


class Stored:
    """Times in a file that counts how often it is asked."""

    def __init__(self, time_us: Places) -> None:
        self.time_us = time_us
        self.asked: list[tuple[int, int]] = []

    def read(self, start: int, rows: int) -> Places | None:
        self.asked.append((start, rows))
        return self.time_us[start : start + rows]


def two_blocks_and_a_half() -> Places:
    return np.arange(5 * BLOCK_ROWS // 2, dtype=np.int64) * 1000 + 7


def test_even_times_are_read_once() -> None:
    stored = Stored(two_blocks_and_a_half())
    times = SampleTimes("a", len(stored.time_us), stored.read, 1.00002)
    first = times.of(0, len(stored.time_us))
    assert np.array_equal(first, stored.time_us * 1e-6 / 1.00002)
    for start, rows in ((0, len(first)), (5, 10), (BLOCK_ROWS - 3, 6), (2 * BLOCK_ROWS + 1, BLOCK_ROWS // 2 - 1)):
        assert np.array_equal(times.of(start, rows), first[start : start + rows])
    assert len(stored.asked) == 1


def test_an_uneven_block_is_read_each_time() -> None:
    time_us = two_blocks_and_a_half()
    time_us[BLOCK_ROWS + 100] += 1
    stored = Stored(time_us)
    times = SampleTimes("a", len(time_us), stored.read, 1.0)
    first = times.of(0, len(time_us))
    held = times.of(BLOCK_ROWS + 90, 20)
    assert np.array_equal(held, first[BLOCK_ROWS + 90 : BLOCK_ROWS + 110])
    assert times.of(BLOCK_ROWS + 90, 20) is held
    assert stored.asked == [(0, len(time_us))]
    for start in (10, 20):  # even, and so made anew: what was read is not held any longer
        times.of(start, BLOCK_ROWS - 20)
    assert len(stored.asked) == 1
    assert np.array_equal(times.of(BLOCK_ROWS + 95, 20), first[BLOCK_ROWS + 95 : BLOCK_ROWS + 115])
    assert stored.asked[1:] == [(BLOCK_ROWS + 95, 20)]


def test_single_rows_are_read_once() -> None:
    stored = Stored(two_blocks_and_a_half())
    times = SampleTimes("a", len(stored.time_us), stored.read, 1.0)
    for _ in range(2):
        assert times.of(7, 1).tolist() == [stored.time_us[7] * 1e-6]
        times.of(BLOCK_ROWS, 10), times.of(BLOCK_ROWS + 20, 10), times.of(BLOCK_ROWS + 40, 10)
    assert [asked for asked in stored.asked if asked[1] == 1] == [(7, 1)]


def test_part_of_a_block_tells_nothing_of_the_rest() -> None:
    time_us = two_blocks_and_a_half()
    time_us[BLOCK_ROWS - 1] += 500
    stored = Stored(time_us)
    times = SampleTimes("a", len(time_us), stored.read, 1.0)
    times.of(0, BLOCK_ROWS - 1)
    assert times.of(BLOCK_ROWS - 2, 2).tolist() == (time_us[BLOCK_ROWS - 2 : BLOCK_ROWS] * 1e-6).tolist()


def test_times_that_cannot_be_are_refused() -> None:
    backwards, far = two_blocks_and_a_half(), two_blocks_and_a_half()
    backwards[500] = backwards[499]
    far[-1] = 10**18
    for time_us, said in ((backwards, "does not increase"), (far, "right unit")):
        with pytest.raises(RunContentError, match=said):
            SampleTimes("a", len(time_us), Stored(time_us).read, 1.0).of(0, len(time_us))
    with pytest.raises(RunContentError, match="does not increase"):
        SampleTimes("a", 10, lambda _start, _rows: None, 1.0).of(0, 10)


def test_columns_side_by_side_are_read_chunk_by_chunk() -> None:
    frame = pl.DataFrame({"a": range(1000), "b": range(1000, 2000)})
    asked: list[int] = []

    def read(names: Sequence[str], start: int, rows: int) -> pl.DataFrame:
        asked.append(start)
        return frame.select(names).slice(start, rows)

    with patch.object(columns, "CHUNK_ROWS", 100):
        together = ColumnReader(read, ("a", "b"), 1000)
        for start, rows in ((0, 100), (95, 110), (200, 105), (990, 10)):
            for name in ("a", "b"):
                assert together.column(name, start, rows).equals(frame[name].slice(start, rows))
    assert asked == [0, 100, 200, 300, 900]


def test_units_of_a_column_in_pieces() -> None:
    pieces = pl.concat([pl.Series([1, 2], dtype=pl.Int32), pl.Series([3], dtype=pl.Int32)], rechunk=False)
    assert pieces.n_chunks() == 2
    assert in_units(pieces, 0.5).tolist() == [0.5, 1.0, 1.5]
    assert in_units(pieces, 0.5, 0.25, 2.0).tolist() == [0.125, 0.375, 0.625]


def test_stretches_are_put_together_where_none_lacks_values() -> None:
    value = np.arange(10.0)
    gathered, broken = ChannelBuffer(np.empty(10)), ChannelBuffer(np.empty(10))
    for begin, stop in ((0, 5), (3, 8), (3, 8), (6, 10)):
        gathered.add(begin, value[begin:stop])
    assert gathered.complete
    assert gathered.value.tolist() == value.tolist()
    for begin, stop in ((0, 5), (7, 10)):
        broken.add(begin, value[begin:stop])
    assert not broken.complete


class Reads:
    """Run files that count how often they are read."""

    def __init__(self) -> None:
        self.asked: list[tuple[tuple[str, ...], int | None]] = []

    def counting(self) -> AbstractContextManager[object]:
        read, asked = RunFile.read, self.asked

        def counted(
            file: RunFile, names: Sequence[str], start: int = 0, rows: int | None = None, *, with_time: bool = True
        ) -> pl.DataFrame:
            asked.append((tuple(names), rows))
            return read(file, names, start, rows, with_time=with_time)

        return patch.object(RunFile, "read", counted)


@pytest.mark.parametrize("even", [True, False], ids=["even", "uneven"])
def test_what_a_report_needs_again_is_kept_by_the_survey(tmp_path: Path, even: bool) -> None:
    rng = np.random.default_rng(6)
    time_s = np.arange(20_000) * 0.002 if even else np.round(np.cumsum(rng.uniform(0.0015, 0.0025, 20_000)), 6)
    time_s[9000:] += 1.0
    channels = {name: rng.normal(3, 2, 20_000) for name in ("battery_current_a", "left_current_a", "battery_voltage_v")}
    channels["left_current_a"][12_345] = np.nan
    path = write_run(tmp_path / "a.parquet", time_s, channels, machine=CART + LATE)
    held = ("battery_current_a", "battery_voltage_v")
    with in_stretches():
        kept, again = Run.open(path), Run.open(path)
        single_pass(kept)
        reads = Reads()
        with reads.counting():
            found = [kept.series(name) for name in held]
            pieces = [kept.part(10.0, 25.0).series(name) for name in held]
            cuts = [kept.samples(name, 5, 5000) for name in held]
            assert reads.asked == []
            lacking = kept.series("left_current_a")
        assert lacking is not None
        assert len(lacking.value) == 19_999
        assert reads.asked == [(("left_current_ua",), 20_000)]
        wanted = [
            *(again.series(name) for name in held),
            *(Run.open(path).part(10.0, 25.0).series(name) for name in held),
            *(again.samples(name, 5, 5000) for name in held),
        ]
        for one, other in zip([*found, *pieces, *cuts], wanted, strict=True):
            assert one is not None
            assert other is not None
            assert np.array_equal(one.time_s, other.time_s)
            assert np.array_equal(one.value, other.value)
            assert np.array_equal(one.gap_after, other.gap_after)


def test_nothing_is_kept_of_a_long_run(tmp_path: Path) -> None:
    path = write_run(tmp_path / "a.parquet", np.arange(9000) * 0.002, {"battery_current_a": np.ones(9000)})
    reads = Reads()
    with in_stretches(), patch.object(run, "CACHED_ROWS", 8000):
        long = Run.open(path)
        single_pass(long)
        with reads.counting():
            long.samples("battery_current_a", 0, 10)
    assert (("battery_current_ua",), 10) in reads.asked


def test_a_survey_reads_a_long_run_once(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    channels = {name: rng.normal(3, 2, 20_000) for name in ("battery_current_a", "left_current_a", "battery_voltage_v")}
    path = write_run(tmp_path / "a.parquet", np.arange(20_000) * 0.002, channels, machine=CART)
    reads = Reads()
    with in_stretches():
        long = Run.open(path)
        assert not long.at_once
        assert long.interval_s == 0.002
        with reads.counting():
            single_pass(long)
            seen = [long.extremes(name) for name in channels]
            curve = curve_sums(long, "battery_current_a")
            power = power_sums(long, "left_current_a", "battery_voltage_v")
    values = [rows for names, rows in reads.asked if names]
    assert values == [4000] * 5
    whole = Run.open(path)
    assert seen == [whole.extremes(name) for name in channels]
    assert curve.total.net == pytest.approx(curve_sums(whole, "battery_current_a").total.net, rel=1e-12)
    once = power_sums(whole, "left_current_a", "battery_voltage_v").products
    assert power.products[:3] == pytest.approx(once[:3], rel=1e-9)
    # Squares of weights: a sample at the end of a block counts as two halves.
    assert power.products[3:] == pytest.approx(once[3:], rel=1e-3)
