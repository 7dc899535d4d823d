"""How many examples a property test draws; Hypothesis strategies for what travels on the wire.

Messages, streams of frames, damage, and splits of a stream.
"""

from __future__ import annotations

import binascii
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st

from amptally.logger.channels import BY_NAME, BY_WIRE_ID
from amptally.logger.wire.blocks import CLOCK_WRAP
from amptally.logger.wire.frames import (
    MAX_BODY,
    Command,
    Describe,
    Event,
    Extreme,
    Extremes,
    Kind,
    Message,
    Reply,
    Samples,
    WireChannel,
    cobs_encode,
    encode,
)


def examples(share: float, **others: Any) -> settings:
    """Settings that draw `share` of the profile's number of examples: less than 1 where one example takes long."""
    return settings(max_examples=max(round(share * settings.default.max_examples), 1), **others)


ENVELOPE = 6
"""Bytes of a body that are not payload: version, type, sequence, CRC."""
SAMPLES_HEAD = 11

u8 = st.integers(0, 2**8 - 1)
u16 = st.integers(0, 2**16 - 1)
u32 = st.integers(0, 2**32 - 1)
i32 = st.integers(-(2**31), 2**31 - 1)
intervals_us = st.integers(1, 2**32 - 1)
sequences = u16


def wire_channels(wire_ids: st.SearchStrategy[int] = u8) -> st.SearchStrategy[WireChannel]:
    """A channel as a describe frame may announce it."""
    return st.builds(
        WireChannel,
        wire_id=wire_ids,
        bits=st.sampled_from([16, 32]),
        numerator=st.integers(1, 2**32 - 1),
        denominator=st.integers(1, 2**32 - 1),
        offset=i32,
        full_scale=st.integers(0, 2**31 - 1),
        corner_mhz=u32,
    )


def channel_lists(
    known_only: bool = False, most: int = 44, channels: st.SearchStrategy[WireChannel] | None = None
) -> st.SearchStrategy[tuple[WireChannel, ...]]:
    """One to `most` channels, each id once; 44 are what fits beside the longest firmware name."""
    wire_ids = st.sampled_from(sorted(BY_WIRE_ID)) if known_only else u8
    entry = wire_channels(wire_ids) if channels is None else channels
    return st.lists(entry, min_size=1, max_size=most, unique_by=lambda c: c.wire_id).map(tuple)


def describes(
    channels: st.SearchStrategy[tuple[WireChannel, ...]] | None = None,
) -> st.SearchStrategy[Describe]:
    """A board's description."""
    return st.builds(
        Describe,
        board_id=u32,
        boot=u32,
        layout=u8,
        interval_us=intervals_us,
        firmware=st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=32),
        channels=channel_lists() if channels is None else channels,
    )


