"""Time of a run: late delivery, the turn of the 32-bit clock, sources faster than real time; never backwards."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.clock import RunClock, fit_clock, without_jumps
from amptally.logger.recording.run_builder import RunBuilder
from amptally.logger.storage.journal import Record
from amptally.logger.storage.metadata import Metadata
from amptally.logger.wire.blocks import LONGEST_US, Block, Layout
from amptally.logger.wire.frames import Describe, Samples, encode
from tests.faults.checks import numbers, sound
from tests.faults.harness import CHANNELS, ThreadRecorder, live_board, options
from tests.strategies import examples


def built(folder: Path, records: list[tuple[int, bytes]]) -> Path:
    """A run from (host time, bytes) as a journal would hold them."""
    builder = RunBuilder(folder, "run-1")
    builder.accept(Record("bytes", host_us, data) for host_us, data in records)
    path = folder / "run-1.parquet"
    assert builder.finish(path, Metadata("run-1"), "test") is not None
    return path


def frames(
    count: int, *, first_us: int = 0, interval_us: int = 2000, boot: int = 1, per_frame: int = 10
) -> list[bytes]:
    """A describe frame and `count` samples frames."""
    out = [encode(Describe(1, boot, 1, interval_us, "t", CHANNELS), 0)]
    for place in range(count):
        numbers_ = np.arange(place * per_frame, (place + 1) * per_frame)
        rows = np.stack([numbers_ * 1000, numbers_ * 0 + 24_000_000, numbers_ * 0, numbers_ * 0], axis=1)
        at = (first_us + place * per_frame * interval_us) % 2**32
        out.append(encode(Samples(1, boot & 255, at, interval_us, rows.astype("<i4").tobytes(), per_frame), place + 1))
    return out


@pytest.mark.parametrize("drift_ppm", [-300.0, 0.0, 300.0])
def test_buffered_delivery_does_not_bend_the_clock(tmp_path: Path, drift_ppm: float) -> None:
    """A radio that hands over what it gathered every 300 ms, and once stands still for 8 s: late, never early."""
    rng = np.random.default_rng(8)
    records, held = [], []
    for place, data in enumerate(frames(3000)):
        sent_us = round(place * 20_000 / (1 + drift_ppm * 1e-6))
        held.append(data)
        stalled = 20_000_000 < sent_us < 28_000_000
        if place % 15 == 14 and not stalled:
            records.append((10_000_000 + sent_us + int(rng.exponential(4_000)), b"".join(held)))
            held = []
    records.append((10_000_000 + 70_000_000, b"".join(held)))
    run = sound(built(tmp_path, records))
    assert numbers(run) == list(range(30_000))
    assert run.read([])["t_us"].to_list() == list(range(0, 60_000_000, 2000))  # arrival never touches stored time
    clock = run.metadata.clock
    assert clock["drift_ppm"] == pytest.approx(drift_ppm, abs=30)
    assert clock["residual_us"] is not None
    assert clock["residual_us"] < 10_000
    assert run.metadata.gaps == ()


def test_the_clock_wraps_while_recording(tmp_path: Path) -> None:
    start = 2**32 - 1_000_000
    with live_board(first_us=start) as (board, port):
        recorder = ThreadRecorder(options(port, tmp_path))
        recorder.wait_for(lambda: board.written >= 1000)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    run = sound(outcome.path)
    assert run.read([])["t_us"].to_list() == list(range(0, 2000 * run.rows, 2000))
    assert run.metadata.faults == {}


def test_thirty_wraps_of_the_clock(tmp_path: Path) -> None:
    """A day and a half: samples 25 minutes apart, each turn told from a reset by the boot counter."""
    step = 1_500_000_000
    data = frames(90, interval_us=step, per_frame=1, first_us=2**31)
    run = sound(built(tmp_path, [(place * step, each) for place, each in enumerate(data)]))
    assert run.read([])["t_us"].to_list() == [place * step for place in range(90)]
    assert run.metadata.faults == {}
    assert abs(run.metadata.clock["drift_ppm"] or 0.0) < 1


def test_a_source_faster_than_real_time_keeps_board_time(tmp_path: Path) -> None:
    data = frames(2000)
    run = sound(built(tmp_path, [(round(place * 20_000 / 25), each) for place, each in enumerate(data)]))
    assert run.metadata.clock["rate"] == pytest.approx(25, rel=0.01)
    from amptally.analysis.runs.run import Run

    opened = Run.open(run.path)
    assert opened.drift_applied_ppm is None
    assert opened.duration_s == pytest.approx(39.998)


boots = st.lists(
    st.tuples(
        st.integers(0, 2**32 - 1),  # board time of the first sample
        st.integers(1, 40),  # frames
        st.sampled_from([500, 2000, 100_000, 40_000_000]),  # interval
        st.integers(-(10**6), 10**7),  # host time that passes before it
        st.booleans(),  # the boot counter counts
    ),
    min_size=1,
    max_size=6,
)


@given(boots, st.integers(0, 2**40))
@examples(0.6)
def test_time_never_goes_back(
    tmp_path_factory: pytest.TempPathFactory, plan: list[tuple[int, int, int, int, bool]], host: int
) -> None:
    """Whatever boards and host clocks do, resets with and without a counter, host times that step back."""
    records, boot = [], 1
    for first_us, count, interval_us, pause_us, counted in plan:
        boot += counted
        for data in frames(count, first_us=first_us, interval_us=interval_us, boot=boot):
            host = max(host + pause_us, 0)
            records.append((host, data))
    folder = tmp_path_factory.mktemp("time")
    sound(built(folder, records))


@given(
    st.lists(st.tuples(st.integers(0, 2**62 - 1), st.integers(0, LONGEST_US)), min_size=0, max_size=50),
    st.booleans(),
)
def test_any_pairs_of_times_give_a_finite_fit(pairs: list[tuple[int, int]], rising: bool) -> None:
    if rising:
        pairs = list(zip(sorted(p[0] for p in pairs), sorted(p[1] for p in pairs), strict=True))
    table = np.array(pairs, np.int64).reshape(-1, 2)
    fit = fit_clock(table[:, 0], table[:, 1])
    for value in (fit.rate, fit.rate_u, fit.residual_us, fit.drift_ppm):
        assert value is None or np.isfinite(value)


def test_no_clock_runs_for_centuries() -> None:
    clock = RunClock()
    layout = Layout(("mark",), 1, None)
    for boot in range(5000):
        block = Block(layout, boot, np.array([0, 4 * 10**15]), np.zeros((2, 1), np.int64))
        run_us, _ = clock.place(block.boot, block.time_us, boot * 1000)
        assert not len(run_us) or run_us[-1] <= LONGEST_US


@pytest.mark.parametrize("minutes", [20, 40, 75, 100, 200])
def test_out_of_range_for_longer_than_a_turn_of_the_clock(tmp_path: Path, minutes: int) -> None:
    """The link is silent, the port stays open, the board runs on: only the host's clock can tell how many turns."""
    away_us = minutes * 60_000_000
    before, after = frames(1000), frames(1000, first_us=20_000_000 + away_us)
    records = [(place * 20_000, data) for place, data in enumerate(before)]
    records += [(20_000_000 + away_us + place * 20_000 + 7_000, data) for place, data in enumerate(after)]
    run = sound(built(tmp_path, records))
    end_us = run.read([])["t_us"].to_list()[-1]
    # To a few milliseconds: between half a turn and a whole one the host's clock is all there is.
    assert end_us == pytest.approx(40_000_000 + away_us - 2000, abs=30_000)
    assert len(run.metadata.gaps) == 1


