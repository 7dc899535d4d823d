"""Frames decoded many at a time give what they give one by one: the slow reader is the twin of the fast one."""

from __future__ import annotations

import binascii
import json
from collections.abc import Sequence
from pathlib import Path
from unittest.mock import patch

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.channels import BY_NAME
from amptally.logger.recording.builder import RunBuilder
from amptally.logger.storage.journal import Record
from amptally.logger.storage.metadata import Metadata
from amptally.logger.wire import frame_reader
from amptally.logger.wire.blocks import CLOCK_WRAP, LONGEST_US, Block, Booted, Item, Stretch
from amptally.logger.wire.decoder import BoardDecoder
from amptally.logger.wire.frame_reader import FrameReader
from amptally.logger.wire.frame_table import _crcs, _unstuff, tabulate
from amptally.logger.wire.frames import (
    Describe,
    Event,
    Extremes,
    Message,
    Samples,
    WireChannel,
    cobs_encode,
    decode,
    encode,
)
from tests.strategies import changed_bytes, examples, frame_lists, pieces_at

VECTORS = json.loads((Path(__file__).parent.parent / "vectors" / "wire-v1.json").read_text(encoding="utf-8"))
AMPS, VOLTS, MARK = BY_NAME["battery_current_ua"], BY_NAME["battery_voltage_uv"], BY_NAME["mark"]
NARROW = (WireChannel(AMPS.wire_id, 16, 24_414, 1, 0, 0, 0), WireChannel(VOLTS.wire_id, 16, 5, 2, 7, 0, 0))
MIXED = (WireChannel(AMPS.wire_id, 32, 1, 1, 0, 0, 0), WireChannel(250, 16, 1, 1, 0, 0, 0), *NARROW[1:])
INTERVAL_US = 1000


def samples(first_us: int, rows: int, *, boot: int = 1, layout: int = 1, size: int = 4, fill: int = 0) -> Samples:
    raw = np.random.default_rng(first_us + fill).integers(0, 256, rows * size, dtype=np.uint8)
    raw[:: fill or 1 << 20] = 0 if fill else raw[0]
    return Samples(layout, boot, first_us % CLOCK_WRAP, INTERVAL_US, raw.tobytes(), rows)


