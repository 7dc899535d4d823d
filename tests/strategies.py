"""How many examples a property test draws; Hypothesis strategies for what travels on the wire.

Messages, streams of frames, damage, and splits of a stream.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st

from amptally.logger.channels import BY_WIRE_ID
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
