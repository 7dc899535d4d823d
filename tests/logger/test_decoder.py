"""The stream reader: any split gives the same samples, any damage is counted and passed."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.channels import BY_NAME
from amptally.logger.wire.blocks import Block, Item
from amptally.logger.wire.decoder import BoardDecoder
from amptally.logger.wire.frames import INT64_NULL, Describe, Fault, Message, Samples, WireChannel, encode

AMPS, VOLTS = BY_NAME["battery_current_ua"], BY_NAME["battery_voltage_uv"]
CHANNELS = (
    WireChannel(AMPS.wire_id, 16, 24_414, 1, 0, 100_000_000, 0),
    WireChannel(VOLTS.wire_id, 16, 1_000, 1, 0, 0, 0),
)
INTERVAL_US = 2_000


def describe(boot: int = 1, layout: int = 1) -> Describe:
    return Describe(7, boot, layout, INTERVAL_US, "bench", CHANNELS)


def samples(first_us: int, raws: list[tuple[int, int]], boot: int = 1, layout: int = 1) -> Samples:
    rows = np.array(raws, "<i2").tobytes()
    return Samples(layout, boot, first_us % 2**32, INTERVAL_US, rows, len(raws))


def wire(messages: list[Message], start: int = 0) -> list[bytes]:
    return [encode(message, start + place) for place, message in enumerate(messages)]


def drive(frames: int = 20, per_frame: int = 5, first_us: int = 0) -> list[Message]:
    out: list[Message] = [describe()]
    for frame in range(frames):
        raws = [(frame * per_frame + row, 24_000 + row) for row in range(per_frame)]
        out.append(samples(first_us + frame * per_frame * INTERVAL_US, raws))
    return out


def collect(items: list[Item]) -> tuple[list[tuple[int, int]], np.ndarray, Counter[str]]:
    """(boot, time) of every sample, all values, faults by kind."""
    moments: list[tuple[int, int]] = []
    values = []
    faults: Counter[str] = Counter()
    for item in items:
        if isinstance(item, Block):
            moments += [(item.boot, int(time)) for time in item.time_us]
            values.append(item.values)
        elif isinstance(item, Fault):
            faults[item.kind] += 1
    return moments, np.concatenate(values) if values else np.empty((0, 2)), faults


def feed(data: bytes, cuts: list[int] | None = None) -> list[Item]:
    decoder = BoardDecoder()
    items: list[Item] = []
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts or []), len(data)]
    for start, end in pairwise(edges):
        items += decoder.feed(data[start:end])
    return items + decoder.finish()


def test_samples_arrive_scaled_and_timed() -> None:
    moments, values, faults = collect(feed(b"".join(wire(drive()))))
    assert [time for _, time in moments] == [place * INTERVAL_US for place in range(100)]
    assert values[:, 0].tolist() == [place * 24_414 for place in range(100)]
    assert values[0, 1] == 24_000_000
    assert not faults


@given(st.lists(st.integers(0, 10_000), max_size=30))
def test_any_split_gives_the_same(cuts: list[int]) -> None:
    data = b"\x01\x02garbage\x00" + b"".join(wire(drive()))
    whole, split = collect(feed(data)), collect(feed(data, cuts))
    assert whole[0] == split[0]
    assert np.array_equal(whole[1], split[1])
    assert whole[2] == split[2]


@given(st.binary(max_size=400), st.integers(0, 3000), st.integers(0, 200))
def test_any_damage_costs_only_the_frames_it_touches(noise: bytes, at: int, cut: int) -> None:
    frames = wire(drive())
    data = b"".join(frames)
    at %= len(data) + 1
    damaged = data[:at] + noise + data[at + cut :]
    moments, _, _ = collect(feed(damaged))
    kept = {time // (5 * INTERVAL_US) for _, time in moments}
    edges = np.cumsum([0, *map(len, frames)])
    # Frame k lies at edges[k] … edges[k + 1]; a frame before the damage survives, one after it too, less the one
    # that a noise without its own delimiter runs into.
    before = {place - 1 for place in range(1, len(frames)) if edges[place + 1] <= at}
    first_after = next((place for place in range(len(frames)) if edges[place] >= at + cut), len(frames))
    after = {place - 1 for place in range(first_after + 1, len(frames))}
    if edges[1] <= at:  # the describe frame itself was not hit
        assert before | after <= kept


@given(st.binary(max_size=3000))
def test_arbitrary_bytes_raise_nothing(data: bytes) -> None:
    items = feed(data, [len(data) // 3])
    assert all(not isinstance(item, Block) for item in items) or b"time_" in data


def test_lost_frame_is_counted_by_sequence() -> None:
    frames = wire(drive())
    items = feed(b"".join(frames[:5] + frames[8:]))
    assert [item.length for item in items if isinstance(item, Fault) and item.kind == "sequence"] == [3]
    assert len(collect(items)[0]) == 100 - 15


def test_flipped_bit_is_a_crc_fault() -> None:
    frames = wire(drive())
    broken = bytearray(frames[4])
    broken[10] ^= 0x04
    faults = collect(feed(b"".join([*frames[:4], bytes(broken), *frames[5:]])))[2]
    assert faults["crc"] + faults["cobs"] == 1
    assert faults["sequence"] == 1


def test_duplicate_and_late_frames_are_dropped_and_counted() -> None:
    frames = wire(drive())
    moments, _, faults = collect(feed(b"".join([*frames[:6], frames[5], *frames[6:]])))
    assert len(moments) == 100
    assert faults == {"duplicate": 1}
    moments, _, faults = collect(feed(b"".join([*frames[:6], frames[7], frames[6], *frames[8:]])))
    assert len(moments) == 95
    assert faults == {"sequence": 1, "order": 1}


def test_board_clock_wraps() -> None:
    start = 2**32 - 7 * INTERVAL_US
    moments = collect(feed(b"".join(wire(drive(first_us=start)))))[0]
    assert [time for _, time in moments] == [start + place * INTERVAL_US for place in range(100)]


def test_reset_by_boot_counter_starts_a_new_boot() -> None:
    second = [describe(boot=2), samples(500, [(1, 2)], boot=2)]
    moments = collect(feed(b"".join(wire(drive(frames=2)) + wire(second))))[0]
    assert moments[-1] == (1, 500)
    assert {boot for boot, _ in moments} == {0, 1}


def test_reset_of_a_board_that_counts_no_boots() -> None:
    again = drive(frames=1)
    moments = collect(feed(b"".join(wire(drive(frames=80)) + wire(again))))[0]
    assert moments[-1] == (1, 4 * INTERVAL_US)


def test_samples_before_their_describe_wait_for_it() -> None:
    messages = drive(frames=4)
    late = wire([*messages[1:], describe()])
    moments, _, faults = collect(feed(b"".join(late)))
    assert len(moments) == 20
    assert not faults


def test_unknown_layout_is_bounded_and_counted() -> None:
    frames = wire([samples(place * INTERVAL_US, [(1, 2)], layout=9) for place in range(400)], 2)
    moments, _, faults = collect(feed(b"".join(wire([describe()]) + wire(list(drive(1)[1:]), 1) + frames)))
    assert len(moments) == 5
    assert faults["layout"] == 400 - 256


def test_not_measured_and_impossible_values_are_null() -> None:
    channels = (WireChannel(AMPS.wire_id, 32, 1, 1, 0, 0, 0), WireChannel(VOLTS.wire_id, 32, 1, 1, 0, 0, 0))
    rows = np.array([(-(2**31), 5), (2_100_000_000, 6)], "<i4").tobytes()
    items = feed(b"".join(wire([Describe(1, 1, 1, 1000, "", channels), Samples(1, 1, 0, 1000, rows, 2)])))
    _, values, faults = collect(items)
    assert values[:, 0].tolist() == [INT64_NULL, INT64_NULL]
    assert faults == {"range": 1}


def test_frames_of_a_newer_version_are_distinguished_from_noise() -> None:
    import binascii

    from amptally.logger.wire.frames import cobs_encode

    body = b"\x02\x01\x00\x00newer"
    frame = cobs_encode(body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little")) + b"\0"
    decoder = BoardDecoder()
    decoder.feed(frame)
    assert not decoder.understood
    assert decoder.newer_board


def test_endless_garbage_stays_bounded() -> None:
    decoder = BoardDecoder()
    for _ in range(300):
        assert decoder.feed(b"\x07\x07\x00" * 100) == []
    assert len(decoder.finish()) <= 1024


TEXT = b"time_ms,battery_current_a,battery_voltage_uv\n0,1.5,24000000\n2,,24000001\n# remark\n4,2.5,24000002\n"


def test_text_lines() -> None:
    moments, values, faults = collect(feed(TEXT))
    assert [time for _, time in moments] == [0, 2_000, 4_000]
    assert values.tolist() == [[1_500_000, 24_000_000], [INT64_NULL, 24_000_001], [2_500_000, 24_000_002]]
    assert not faults


@given(st.lists(st.integers(0, 200), max_size=10))
def test_text_split_anywhere(cuts: list[int]) -> None:
    assert collect(feed(TEXT))[0] == collect(feed(TEXT, cuts))[0]


@pytest.mark.parametrize(
    ("line", "kind"), [(b"6,1,2,3", "text"), (b"6,x,2", "text"), (b"-1,1,2", "text"), (b"7" * 2000, "long")]
)
def test_bad_text_lines_are_counted(line: bytes, kind: str) -> None:
    moments, _, faults = collect(feed(TEXT + line + b"\n8,1,1\n"))
    assert faults == {kind: 1}
    assert len(moments) == 4


def test_checked_text_lines() -> None:
    import binascii

    good = b"10,1.0"
    crc = f"{binascii.crc_hqx(good, 0xFFFF):04X}".encode()
    text = b"time_ms,battery_current_a,crc\n" + good + b"," + crc + b"\n11,1.0," + crc + b"\n"
    moments, _, faults = collect(feed(text))
    assert len(moments) == 1
    assert faults == {"crc": 1}


def test_text_clock_stepping_back_is_a_reset() -> None:
    moments = collect(feed(TEXT + b"0,1,1\n"))[0]
    assert moments[-1] == (1, 0)