@st.composite
def drives(draw: st.DrawFn) -> bytes:
    """Stretches of frames as a board sends them, with everything that can come between and go wrong."""
    out: list[bytes] = []
    sequence, boot, layout, now_us = draw(st.integers(0, 65_535)), 1, 1, draw(st.sampled_from([0, 5, 2**32 - 300_000]))
    channels = {1: NARROW, 2: MIXED}

    def send(message: Message) -> None:
        nonlocal sequence
        out.append(encode(message, sequence))
        sequence = (sequence + 1) & 0xFFFF

    if draw(st.integers(0, 3)):
        send(Describe(7, boot, layout, INTERVAL_US, "bench", channels[layout]))
    for _ in range(draw(st.integers(1, 6))):
        rows, fill = draw(st.integers(1, 60)), draw(st.sampled_from([0, 3, 50]))
        size = sum(channel.bits // 8 for channel in channels[layout])
        for _ in range(draw(st.integers(1, 40))):
            send(samples(now_us, rows, boot=boot, layout=layout, size=size, fill=fill))
            now_us += rows * INTERVAL_US
        match draw(st.sampled_from(["describe", "other", "extremes", "lose", "twice", "old", "swap", "jump", "back",
                                    "boot", "overlap", "foreign", "noise", "wrap", "quiet", "unknown"])):  # fmt: skip
            case "describe":
                send(Describe(7, boot, layout, INTERVAL_US, "bench", channels[layout]))
            case "other":
                layout = 3 - layout
                send(Describe(7, boot, layout, INTERVAL_US, "bench", channels[layout]))
            case "extremes":
                send(Extremes(now_us % CLOCK_WRAP, now_us // 1000 % CLOCK_WRAP, ()))
                send(Event(now_us % CLOCK_WRAP, 1, 4))
            case "lose":
                sequence = (sequence + draw(st.integers(1, 70))) & 0xFFFF
            case "twice":
                out.append(out[-1])
            case "old":
                out.append(out[-min(len(out), draw(st.integers(60, 68)))])
            case "swap":
                out[-2:] = out[:-3:-1]
            case "jump":
                now_us += draw(st.sampled_from([30_000, 1_200_000, 900_000_000, 2**31 + 5]))
            case "back":
                now_us = max(0, now_us - draw(st.sampled_from([1, 1000, 40_000, 10_000_000])))
            case "boot":
                boot, sequence, now_us = boot + 1, 0, 100
                send(Describe(7, boot, layout, INTERVAL_US, "bench", channels[layout]))
            case "overlap":
                now_us -= INTERVAL_US
            case "foreign":
                body = b"\x02" + bytes([draw(st.integers(0, 255))]) * 30
                out.append(cobs_encode(body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little")) + b"\0")
            case "noise":
                out.append(draw(st.binary(max_size=30)) * draw(st.sampled_from([1, 60])))
            case "wrap":
                sequence = 65_530
            case "quiet":
                out.append(b"\0\0")
            case "unknown":
                send(samples(now_us, 3, boot=boot, layout=9))
    return b"".join(out)


def cut(data: bytes, cuts: Sequence[int]) -> list[bytes]:
    return pieces_at(data, sorted(place % (len(data) + 1) for place in cuts))


def told(item: Item) -> object:
    """Something that compares: arrays as lists, layouts with their columns and interval."""
    if isinstance(item, Block):
        return item.layout, item.boot, item.time_us.tolist(), item.values.tolist()
    return item


Found = list[tuple[int | None, object]]


def one_by_one(pieces: Sequence[bytes]) -> Found:
    """Frame after frame, piece after piece: no table."""
    with patch.object(frame_reader, "LEAST_TABLE_BYTES", 1 << 30):
        decoder = BoardDecoder()
        found: Found = []
        for number, piece in enumerate(pieces):
            found += [(number if isinstance(item, Block) else None, told(item)) for item in decoder.feed(piece)]
    return found + [(None, told(item)) for item in decoder.finish()]


def together(pieces: Sequence[bytes]) -> Found:
    """All pieces at once, by tables and by what is taken for a little data, which must agree."""
    both = []
    for least in (1, 1 << 30):
        with patch.object(frame_reader, "LEAST_TABLE_BYTES", least):
            decoder = BoardDecoder()
            found: Found = []
            for item in decoder.feed_pieces(pieces):
                if isinstance(item, Stretch):
                    found += [(piece, told(part)) for piece, part in item.parts()]
                else:
                    found.append((None, told(item)))
        both.append(found + [(None, told(item)) for item in decoder.finish()])
    assert both[0] == both[1]
    return both[0]


cut_places = st.lists(st.integers(0, 100_000), min_size=12, max_size=60)


@given(drives(), cut_places)
@examples(0.8)
def test_all_at_once_is_one_piece_after_the_other(data: bytes, cuts: list[int]) -> None:
    pieces = cut(data, cuts)
    assert together(pieces) == one_by_one(pieces)


@given(st.data(), cut_places)
@examples(0.8)
def test_the_same_of_damaged_streams(data: st.DataObject, cuts: list[int]) -> None:
    hit = data.draw(drives().flatmap(changed_bytes))
    pieces = cut(hit, cuts)
    assert together(pieces) == one_by_one(pieces)


@given(frame_lists(most=30), cut_places)
@examples(0.6)
def test_the_same_of_any_messages(frames: list[tuple[int, Message, bytes]], cuts: list[int]) -> None:
    pieces = cut(b"".join(wire for *_, wire in frames), cuts)
    assert together(pieces) == one_by_one(pieces)


@given(st.binary(max_size=5000), cut_places)
@examples(0.6)
def test_the_same_of_any_bytes(data: bytes, cuts: list[int]) -> None:
    first = encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), 0)
    assert together([first, *cut(data, cuts)]) == one_by_one([first, *cut(data, cuts)])


def test_the_fast_way_is_taken() -> None:
    """A drive of a minute in records of 4 kB: it comes as one block, with the describe frames in their places."""
    out = []
    for second in range(60):
        out.append(encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), len(out)))
        out += [encode(samples(second * 1_000_000 + k * 20_000, 20), len(out) + k) for k in range(50)]
    data = b"".join(out)
    pieces = cut(data, range(0, len(data), 1000))
    items = BoardDecoder().feed_pieces(pieces)
    stretches = [item for item in items if isinstance(item, Stretch)]
    assert len(stretches) == 1 + 1  # the first piece tells what the board speaks
    assert len(stretches[1].pieces) > len(pieces)
    assert len(stretches[1].said) == 59
    assert together(pieces) == one_by_one(pieces)
    whole = BoardDecoder().feed(data)  # one large piece goes the same way
    assert sum(len(item.time_us) for item in whole if isinstance(item, Block)) == 60_000


@pytest.mark.parametrize("vector", [v for v in VECTORS if v["layer"] in ("frame", "stream")], ids=lambda v: v["name"])
def test_wire_vectors_at_once_and_one_by_one(vector: dict[str, str]) -> None:
    """Each normative vector, alone and among good frames, in pieces of every small size."""
    board = encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), 0)
    good = [encode(samples(k * 20_000, 20), 1 + k) for k in range(30)]
    wire = bytes.fromhex(vector["hex"])
    for data in (wire * 3, board + b"".join(good[:15]) + wire + b"".join(good[15:])):
        for size in (29, 4096):
            pieces = cut(data, range(0, len(data), size))
            assert together(pieces) == one_by_one(pieces)


