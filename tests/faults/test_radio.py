"""A serial radio link loses and delays bytes. What the board saw at its worst survives a link that was down then."""

from __future__ import annotations

import random
import signal
from collections import deque
from pathlib import Path

import numpy as np
import pytest

from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from amptally.logger.storage.metadata import Metadata
from amptally.logger.wire.frames import Extreme, Extremes, Samples
from tests.faults.checks import numbers, sound
from tests.faults.harness import CHANNELS, RecorderProcess, ThreadRecorder, live_board, options
from tests.logger.bench_board import INTERVAL_US, BenchBoard, bench_board

SPIKE_UA = 92_000_000
BATTERY, _, LEFT, _ = CHANNELS


def extremes(board: BenchBoard, greatest_ua: int, *, since: int = 0, least_ua: int = 0) -> Extremes:
    """What the board sends once a second: everything since the start command, lost or not."""
    entries = (Extreme(BATTERY.wire_id, least_ua, greatest_ua, 5_000_000), Extreme(LEFT.wire_id, -(2**31), -(2**31), 0))
    duration_ms = (board.sent - since) * INTERVAL_US // 1000
    return Extremes(board.sent * INTERVAL_US % 2**32, duration_ms, entries)


def peak_of(path: Path) -> tuple[float | None, str]:
    """The report's peak of the battery current and what it rests on."""
    peak = build_report(Run.open(path)).as_json()["current"]["battery"]["peak_a"]
    return peak["value"], peak["basis"]


def recorded(recorder: ThreadRecorder, out: Path, rows: int) -> Path:
    recorder.wait_for(lambda: recorder.seen >= rows)
    outcome = recorder.stop(out)
    assert outcome.path is not None
    assert sound(outcome.path).rows == rows
    return outcome.path


def test_a_spike_in_lost_frames_is_in_the_report(tmp_path: Path) -> None:
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe() + board.samples(500))
        board.samples(400)  # the link is down, and with it goes 92 A
        board.write(board.frame(extremes(board, SPIKE_UA)) + board.samples(500))
        path = recorded(recorder, tmp_path, 1000)
    (entry,) = Run.open(path).metadata.extremes
    assert entry["channels"]["battery_current_ua"] == {"least": 0, "greatest": SPIKE_UA, "rms": 5_000_000}
    assert entry["channels"]["left_current_ua"] == {"least": None, "greatest": None, "rms": 0}
    assert entry["reaches_back_s"] == 0
    value, basis = peak_of(path)
    assert value == pytest.approx(92.0)
    assert "board's own extremes" in basis
    assert max(numbers(sound(path))) < 1400  # no sample shows more than 1.4 A


def test_a_peak_from_before_the_recording_is_not_its_own(tmp_path: Path) -> None:
    """A board that obeys no commands has counted since it was switched on."""
    with bench_board() as board:
        board.sent = 30_000
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe() + board.samples(500) + board.frame(extremes(board, SPIKE_UA)) + board.samples(500))
        path = recorded(recorder, tmp_path, 1000)
    (entry,) = Run.open(path).metadata.extremes
    assert entry["reaches_back_s"] == pytest.approx(60.0, abs=0.01)
    value, _ = peak_of(path)
    assert value == pytest.approx(30.999)


def test_the_count_begun_anew_is_the_one_that_counts(tmp_path: Path) -> None:
    """The recorder says stop and start: a frame already under way reaches back, the next ones do not."""
    with bench_board() as board:
        board.sent = 30_000
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe() + board.samples(10) + board.frame(extremes(board, SPIKE_UA)))
        board.write(board.samples(500) + board.frame(extremes(board, 31_000_000, since=30_010)))
        path = recorded(recorder, tmp_path, 510)
    value, _ = peak_of(path)
    assert value == pytest.approx(31.0)


def test_a_restart_within_the_run_keeps_the_maximum(tmp_path: Path) -> None:
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe() + board.samples(500) + board.frame(extremes(board, SPIKE_UA)))
        board.write(board.samples(500) + board.frame(extremes(board, 2_000_000, since=500)))
        path = recorded(recorder, tmp_path, 1000)
    assert peak_of(path)[0] == pytest.approx(92.0)


