"""The frames against the normative vectors, an independent encoder, and arbitrary bytes."""

from __future__ import annotations

import binascii
import json
import re
from fractions import Fraction
from math import floor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.channels import BY_NAME as CHANNEL_BY_NAME
from amptally.logger.wire.blocks import Block
from amptally.logger.wire.frames import (
    INT64_NULL,
    MAX_BODY,
    MAX_FRAME,
    VERSION,
    Command,
    Describe,
    Event,
    EventCode,
    Extreme,
    Extremes,
    Fault,
    Frame,
    FrameError,
    Kind,
    Message,
    Reply,
    Samples,
    WireChannel,
    cobs_decode,
    cobs_encode,
    decode,
    encode,
    row_dtype,
    unpack_rows,
)
from amptally.logger.wire.textmode import TextReader
from tests import strategies as wire
from tests.vectors import build_wire_vectors as oracle

WIRE_FORMAT = Path(__file__).parents[2] / "docs" / "wire-format.md"
VECTORS: list[dict[str, Any]] = json.loads(oracle.VECTORS.read_text(encoding="utf-8"))
FRAME_FAULTS = {"cobs", "short", "long", "crc", "version", "type", "payload"}
BY_NAME = {vector["name"]: vector for vector in VECTORS}


def of_layer(layer: str, *, faulty: bool = False) -> Any:
    chosen = [v for v in VECTORS if v["layer"] == layer and ("fault" in v["expect"]) == faulty]
    assert chosen
    return pytest.mark.parametrize("vector", chosen, ids=[v["name"] for v in chosen])


def message_of(expect: dict[str, Any]) -> Message:
    """The message that a vector's expectation spells out."""
    fields = {key: value for key, value in expect.items() if key not in ("kind", "sequence", "described_by", "values")}
    match expect["kind"]:
        case "describe":
            return Describe(**fields | {"channels": tuple(WireChannel(**c) for c in fields["channels"])})
        case "samples":
            return Samples(**fields | {"rows": bytes.fromhex(fields["rows"])})
        case "extremes":
            return Extremes(**fields | {"channels": tuple(Extreme(**c) for c in fields["channels"])})
        case "event":
            return Event(**fields)
        case "reply":
            return Reply(**fields)
        case command:
            return Command(Kind[command.upper()], **fields)


def test_the_vector_file_is_what_the_independent_encoder_builds() -> None:
    assert oracle.VECTORS.read_text(encoding="utf-8") == oracle.as_json(oracle.build())


def test_vector_names_occur_once() -> None:
    assert len(BY_NAME) == len(VECTORS)


@of_layer("crc")
def test_crc_vectors(vector: dict[str, Any]) -> None:
    assert binascii.crc_hqx(bytes.fromhex(vector["hex"]), 0xFFFF) == vector["expect"]["crc"]


def test_crc_check_value() -> None:
    # RevEng catalogue of parametrised CRC algorithms, CRC-16/IBM-3740, quoted publicly (second-hand): check=0x29b1
    assert BY_NAME["crc-check"]["expect"]["crc"] == 0x29B1
    assert oracle.crc16(b"123456789") == 0x29B1


@of_layer("cobs")
def test_cobs_vectors(vector: dict[str, Any]) -> None:
    stuffed, data = bytes.fromhex(vector["hex"]), bytes.fromhex(vector["expect"]["data"])
    assert cobs_decode(stuffed[:-1]) == data
    assert (cobs_encode(data) + b"\0" == stuffed) is vector["expect"].get("canonical", True)


@pytest.mark.parametrize(
    ("data", "stuffed"),
    [
        # Encoding examples as public descriptions of COBS give them, from memory.
        ("00", "0101"),
        ("0000", "010101"),
        ("001100", "01021101"),
        ("11220033", "0311220233"),
        ("11223344", "0511223344"),
        ("11000000", "0211010101"),
    ],
)
def test_cobs_public_examples(data: str, stuffed: str) -> None:
    for encoder in (cobs_encode, oracle.stuff):
        assert encoder(bytes.fromhex(data)).hex() == stuffed