def test_a_source_that_can_be_stopped_gains_no_wraps(tmp_path: Path) -> None:
    """A replay or simulation, faster than real time, that somebody let stand for an hour."""
    data = frames(2000)
    records = [(round(place * 1600) + (3_600_000_000 if place > 1000 else 0), each) for place, each in enumerate(data)]
    run = sound(built(tmp_path, records))
    assert run.read([])["t_us"].to_list() == list(range(0, 40_000_000, 2000))


@pytest.mark.parametrize("hours", [0.1, 1.0, 1.3, 24.0])
def test_a_host_clock_that_jumps_moves_nothing(tmp_path: Path, hours: float) -> None:
    """A virtual machine goes on after a pause: the frames follow one another, only the host's clock does not."""
    jump_us = round(hours * 3600e6)
    records = [(10_000_000 + place * 20_000, data) for place, data in enumerate(frames(6000))]
    records = [(host_us + jump_us * (place > 3000), data) for place, (host_us, data) in enumerate(records)]
    run = sound(built(tmp_path, records))
    assert run.read([])["t_us"].to_list() == list(range(0, 120_000_000, 2000))
    assert run.metadata.gaps == ()
    assert run.metadata.faults == {}
    assert run.metadata.clock["drift_ppm"] == pytest.approx(0, abs=30)


def test_a_stall_of_minutes_is_no_jump() -> None:
    """A serial server kept everything for 70 s while the host stood still; then it comes at once."""
    clock, pairs = RunClock(), []
    for place in range(6000):
        sent_us = place * 20_000
        host_us = 10_000_000 + (90_000_000 if 20_000_000 < sent_us < 90_000_000 else sent_us)
        run_us, _ = clock.place(0, sent_us + np.arange(0, 20_000, 2_000), host_us)
        pairs.append((host_us, int(run_us[-1])))
    assert len(clock._jumps) == 1
    host, run = np.array(pairs).T
    assert np.array_equal(without_jumps(host, run, clock._jumps), host)
