"""The table of frames: what it takes, where it is used, and the run built with it and without."""

from __future__ import annotations

import binascii
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.recording.journal_decoder import Arrival
from amptally.logger.recording.run_builder import RunBuilder
from amptally.logger.storage.journal import Record
from amptally.logger.storage.metadata import Metadata
from amptally.logger.wire.blocks import CLOCK_WRAP, LONGEST_US, Block, Booted, Stretch, single_items
from amptally.logger.wire.decoder import BoardDecoder
from amptally.logger.wire.frame_reader import FrameReader
from amptally.logger.wire.frame_table import _crcs, _unstuff, tabulate
from amptally.logger.wire.frames import Describe, Extremes, Samples, cobs_encode, decode, encode
from tests.logger.twins import by_frame, by_table, comparable, cut, the_same
from tests.strategies import INTERVAL_US, NARROW, any_streams, bench_samples, board_streams, changed_bytes, examples

VECTORS = json.loads((Path(__file__).parent.parent / "vectors" / "wire-v1.json").read_text(encoding="utf-8"))
cut_places = st.lists(st.integers(0, 100_000), min_size=12, max_size=60)


def test_the_fast_way_is_taken() -> None:
    """A drive of a minute in records of 4 kB: it comes as one block, with the describe frames in their places."""
    out = []
    for second in range(60):
        out.append(encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), len(out)))
        out += [encode(bench_samples(second * 1_000_000 + k * 20_000, 20), len(out) + k) for k in range(50)]
    data = b"".join(out)
    pieces = cut(data, range(0, len(data), 1000))
    items = BoardDecoder().feed_pieces(pieces)
    stretches = [item for item in items if isinstance(item, Stretch)]
    assert len(stretches) == 1 + 1  # the first piece tells what the board speaks
    assert len(stretches[1].pieces) > len(pieces)
    assert len(stretches[1].messages) == 59
    the_same(pieces)
    whole = BoardDecoder().feed(data)  # one large piece goes the same way
    assert sum(len(item.time_us) for item in whole if isinstance(item, Block)) == 60_000


@pytest.mark.parametrize("vector", [v for v in VECTORS if v["layer"] in ("frame", "stream")], ids=lambda v: v["name"])
def test_wire_vectors_at_once_and_one_by_one(vector: dict[str, str]) -> None:
    """Each normative vector, alone and among good frames, in pieces of every small size."""
    board = encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), 0)
    good = [encode(bench_samples(k * 20_000, 20), 1 + k) for k in range(30)]
    wire = bytes.fromhex(vector["hex"])
    for data in (wire * 3, board + b"".join(good[:15]) + wire + b"".join(good[15:])):
        for size in (29, 4096):
            pieces = cut(data, range(0, len(data), size))
            the_same(pieces)


@given(board_streams().flatmap(changed_bytes))
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
    the_same(pieces)


@pytest.mark.parametrize("back", [1, 2, 63, 64, 65, 66, 70])
def test_a_frame_that_comes_again(back: int) -> None:
    """Sent twice if it is among the last 64 accepted, else late or far ahead: docs/wire-format.md, section 5."""
    board, frames = encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), 0), []
    for k in range(200):
        other = k % 20 == 10  # stretches shorter than what is remembered
        message = Extremes(k * 20_000, k * 20, ()) if other else bench_samples(k * 20_000, 20)
        frames.append(encode(message, 1 + k))
    data = board + b"".join([*frames[:150], frames[150 - back], *frames[150:]])
    pieces = cut(data, range(0, len(data), 12_000))
    the_same(pieces)


def test_a_clock_at_the_end_of_time() -> None:
    """Where a stretch would run past what any board runs, one by one decides which frame begins a boot."""
    frames = [encode(bench_samples(k * 20_000, 20), 1 + k) for k in range(40)]
    pieces = [encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), 0), *frames]
    found = []
    for table_bytes in (0, 1 << 30):
        reader = FrameReader(table_bytes)
        reader._clock._last = LONGEST_US // CLOCK_WRAP * CLOCK_WRAP - 10
        found.append(single_items(reader.feed_pieces(pieces)))
    assert list(map(comparable, found[0])) == list(map(comparable, found[1]))
    assert any(isinstance(item, Booted) for item in found[0])


class PartByPart(RunBuilder):
    """Places each part of a block by itself, frame by frame: the slow twin."""

    def _take_together(self, _: Arrival) -> bool:
        return False


def built(builder: RunBuilder, path: Path, records: Sequence[Record]) -> object:
    """Everything a run file would hold, and how the clock came to it."""
    third = len(records) // 3  # the first block of a run is always placed by itself
    builder.accept(records[:third])
    builder.accept(records[third:])
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


@given(any_streams(), cut_places, st.sampled_from([None, 40_000, 2_000_000]), st.data())
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
    fast = RunBuilder(folder, "run", limit_us=limit_us, decoder=by_table())
    slow = PartByPart(folder, "run", limit_us=limit_us, decoder=by_frame())
    assert built(fast, folder / "fast.parquet", records) == built(slow, folder / "slow.parquet", records)


def test_a_pause_longer_than_a_turn_of_the_clock_within_one_batch(tmp_path: Path) -> None:
    """A board that pauses for 75 minutes: the host's clock tells the turn, in a batch as record by record."""
    records = [Record("bytes", 0, encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), 0))]
    for place in range(3000):
        now_us = place * 20_000 + (75 * 60_000_000 if place >= 2000 else 0)
        records.append(Record("bytes", now_us, encode(bench_samples(now_us % CLOCK_WRAP, 20), place + 1)))
    fast, slow = RunBuilder(tmp_path, "run", decoder=by_table()), PartByPart(tmp_path, "run", decoder=by_frame())
    found = built(fast, tmp_path / "fast.parquet", records)
    assert found == built(slow, tmp_path / "slow.parquet", records)
    assert fast.run_s == pytest.approx(75 * 60 + 60, abs=0.1)


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