@given(drives().flatmap(changed_bytes))
@examples(0.6)
def test_a_table_never_takes_what_one_by_one_is_refused(data: bytes) -> None:
    data += b"\0"
    table = tabulate(data, 1_000_000)
    assert [data[a:b] for a, b in zip(table.starts, table.ends, strict=True)] == [p for p in data.split(b"\0") if p]
    for place in np.flatnonzero(table.follows):
        frame = decode(data[table.starts[place] : table.ends[place]])
        message, head = frame.message, table.heads[place]
        assert isinstance(message, Samples)
        assert message.rows == table.bodies[table.rows_at[place] : table.rows_end[place]]
        assert (message.layout, message.boot, message.first_us) == (head["layout"], head["boot"], head["first_us"])
        assert (message.interval_us, message.count) == (head["interval_us"], head["count"])
        assert frame.sequence == head["sequence"]


def test_stuffing_without_zeros() -> None:
    """Frames of more than 254 bytes without a zero, whose code bytes stand for none: docs/wire-format.md, section 2."""
    board = Describe(7, 1, 1, INTERVAL_US, "bench", NARROW)
    frames = []
    for k in range(40):
        rows = np.full(800, 1 + k % 255, np.uint8)
        rows[: 4 * k : 4] = 0
        frames.append(encode(Samples(1, 1, k * 200_000, INTERVAL_US, rows.tobytes(), 200), 1 + k))
    assert any(b"\xff" in frame for frame in frames)
    pieces = [encode(board, 0), *frames]
    assert (
        sum(item.block.time_us.size for item in FrameReader().feed_pieces(pieces) if isinstance(item, Stretch)) == 8000
    )
    assert together(pieces) == one_by_one(pieces)


@pytest.mark.parametrize("back", [1, 2, 63, 64, 65, 66, 70])
def test_a_frame_that_comes_again(back: int) -> None:
    """Sent twice if it is among the last 64 accepted, else late or far ahead: docs/wire-format.md, section 5."""
    board, frames = encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), 0), []
    for k in range(200):
        other = k % 20 == 10  # stretches shorter than what is remembered
        message = Extremes(k * 20_000, k * 20, ()) if other else samples(k * 20_000, 20)
        frames.append(encode(message, 1 + k))
    data = board + b"".join([*frames[:150], frames[150 - back], *frames[150:]])
    pieces = cut(data, range(0, len(data), 12_000))
    assert together(pieces) == one_by_one(pieces)


