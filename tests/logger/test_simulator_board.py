"""The simulated board: commands in, frames out that decode to the very drive that was measured."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.channels import BY_WIRE_ID
from amptally.logger.simulator import Cart, DriveParameters, Scenario, simulate
from amptally.logger.simulator.board import AWAKE_US, DONE, REFUSED, Board, Commands
from amptally.logger.simulator.host import CLOCK_PPM, MOST_DEBT_S, Pace
from amptally.logger.simulator.sensors import WIRE
from amptally.logger.wire.frames import (
    MAX_FRAME,
    Command,
    Describe,
    Event,
    EventCode,
    Extremes,
    Frame,
    Kind,
    Reply,
    Samples,
    decode,
    encode,
    unpack_rows,
)

SHORT = Scenario(drive=DriveParameters(rest_s=1.0, stall_lap=0))
SEED = 5


def frames_of(board: Board, seconds: float) -> Iterator[Frame]:
    """What leaves the board, through the wire format and back."""
    end = board.time_us + seconds * 1e6
    while board.time_us < end:
        for _, message in board.advance():
            stuffed = board.frame(message)
            assert stuffed.endswith(b"\0")
            yield decode(stuffed[:-1])


@pytest.fixture(scope="module")
def sent() -> list[Frame]:
    board = Board(Cart(SEED, SHORT), boot=3)
    answers = [decode(board.frame(message)[:-1]) for message in board.obey(Command(Kind.START))]
    return answers + list(frames_of(board, 6.0))


def test_wire_carries_the_measured_drive(sent: list[Frame]) -> None:
    drive = simulate(SEED, 6.0, scenario=SHORT)
    rows = np.concatenate([
        unpack_rows(frame.message, WIRE) for frame in sent if isinstance(frame.message, Samples)
    ])  # fmt: skip
    assert len(rows) == 3000
    for place, channel in enumerate(WIRE):
        name = BY_WIRE_ID[channel.wire_id].name
        assert np.array_equal(rows[:, place], drive.stored[name]), name


def test_sequence_numbers_and_times_run_on(sent: list[Frame]) -> None:
    assert [frame.sequence for frame in sent] == list(range(len(sent)))
    samples = [frame.message for frame in sent if isinstance(frame.message, Samples)]
    at = AWAKE_US
    for message in samples:
        assert message.first_us == at
        assert message.boot == 3
        at += message.count * message.interval_us
    assert at == AWAKE_US + 6_000_000


def test_start_is_answered_then_described_then_every_second(sent: list[Frame]) -> None:
    assert sent[0].message == Reply(Kind.START, DONE, 2000)
    assert isinstance(sent[1].message, Describe)
    described = [frame for frame in sent if isinstance(frame.message, Describe)]
    assert len(described) == 6
    assert {frame.message for frame in described} == {sent[1].message}
    assert described[0].message.channels == WIRE
    assert described[0].message.interval_us == 2000


def test_extremes_enclose_the_samples(sent: list[Frame]) -> None:
    """From faster sampling: the least and greatest of 1 kHz, hence outside the means at 500 Hz; RMS no less."""
    last = [frame.message for frame in sent if isinstance(frame.message, Extremes)][-1]
    assert last.duration_ms == 5000
    assert [entry.wire_id for entry in last.channels] == [1, 8, 9]
    rows = np.concatenate([
        unpack_rows(frame.message, WIRE) for frame in sent if isinstance(frame.message, Samples)
    ])[:2500]  # fmt: skip
    for place, entry in enumerate(last.channels):
        current = rows[:, place].astype(float)
        assert entry.least <= current.min()
        assert entry.greatest >= current.max()
        assert np.sqrt(np.mean(current**2)) <= entry.rms * 1.0001
        assert entry.rms < 1.1 * np.sqrt(np.mean(current**2))


def test_marker_event_comes_with_the_row_that_counts_it(sent: list[Frame]) -> None:
    events = [frame.message for frame in sent if isinstance(frame.message, Event)]
    assert [(event.code, event.value) for event in events] == [(EventCode.MARKER, 1)]
    drive = simulate(SEED, 6.0, scenario=SHORT)
    first = int(np.flatnonzero(drive.stored["mark"])[0])
    assert events[0].time_us == AWAKE_US + first * 2000


def test_byte_rate_is_that_of_a_modest_serial_line() -> None:
    board = Board(Cart(SEED, SHORT))
    board.obey(Command(Kind.START))
    size = sum(len(board.frame(message)) for _ in range(10) for _, message in board.advance())
    # 8N1: ten bits a byte.
    assert size / 2.0 * 10.0 < 250_000


def test_commands() -> None:
    board = Board(Cart(SEED, SHORT))
    assert not board.running
    assert isinstance(board.obey(Command(Kind.IDENTIFY))[0], Describe)
    assert not board.running
    assert board.obey(Command(Kind.STOP)) == (Reply(Kind.STOP, DONE, 2000),)
    assert board.obey(Command(Kind.SET_RATE, 7000)) == (Reply(Kind.SET_RATE, REFUSED, 2000),)
    assert board.obey(Command(Kind.SET_RATE, 0)) == (Reply(Kind.SET_RATE, REFUSED, 2000),)
    reply, described = board.obey(Command(Kind.SET_RATE, 10_000))
    assert reply == Reply(Kind.SET_RATE, DONE, 10_000)
    assert isinstance(described, Describe)
    assert described.interval_us == 10_000
    board.obey(Command(Kind.START))
    board.obey(Command(Kind.MARK))
    messages = [frame.message for frame in frames_of(board, 0.2)]
    samples = [message for message in messages if isinstance(message, Samples)]
    assert sum(message.count for message in samples) == 20
    assert samples[0].interval_us == 10_000
    assert [m.value for m in messages if isinstance(m, Event)] == [1]
    last, reply = board.obey(Command(Kind.STOP))
    assert isinstance(last, Extremes)
    assert last.duration_ms == 200
    assert not board.running


def test_a_second_start_goes_on_and_counts_extremes_anew() -> None:
    board = Board(Cart(SEED, SHORT))
    board.obey(Command(Kind.START))
    first = list(frames_of(board, 1.2))
    board.obey(Command(Kind.STOP))
    board.obey(Command(Kind.START))
    second = [frame.message for frame in frames_of(board, 1.2)]
    samples = [message for message in second if isinstance(message, Samples)]
    assert samples[0].first_us == AWAKE_US + 1_200_000
    assert [message.duration_ms for message in second if isinstance(message, Extremes)] == [1000]
    assert len(first) > 60


def test_clock_wraps_on_the_wire_only() -> None:
    board = Board(Cart(SEED, SHORT))
    board.time_us = 2**32 - 100_000
    board.obey(Command(Kind.START))
    times = [frame.message.first_us for frame in frames_of(board, 0.2) if isinstance(frame.message, Samples)]
    assert times[4:6] == [2**32 - 20_000, 0]


COMMANDS = st.lists(
    st.one_of(
        st.sampled_from([Kind.IDENTIFY, Kind.START, Kind.STOP, Kind.MARK]).map(Command),
        st.integers(0, 2**32 - 1).map(lambda value: Command(Kind.SET_RATE, value)),
    ),
    max_size=8,
)


@given(COMMANDS, st.lists(st.integers(1, 40), max_size=30))
def test_commands_survive_any_split(commands: list[Command], cuts: list[int]) -> None:
    stream = b"".join(encode(command, place) for place, command in enumerate(commands))
    reader, got, at = Commands(), [], 0
    for cut in [*cuts, len(stream) + 1]:
        got += reader.feed(stream[at : at + cut])
        at += cut
    assert got == commands
    assert reader.dropped == 0


@given(st.binary(max_size=300))
def test_noise_never_hides_the_next_command(noise: bytes) -> None:
    reader = Commands()
    reader.feed(noise)
    reader.feed(b"\0")
    assert reader.feed(encode(Command(Kind.START), 9)) == [Command(Kind.START)]


def test_endless_frame_is_bounded_and_dropped() -> None:
    reader = Commands()
    for _ in range(50):
        assert reader.feed(b"\x01" * 1000) == []
        assert len(reader._held) <= MAX_FRAME
    assert reader.feed(b"\x02\0" + encode(Command(Kind.STOP), 0)) == [Command(Kind.STOP)]
    assert reader.dropped == 1
    # A frame that is good, but goes the other way.
    assert reader.feed(encode(Reply(1, 0, 0), 0)) == []
    assert reader.dropped == 2


def test_pace_follows_the_clock_and_forgives_a_pause() -> None:
    now = [100.0]
    pace = Pace(20.0, lambda: now[0])
    pace.restart(5_000_000.0)
    now[0] += 0.5
    # Half a second at 20 times real time is ten seconds of board time, and a little more for a fast crystal.
    assert pace.ahead_s(15_000_000.0) == pytest.approx(-0.5 * CLOCK_PPM * 1e-6, abs=1e-9)
    assert pace.ahead_s(17_000_000.0) == pytest.approx(0.1, abs=1e-4)
    now[0] += 60.0
    assert pace.ahead_s(15_000_000.0) == -MOST_DEBT_S
    assert pace.ahead_s(15_000_000.0 + 20e6 * MOST_DEBT_S) == pytest.approx(0.0, abs=1e-4)
    assert Pace(0.0, lambda: now[0]).ahead_s(1e12) == 0.0