def test_the_clock_of_a_long_run_wraps_between_two_extremes(tmp_path: Path) -> None:
    """1 h 12 min of board time: the extremes cover the run and nothing before it, across the turn of the clock."""
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe() + board.samples(50))
        for minutes in range(9, 73, 9):
            board.sent = minutes * 60 * 500
            board.write(board.frame(samples_at(board)) + board.frame(extremes(board, SPIKE_UA)))
        board.sent += 1
        board.write(board.frame(samples_at(board, 10)))
        path = recorded(recorder, tmp_path, 68)
    run = sound(path)
    assert run.read([])["t_us"].to_list()[-1] == 72 * 60 * 1_000_000 + 10 * INTERVAL_US
    (entry,) = run.metadata.extremes
    assert entry["reaches_back_s"] == 0
    assert peak_of(path)[0] == pytest.approx(92.0)


def samples_at(board: BenchBoard, count: int = 1) -> Samples:
    """Samples from the board's time as it is now, the clock of 32 bits having turned or not."""
    rows = np.tile(np.array([0, 24_000_000, 0, 0], "<i4"), (count, 1)).tobytes()
    return Samples(1, board.boot, board.sent * INTERVAL_US % 2**32, INTERVAL_US, rows, count)


class LossyLink:
    """Loses bursts of frames, spoils some and delivers the others late, in order."""

    def __init__(self, seed: int) -> None:
        self._rng = random.Random(seed)
        self._delayed: deque[bytes] = deque()
        self._down = 0
        self.bad = 0
        """Frames lost or spoilt."""

    def __call__(self, frame: bytes) -> bytes:
        rng = self._rng
        if self._down == 0 and rng.random() < 0.03:
            self._down = rng.randint(1, 25)
        if self._down:
            self._down -= 1
            self.bad += 1
            return self._out()
        if rng.random() < 0.03:
            at = rng.randrange(1, len(frame) - 1)
            frame = frame[:at] + bytes([frame[at] % 255 + 1]) + frame[at + 1 :]
            self.bad += 1
        self._delayed.append(frame)
        return self._out()

    def _out(self) -> bytes:
        if len(self._delayed) < self._rng.randint(1, 12):
            return b""  # held back in the radio
        sent = b"".join(self._delayed)
        self._delayed.clear()
        return sent


def test_a_lossy_link_is_recorded_with_its_losses_counted(tmp_path: Path) -> None:
    link = LossyLink(5)
    with (
        live_board(damage=link, rate_hz=1000, interval_us=1000) as (board, port),
        RecorderProcess(port, tmp_path / "runs") as recorder,
    ):
        recorder.wait_for(lambda: board.taken >= 1500)
        recorder.signal(signal.SIGTERM)
        code, path, said = recorder.result()
    assert code == 143, said
    assert path is not None
    run = sound(path)
    found = numbers(run)
    assert found == sorted(found)
    # What is missing between the first frame that came and the last is counted frame by frame; the frames lost before
    # and after cannot be known of.
    faults = run.metadata.faults
    assert faults["sequence"] <= link.bad + board.lost
    after = (board.taken - found[-1]) // 10
    assert faults["sequence"] >= link.bad - after - 60
    assert faults["crc"] + faults.get("cobs", 0) > 0
    assert {gap.kind for gap in run.metadata.gaps} == {"link"}
    assert len(found) > 0.4 * found[-1]
    greatest = run.metadata.extremes[0]["channels"]["battery_current_ua"]["greatest"] // 1000
    assert greatest > found[-1] - 2100


def test_extremes_of_a_board_that_starts_over_and_over_stay_bounded() -> None:
    from amptally.logger.storage.extremes import MAX_BOOTS, BoardExtremes

    kept = BoardExtremes()
    for boot in range(5_000):
        kept.start_boot(boot)
        kept.take(Extremes(boot, 10, (Extreme(BATTERY.wire_id, -boot, boot, 1), Extreme(200, 0, 1, 2))))
    entries = kept.as_json()
    assert len(entries) == MAX_BOOTS
    assert entries[-1]["channels"]["battery_current_ua"] == {"least": -4999, "greatest": 4999, "rms": 1}
    assert len(Metadata("x", extremes=entries).to_json()) < 100_000