@of_layer("frame")
def test_good_frames(vector: dict[str, Any]) -> None:
    sent, expect = bytes.fromhex(vector["hex"]), vector["expect"]
    message = message_of(expect)
    assert decode(sent[:-1]) == Frame(expect["sequence"], message)
    assert encode(message, expect["sequence"]) == sent


@of_layer("frame", faulty=True)
def test_malformed_frames(vector: dict[str, Any]) -> None:
    sent = bytes.fromhex(vector["hex"])
    assert sent.endswith(b"\0")
    with pytest.raises(FrameError) as caught:
        decode(sent[:-1])
    assert caught.value.kind == vector["expect"]["fault"]


def test_every_kind_of_fault_and_every_type_has_a_vector() -> None:
    frames = [vector["expect"] for vector in VECTORS if vector["layer"] == "frame"]
    assert {e["fault"] for e in frames if "fault" in e} == FRAME_FAULTS
    assert {e["kind"] for e in frames if "kind" in e} == {kind.name.lower() for kind in Kind}
    assert {e["code"] for e in frames if e.get("kind") == "event"} > set(EventCode)


@pytest.mark.parametrize(("name", "found"), [("version-newer", 2), ("version-zero", 0), ("type-board", 6)])
def test_the_number_received_instead_is_reported(name: str, found: int) -> None:
    with pytest.raises(FrameError) as caught:
        decode(bytes.fromhex(BY_NAME[name]["hex"])[:-1])
    assert caught.value.found == found


@pytest.mark.parametrize("vector", [v for v in VECTORS if "values" in v["expect"]], ids=lambda v: v["name"])
def test_rows_in_storage_units(vector: dict[str, Any]) -> None:
    expect = vector["expect"]
    samples = message_of(expect)
    board = message_of(BY_NAME[expect["described_by"]]["expect"])
    assert isinstance(samples, Samples)
    assert isinstance(board, Describe)
    assert (samples.layout, samples.boot) == (board.layout, board.boot & 0xFF)
    values = unpack_rows(samples, board.channels)
    assert values is not None
    assert values.dtype == np.int64
    stored = [[None if value == INT64_NULL else value for value in row] for row in values.tolist()]
    assert stored == expect["values"]


@of_layer("stream")
def test_damage_stays_within_its_delimiters(vector: dict[str, Any]) -> None:
    *pieces, _ = bytes.fromhex(vector["hex"]).split(b"\0")
    good, damaged = [], 0
    for piece in filter(None, pieces):
        try:
            good.append(decode(piece))
        except FrameError:
            damaged += 1
    wanted = [BY_NAME[name]["expect"] for name in vector["expect"]["frames"]]
    assert good == [Frame(expect["sequence"], message_of(expect)) for expect in wanted]
    assert (len(good), damaged) == (vector["expect"]["good"], vector["expect"]["damaged"])


@of_layer("text")
def test_text_vectors(vector: dict[str, Any]) -> None:
    data = vector["text"].encode("ascii")
    segments: list[dict[str, Any]] = []
    faults = []
    reader = TextReader()
    for item in (*reader.feed(data), *reader.finish()):
        if isinstance(item, Block):
            values = [[None if value == INT64_NULL else value for value in row] for row in item.values.tolist()]
            rows = [[time, *row] for time, row in zip(item.time_us.tolist(), values, strict=True)]
            segment = {"boot": item.boot, "columns": list(item.layout.columns)}
            if segments and segment.items() <= segments[-1].items():
                segments[-1]["rows"] += rows
            else:
                segments.append(segment | {"rows": rows})
        elif isinstance(item, Fault):
            faults.append({"kind": item.kind, "line": 1 + data[: item.offset].count(b"\n")})
    assert segments == vector["expect"]["segments"]
    # Values and times are judged a block at a time, so those two faults name the block's first line.
    free = ("range", "order")
    found = [fault | ({"line": None} if fault["kind"] in free else {}) for fault in faults]
    wanted = [fault | ({"line": None} if fault["kind"] in free else {}) for fault in vector["expect"]["faults"]]
    assert found == wanted