def test_a_clock_at_the_end_of_time() -> None:
    """Where a stretch would run past what any board runs, one by one decides which frame begins a boot."""
    frames = [encode(samples(k * 20_000, 20), 1 + k) for k in range(40)]
    pieces = [encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), 0), *frames]
    slow, fast = FrameReader(), FrameReader()
    slow._clock._last = fast._clock._last = LONGEST_US // CLOCK_WRAP * CLOCK_WRAP - 10
    told_slow = [told(item) for piece in pieces for item in slow.feed(piece)]
    told_fast: list[object] = []
    with patch.object(frame_reader, "LEAST_TABLE_BYTES", 1):
        for item in fast.feed_pieces(pieces):
            told_fast += [told(part) for _, part in item.parts()] if isinstance(item, Stretch) else [told(item)]
    assert told_fast == told_slow
    assert any(isinstance(item, Booted) for item in told_slow)


def built(folder: Path, records: Sequence[Record], limit_us: int | None, at_once: bool) -> object:
    """Everything a run file would hold, and how the clock came to it."""
    builder = RunBuilder(folder, "run", limit_us=limit_us)
    if at_once:
        with patch.object(frame_reader, "LEAST_TABLE_BYTES", 1):
            builder.accept_all(records)
    else:
        for record in records:
            builder.accept(record)
    path = folder / f"{at_once}.parquet"
    metadata = builder.finish(path, Metadata("run"), "test")
    rows = None
    if metadata is not None:
        rows = pl.read_parquet(path, glob=False)
        path.unlink()
    clock = builder._clock
    state = (clock._pairs, clock._last_run_us, clock._last_host_us, clock._last_interval_us, clock._shift_us)
    return (
        builder.bytes,
        builder.samples,
        builder.latest,
        state,
        metadata,
        None if rows is None else rows.to_dict(as_series=False),
    )


@given(drives(), cut_places, st.sampled_from([None, 40_000, 2_000_000]), st.data())
@examples(0.4)
def test_a_run_built_at_once_is_the_run_built_record_by_record(
    tmp_path_factory: pytest.TempPathFactory, data: bytes, cuts: list[int], limit_us: int | None, more: st.DataObject
) -> None:
    folder = tmp_path_factory.getbasetemp()
    steps = more.draw(st.sampled_from([[20_000], [0], [5_000, 40_000], [20_000, 2**31 + 7], [20_000, -15_000]]))
    records: list[Record] = []
    host_us = 1_000_000_000
    for number, piece in enumerate(cut(data, cuts)):
        host_us += steps[number % len(steps)] if number % 7 == 3 or len(steps) == 1 else steps[0]
        records += [Record("bytes", host_us, piece[start : start + 4096]) for start in range(0, len(piece), 4096)]
        if more.draw(st.integers(0, 15)) == 0:
            records.append(Record("note", host_us, b'{"what": "unplugged"}'))
    assert built(folder, records, limit_us, True) == built(folder, records, limit_us, False)


@given(st.integers(1, 40), st.lists(st.binary(min_size=1, max_size=40), min_size=1, max_size=20))
def test_CRCs_of_many_strings_are_those_of_each(length: int, texts: list[bytes]) -> None:
    strings = [(text * 40)[:length] for text in texts]
    found = _crcs(np.array([np.void(string) for string in strings]))
    assert found.tolist() == [binascii.crc_hqx(string, 0xFFFF) for string in strings]


def test_the_check_value_of_the_CRC() -> None:
    # RevEng catalogue of parametrised CRC algorithms, CRC-16/IBM-3740, quoted publicly (second-hand): check=0x29b1
    assert _crcs(np.array([np.void(b"123456789")])).tolist() == [0x29B1]


def test_a_piece_far_too_long_is_passed_over() -> None:
    """Its code bytes add up; only its length tells that it is no frame, and so it is not gone through."""
    pieces = (cobs_encode(b"abc"), b"\x01" * 120_000, cobs_encode(b"de"))
    raw = np.frombuffer(b"".join(pieces), np.uint8)
    ends = np.cumsum([len(piece) for piece in pieces])
    _, _, _, whole = _unstuff(raw, ends - [len(piece) for piece in pieces], ends)
    assert whole.tolist() == [True, False, True]
