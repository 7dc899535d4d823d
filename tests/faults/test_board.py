"""What a board can do to a recording: reset, run faster than it says, speak at another baud rate."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from amptally.logger.wire.blocks import Block, Booted
from amptally.logger.wire.decoder import BoardDecoder
from amptally.logger.wire.frames import Describe, Event, EventCode, Fault, Message, Samples, encode
from tests.faults.checks import numbers, sound
from tests.faults.harness import CHANNELS, LiveBoard, ThreadRecorder, live_board, options
from tests.logger.bench_board import bench_board


def test_a_reset_board_is_started_again_and_keeps_both_boots(tmp_path: Path) -> None:
    """A brown-out leaves the port open and the board waiting for a start command, which nobody else would give."""
    with live_board(rate_hz=1000, interval_us=1000) as (board, port):
        recorder = ThreadRecorder(options(port, tmp_path))
        recorder.wait_for(lambda: board.written >= 1200)
        before = board.written
        board.reset()
        recorder.wait_for(lambda: board.written >= 700)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    run = sound(outcome.path)
    assert run.metadata.faults["reset"] == 1
    (gap,) = run.metadata.gaps
    assert gap.kind == "reset"
    assert gap.end_s is not None
    # Silence is answered with a start command after a second, and host time says how long it was.
    assert 0.3 < gap.end_s - gap.start_s < 3.0 + 4 * board.slowest_turn_s
    assert gap.start_s == pytest.approx((before - 1) / 1000, abs=0.05)
    found = numbers(run)
    second = found.index(0, 1)
    assert found[:second] == list(range(second))
    assert found[second:] == list(range(len(found) - second))
    assert [entry["boot"] for entry in run.metadata.extremes] == [0, 1]
    greatest = [entry["channels"]["battery_current_ua"]["greatest"] // 1000 for entry in run.metadata.extremes]
    assert greatest[0] >= 999  # the first boot's extremes are not overwritten by the second's
    assert all(entry["reaches_back_s"] < 0.2 for entry in run.metadata.extremes)


def test_many_resets(tmp_path: Path) -> None:
    with live_board(always_on=True) as (board, port):
        recorder = ThreadRecorder(options(port, tmp_path))
        for _ in range(5):
            recorder.wait_for(lambda: board.written >= 100)
            board.reset()
        recorder.wait_for(lambda: board.written >= 100)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    run = sound(outcome.path)
    assert run.metadata.faults == {"reset": 5}


def test_samples_closer_together_than_the_board_announced(tmp_path: Path) -> None:
    """Times are those of the samples frames; the interval in the description decides nothing but what is a gap."""
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe())
        for place in range(20):
            rows = np.tile(np.array([place, 24_000_000, 0, 0], "<i4"), (10, 1)).tobytes()
            board.write(board.frame(Samples(1, 1, place * 5_000, 500, rows, 10)))
        recorder.wait_for(lambda: recorder.seen == 200)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    run = sound(outcome.path)
    assert run.read([])["t_us"].to_list() == list(range(0, 100_000, 500))
    assert run.metadata.faults == {}


def test_a_board_whose_clock_runs_four_times_too_fast_keeps_its_own_time(tmp_path: Path) -> None:
    with live_board(rate_hz=2000, interval_us=2000) as (board, port):
        recorder = ThreadRecorder(options(port, tmp_path))
        recorder.wait_for(lambda: board.written >= 3500)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    run = sound(outcome.path)
    rate = run.metadata.clock["rate"]
    assert rate == pytest.approx(4.0, rel=0.2)
    assert run.read([])["t_us"].to_list()[1000] == 1000 * 2000
    assert run.metadata.faults == {}


def test_a_flood_arrives_whole(tmp_path: Path) -> None:
    """200,000 samples as fast as the line takes them, a hundred times what 115,200 baud carries."""
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe())
        for _ in range(400):
            board.write(board.samples(500))
        recorder.wait_for(lambda: recorder.seen == 200_000)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    run = sound(outcome.path)
    assert numbers(run) == list(range(200_000))
    assert run.metadata.faults == {}


def as_heard(data: bytes, sent_baud: int, heard_baud: int) -> bytes:
    """What a receiver makes of 8N1 characters sent at another speed: it samples the line in the middle of its bits."""
    bits = np.concatenate([[0, *((byte >> place) & 1 for place in range(8)), 1] for byte in data] + [np.ones(40, int)])
    step = sent_baud / heard_baud
    heard, at = bytearray(), 0.0
    while True:
        while int(at) < len(bits) and bits[int(at)]:
            at = int(at) + 1.0  # idle until a falling edge
        if at + 10 * step >= len(bits):
            return bytes(heard)
        heard.append(sum(int(bits[int(at + (place + 1.5) * step)]) << place for place in range(8)))
        at += 9.5 * step


@pytest.mark.parametrize(
    ("sent", "heard"), [(115_200, 57_600), (57_600, 115_200), (115_200, 250_000), (9_600, 115_200)]
)
def test_another_baud_rate_makes_no_samples(sent: int, heard: int) -> None:
    board = LiveBoard(-1)
    frames: list[bytes] = []
    board.damage = lambda frame: (frames.append(frame), b"")[1]
    board.send(board.describe())
    for _ in range(60):
        board.send(board.samples())
        board.taken += 10
    stream = b"".join(frames)
    assert as_heard(stream[:200], 115_200, 115_200) == stream[:200]
    decoder = BoardDecoder()
    garbled = as_heard(stream, sent, heard)
    assert len(garbled) > 100
    items = decoder.feed(garbled) + decoder.finish()
    assert not decoder.understood
    assert not any(isinstance(item, Block) for item in items)


def test_a_wrong_baud_rate_is_reported_and_the_bytes_are_stored(tmp_path: Path) -> None:
    """On a real line: the board talks at half the speed that the recorder listens with."""
    with live_board(always_on=True) as (board, port):
        board.damage = lambda frame: as_heard(frame, 57_600, 115_200)
        recorder = ThreadRecorder(options(port, tmp_path))
        recorder.wait_for(lambda: any("baud rate is wrong" in text for text in recorder.said))
        outcome = recorder.stop(tmp_path)
    assert (outcome.path, outcome.exit_code) == (None, 4)
    assert outcome.journal is not None
    assert outcome.journal.stat().st_size > 1000


def streamed(boot: int, first_sequence: int, first_us: int, count: int, event: bool = False) -> list[bytes]:
    """What a board sends after a start: describe, perhaps the event, samples of ten."""
    messages: list[Message] = [Describe(1, boot, 1, 2000, "t", CHANNELS)]
    if event:
        messages.append(Event(first_us % 2**32, EventCode.RESET, 4))
    for place in range(count):
        rows = np.zeros((10, len(CHANNELS)), "<i4")
        messages.append(Samples(1, boot & 255, (first_us + place * 20_000) % 2**32, 2000, rows.tobytes(), 10))
    return [encode(message, (first_sequence + place) & 0xFFFF) for place, message in enumerate(messages)]


def decoded(frames: list[bytes]) -> tuple[Counter[str], int, dict[int, int]]:
    """Faults by kind, number of restarts, samples by boot."""
    decoder, faults, boots, rows = BoardDecoder(), Counter[str](), 0, Counter[int]()
    for item in [each for frame in frames for each in decoder.feed(frame)] + decoder.finish():
        if isinstance(item, Fault):
            faults[item.kind] += item.amount
        elif isinstance(item, Booted):
            boots += 1
        elif isinstance(item, Block):
            rows[item.boot] += len(item.time_us)
    return faults, boots, dict(rows)


@pytest.mark.parametrize("event", [False, True])
@pytest.mark.parametrize("sent", [70, 3000, 30_000, 40_000])
def test_a_reset_with_the_same_boot_counter_loses_no_frame(sent: int, event: bool) -> None:
    """62,503 frames were counted as lost where a board without a counter began again at sequence number 0."""
    before, after = streamed(1, 0, 0, sent), streamed(1, 0, 300_000, 100, event)
    assert decoded(before + after) == (Counter(), 1, {0: 10 * sent, 1: 1000})


def test_a_reset_after_forty_minutes_with_the_same_counter() -> None:
    """The new time looks like half an hour's step forward; the event says what it is."""
    before, after = streamed(1, 500, 2_400_000_000, 300), streamed(1, 0, 300_000, 100, event=True)
    assert decoded(before + after) == (Counter(), 1, {0: 3000, 1: 1000})


def test_frames_lost_are_counted_all_the_same() -> None:
    frames = streamed(1, 0, 0, 300)
    assert decoded(frames[:100] + frames[140:]) == (Counter(sequence=40), 0, {0: 2600})
    # Lost on both sides of a reset: those before the board's next frames cannot be told from the restart.
    again = streamed(1, 0, 300_000, 300)
    assert decoded(frames + again[:100] + again[140:]) == (Counter(sequence=40), 1, {0: 3000, 1: 2600})