def test_text_vectors_name_channels_of_the_table() -> None:
    columns = [c for v in VECTORS if v["layer"] == "text" for s in v["expect"]["segments"] for c in s["columns"]]
    assert set(columns) <= CHANNEL_BY_NAME.keys()


@given(wire.messages, wire.sequences)
def test_decode_undoes_encode(message: Message, sequence: int) -> None:
    sent = encode(message, sequence)
    assert sent.index(0) == len(sent) - 1 <= MAX_FRAME
    assert decode(sent[:-1]) == Frame(sequence, message)


@given(st.lists(st.one_of(st.just(b"\0"), st.binary(max_size=4), st.integers(1, 600).map(lambda n: b"\x2a" * n))))
def test_cobs_agrees_with_the_byte_by_byte_encoder(parts: list[bytes]) -> None:
    data = b"".join(parts)
    stuffed = cobs_encode(data)
    assert stuffed == oracle.stuff(data)
    assert cobs_decode(stuffed) == data
    # The bound of Cheshire & Baker 1999: one byte, and one more for each 254.
    assert len(stuffed) <= len(data) + len(data) // 254 + 1


@given(st.binary(max_size=300))
def test_crc_agrees_with_the_bitwise_one(data: bytes) -> None:
    assert binascii.crc_hqx(data, 0xFFFF) == oracle.crc16(data)


def read_or_fault(stuffed: bytes) -> Frame | str:
    """What a receiver gets; any exception but FrameError goes on to the test."""
    try:
        return decode(stuffed)
    except FrameError as error:
        return error.kind


@given(st.binary(max_size=1200))
def test_arbitrary_bytes_give_a_frame_or_a_fault(data: bytes) -> None:
    assert isinstance(read_or_fault(data), Frame) or read_or_fault(data) in FRAME_FAULTS


@given(st.integers(0, 255), st.integers(0, 255), st.binary(max_size=120))
def test_arbitrary_payloads_under_a_good_crc(version: int, kind: int, payload: bytes) -> None:
    found = read_or_fault(oracle.stuff(oracle.body(kind, 1, payload, version)))
    if version != VERSION:
        assert found == "version"
    elif kind not in list(Kind):
        assert found == "type"
    elif isinstance(found, Frame):
        # What is read says the same when sent again, but for characters of the name that cannot be shown.
        if not (isinstance(found.message, Describe) and "\ufffd" in found.message.firmware):
            assert encode(found.message, 1) == oracle.wire(oracle.body(kind, 1, payload))
    else:
        assert found == "payload"


@given(st.data())
def test_damage_to_one_frame_leaves_its_neighbours(data: st.DataObject) -> None:
    frames = data.draw(wire.frame_lists(least=3, most=3))
    hit = data.draw(wire.changed_bytes(frames[1][2][:-1]))
    pieces = (frames[0][2] + hit + b"\0" + frames[2][2]).split(b"\0")
    found = [read_or_fault(piece) for piece in pieces if piece]
    assert found[0] == Frame(*frames[0][:2])
    assert found[-1] == Frame(*frames[2][:2])


@given(wire.messages, wire.sequences, st.data())
def test_a_burst_of_sixteen_bits_is_always_found(message: Message, sequence: int, data: st.DataObject) -> None:
    # A CRC of 16 bits finds every burst of at most 16 (a property of its polynomial; common practice, no source).
    body = bytearray(cobs_decode(encode(message, sequence)[:-1]))
    place = data.draw(st.integers(0, len(body) - 2))
    burst = data.draw(st.integers(1, 2**16 - 1))
    body[place] ^= burst >> 8
    body[place + 1] ^= burst & 0xFF
    assert read_or_fault(cobs_encode(bytes(body))) == "crc"


def slow_value(raw: int, channel: WireChannel) -> int:
    """One stored value by exact fractions."""
    if raw == -(1 << (channel.bits - 1)):
        return INT64_NULL
    return floor(channel.offset + Fraction(raw * channel.numerator, channel.denominator) + Fraction(1, 2))