@st.composite
def samples_of(draw: st.DrawFn, board: Describe, most_rows: int = 255) -> Samples:
    """A samples frame that fits `board`: its layout and boot, any rows."""
    row_size = sum(channel.bits // 8 for channel in board.channels)
    room = (MAX_BODY - ENVELOPE - SAMPLES_HEAD) // row_size
    count = draw(st.integers(1, min(most_rows, room)))
    rows = draw(st.binary(min_size=count * row_size, max_size=count * row_size))
    return Samples(board.layout, board.boot & 0xFF, draw(u32), draw(intervals_us), rows, count)


@st.composite
def samples_frames(draw: st.DrawFn) -> Samples:
    """A samples frame of any layout, known or not."""
    row_size = draw(st.integers(1, 40))
    count = draw(st.integers(1, min(255, (MAX_BODY - ENVELOPE - SAMPLES_HEAD) // row_size)))
    rows = draw(st.binary(min_size=count * row_size, max_size=count * row_size))
    return Samples(draw(u8), draw(u8), draw(u32), draw(intervals_us), rows, count)


extremes: st.SearchStrategy[Extremes] = st.builds(
    Extremes,
    time_us=u32,
    duration_ms=u32,
    channels=st.lists(st.builds(Extreme, u8, i32, i32, i32), max_size=20).map(tuple),
)
events: st.SearchStrategy[Event] = st.builds(Event, time_us=u32, code=u8, value=u32)
replies: st.SearchStrategy[Reply] = st.builds(Reply, command=u8, status=u8, value=u32)
commands: st.SearchStrategy[Command] = st.one_of(
    st.sampled_from([Kind.IDENTIFY, Kind.START, Kind.STOP, Kind.MARK]).map(Command),
    st.builds(Command, st.just(Kind.SET_RATE), u32),
)
board_messages: st.SearchStrategy[Message] = st.one_of(describes(), samples_frames(), extremes, events, replies)
messages: st.SearchStrategy[Message] = st.one_of(board_messages, commands)


@st.composite
def frame_lists(
    draw: st.DrawFn, of: st.SearchStrategy[Message] = board_messages, least: int = 1, most: int = 6
) -> list[tuple[int, Message, bytes]]:
    """Messages in order, each with its sequence number (rising by one, wrapping) and its bytes on the wire."""
    start = draw(sequences)
    chosen = draw(st.lists(of, min_size=least, max_size=most))
    numbered = [((start + place) & 0xFFFF, message) for place, message in enumerate(chosen)]
    return [(sequence, message, encode(message, sequence)) for sequence, message in numbered]


@st.composite
def changed_bytes(draw: st.DrawFn, data: bytes, most: int = 4) -> bytes:
    """`data` with one to `most` hits: bits flipped, bytes lost, bytes put in, a stretch repeated, the end cut off."""
    hit = bytearray(data)
    for _ in range(draw(st.integers(1, most))):
        start = draw(st.integers(0, max(len(hit) - 1, 0)))
        stop = min(len(hit), start + draw(st.integers(1, 8)))
        match draw(st.sampled_from(["flip", "lose", "insert", "repeat", "cut"])):
            case "flip" if hit:
                hit[start] ^= draw(st.integers(1, 255))
            case "lose":
                del hit[start:stop]
            case "insert":
                hit[start:start] = draw(st.binary(min_size=1, max_size=8))
            case "repeat":
                hit[stop:stop] = hit[start:stop]
            case "cut":
                del hit[stop:]
    return bytes(hit)


@st.composite
def splits(draw: st.DrawFn, data: bytes, most_cuts: int = 12) -> list[bytes]:
    """`data` cut into pieces, some of them empty; joined they give `data` again."""
    cuts = sorted(draw(st.lists(st.integers(0, len(data)), max_size=most_cuts)))
    return pieces_at(data, cuts)


def pieces_at(data: bytes, cuts: Sequence[int]) -> list[bytes]:
    """`data` cut at the given rising positions."""
    edges = [0, *cuts, len(data)]
    return [data[start:stop] for start, stop in pairwise(edges)]


_AMPS, _VOLTS = BY_NAME["battery_current_ua"], BY_NAME["battery_voltage_uv"]
NARROW = (WireChannel(_AMPS.wire_id, 16, 24_414, 1, 0, 0, 0), WireChannel(_VOLTS.wire_id, 16, 5, 2, 7, 0, 0))
MIXED = (WireChannel(_AMPS.wire_id, 32, 1, 1, 0, 0, 0), WireChannel(250, 16, 1, 1, 0, 0, 0), *NARROW[1:])
INTERVAL_US = 1000


def bench_samples(first_us: int, rows: int, *, boot: int = 1, layout: int = 1, size: int = 4, fill: int = 0) -> Samples:
    raw = np.random.default_rng(first_us + fill).integers(0, 256, rows * size, dtype=np.uint8)
    raw[:: fill or 1 << 20] = 0 if fill else raw[0]
    return Samples(layout, boot, first_us % CLOCK_WRAP, INTERVAL_US, raw.tobytes(), rows)


BETWEEN = (
    *("describe", "other", "extremes", "lose", "twice", "old", "swap", "jump", "back", "boot"),
    *("overlap", "foreign", "noise", "wrap", "quiet", "unknown", "stray"),
)
"""What comes between two stretches of frames."""


@st.composite
def board_streams(draw: st.DrawFn) -> bytes:
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
            send(bench_samples(now_us, rows, boot=boot, layout=layout, size=size, fill=fill))
            now_us += rows * INTERVAL_US
        match draw(st.sampled_from(BETWEEN)):
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
            case "stray":
                # One time that nothing bears out, as in a damaged frame that passes the CRC.
                far_us = now_us + draw(st.sampled_from([2_000_000, 900_000_000, 2**31 - 10]))
                send(bench_samples(far_us, rows, boot=boot, layout=layout, size=size, fill=fill))
            case "unknown":
                send(bench_samples(now_us, 3, boot=boot, layout=9))
    return b"".join(out)


text_streams: st.SearchStrategy[bytes] = st.lists(
    st.one_of(
        st.sampled_from(
            [b"time_us,mark", b"time_s,battery_current_a,mark", b"time_ms,mark,crc", b"time_", b"# x", b""]
        ),
        st.tuples(st.integers(-1, 2**33), st.integers(-(2**33), 2**33)).map(lambda p: b"%d,%d" % p),
        st.tuples(st.floats(), st.floats()).map(lambda p: f"{p[0]},{p[1]},7".encode()),
        st.binary(max_size=20).map(lambda b: b.replace(b"\n", b"")),
    ),
    max_size=25,
).map(lambda found: b"time_us,mark\n" + b"\n".join(found) + b"\n")
"""Lines under a header, good and bad, with other headers among them."""


@st.composite
def any_streams(draw: st.DrawFn) -> bytes:
    """Whatever a port may deliver: frames, frames that were hit, text lines, noise, one after the other."""
    part = st.one_of(
        board_streams(),
        board_streams().flatmap(changed_bytes),
        frame_lists(most=20).map(lambda frames: b"".join(wire for *_, wire in frames)),
        text_streams,
        text_streams.flatmap(changed_bytes),
        st.binary(max_size=200),
        st.binary(min_size=1, max_size=3).map(lambda noise: noise * 700),
    )
    return b"".join(draw(st.lists(part, min_size=1, max_size=3)))