@given(st.data())
def test_unpack_rows_against_exact_fractions(data: st.DataObject) -> None:
    board = data.draw(wire.describes(wire.channel_lists(most=5)))
    samples = data.draw(wire.samples_of(board, most_rows=6))
    values = unpack_rows(samples, board.channels)
    assert values is not None
    table = np.frombuffer(samples.rows, row_dtype(board.channels)).tolist()
    assert values.tolist() == [
        [slow_value(raw, channel) for raw, channel in zip(row, board.channels, strict=True)] for row in table
    ]


@given(wire.describes(wire.channel_lists(most=4)), wire.samples_frames())
def test_rows_that_do_not_fit_are_refused(board: Describe, samples: Samples) -> None:
    row_size = sum(channel.bits // 8 for channel in board.channels)
    assert (unpack_rows(samples, board.channels) is None) is (len(samples.rows) != samples.count * row_size)


CHANNEL = WireChannel(1, 16, 1, 1, 0, 0, 0)


@pytest.mark.parametrize(
    "message",
    [
        Event(2**32, 1, 0),
        Event(0, 256, 0),
        Samples(1, 0, 0, -1, b"\0\0", 1),
        Samples(1, 0, 0, 1, b"\0" * 256, 256),
        Samples(1, 0, 0, 1, b"\1" * (MAX_BODY - 16), 1),
        Extremes(0, 0, (Extreme(1, 0, 2**31, 0),)),
        Command(Kind.SET_RATE, -1),
        Describe(0, 0, 0, 1, "n" * 33, (CHANNEL,)),
        Describe(0, 0, 0, 1, "\x1b[2J", (CHANNEL,)),
        Describe(0, 0, 0, 1, "café", (CHANNEL,)),
        Describe(0, 0, 0, 1, "crowd", (CHANNEL,) * 256),
        Describe(0, 0, 0, 1, "wide", (WireChannel(1, 16, 2**32, 1, 0, 0, 0),)),
    ],
    ids=lambda message: type(message).__name__,
)
def test_what_does_not_fit_is_the_callers_mistake(message: Message) -> None:
    with pytest.raises(ValueError, match=r"\w") as caught:
        encode(message, 0)
    assert not isinstance(caught.value, FrameError)


def test_a_name_cannot_reach_the_terminal_with_control_characters() -> None:
    payload = oracle.describe_payload(oracle.describe()).replace(b"cart-board 1.0", b"cart\x1b[2J\xff\x7f 1.0")
    frame = decode(oracle.stuff(oracle.body(Kind.DESCRIBE, 0, payload)))
    assert isinstance(frame.message, Describe)
    assert frame.message.firmware == "cart\ufffd[2J\ufffd\ufffd 1.0"


def test_the_longest_frame_fills_the_bound() -> None:
    assert len(bytes.fromhex(BY_NAME["samples-longest"]["hex"])) == MAX_FRAME + 1


def test_the_documents_worked_example_is_a_vector() -> None:
    text = WIRE_FORMAT.read_text(encoding="utf-8")
    block = re.search(r"<!-- vector: (\S+) -->\n+```\n(.*?)```", text, re.DOTALL)
    assert block is not None
    assert "".join(block[2].split()) == BY_NAME[block[1]]["hex"]


def test_the_documents_numbers_are_the_codes() -> None:
    text = WIRE_FORMAT.read_text(encoding="utf-8")
    types = dict(re.findall(r"^\| (0x[0-9A-F]{2}) \| ([a-z ]+) \|", text, re.MULTILINE))
    assert {int(number, 16): name.replace(" ", "_") for number, name in types.items()} == {
        kind.value: kind.name.lower() for kind in Kind
    }
    events = dict(re.findall(r"^\| (\d) \| (marker|over-range|missed samples|reset) \|", text, re.MULTILINE))
    assert {int(number): name.replace(" ", "_").replace("-", "_") for number, name in events.items()} == {
        code.value: code.name.lower() for code in EventCode
    }
