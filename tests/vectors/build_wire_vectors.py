"""Build wire-v1.json, the normative vectors of docs/wire-format.md, from nothing but that document.

Run `python -m tests.vectors.build_wire_vectors` to write the file anew. Nothing of the program is imported and none of
its methods is used: COBS here is a byte-by-byte state machine, the CRC is computed bit by bit, integers are packed by
`int.to_bytes` and scales are exact fractions. So the vectors judge the program; they are not its echo.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from fractions import Fraction
from math import floor
from pathlib import Path
from typing import Any

from tests.vectors.text_cases import text_vectors

VECTORS = Path(__file__).with_name("wire-v1.json")
TYPES = {
    "describe": 0x01,
    "samples": 0x02,
    "extremes": 0x03,
    "event": 0x04,
    "reply": 0x05,
    "identify": 0x81,
    "start": 0x82,
    "stop": 0x83,
    "set_rate": 0x84,
    "mark": 0x85,
}
NULL = {16: -(2**15), 32: -(2**31)}

Vector = dict[str, Any]
ChannelFields = dict[str, int]


def u8(value: int) -> bytes:
    return value.to_bytes(1, "little")


def u16(value: int) -> bytes:
    return value.to_bytes(2, "little")


def u32(value: int) -> bytes:
    return value.to_bytes(4, "little")


def i32(value: int) -> bytes:
    return value.to_bytes(4, "little", signed=True)


def crc16(data: bytes, register: int = 0xFFFF) -> int:
    """CRC-16/IBM-3740, most significant bit first; another start value gives the wrong relative that a vector needs."""
    for byte in data:
        for place in range(7, -1, -1):
            feedback = (register >> 15) ^ (byte >> place & 1)
            register = register << 1 & 0xFFFF
            if feedback:
                register ^= 0x1021
    return register


def stuff(data: bytes) -> bytes:
    """COBS, without the closing zero."""
    out = [0]
    code_place, code = 0, 1
    for place, byte in enumerate(data):
        if byte:
            out.append(byte)
            code += 1
        if byte == 0 or (code == 255 and place + 1 < len(data)):
            out[code_place] = code
            code_place, code = len(out), 1
            out.append(0)
    out[code_place] = code
    return bytes(out)


def body(type_number: int, sequence: int, payload: bytes, version: int = 1) -> bytes:
    """A frame before COBS, its CRC included."""
    plain = u8(version) + u8(type_number) + u16(sequence) + payload
    return plain + u16(crc16(plain))


def wire(data: bytes) -> bytes:
    return stuff(data) + b"\0"


def channel(wire_id: int, bits: int, numerator: int, denominator: int, **more: int) -> ChannelFields:
    rest = {"offset": 0, "full_scale": 0, "corner_mhz": 0} | more
    return {"wire_id": wire_id, "bits": bits, "numerator": numerator, "denominator": denominator} | rest


def channel_entry(c: ChannelFields) -> bytes:
    scale = u32(c["numerator"]) + u32(c["denominator"]) + i32(c["offset"])
    return u8(c["wire_id"]) + u8(c["bits"]) + scale + i32(c["full_scale"]) + u32(c["corner_mhz"])


def describe_payload(f: Vector) -> bytes:
    name = f["firmware"].encode("ascii")
    head = u32(f["board_id"]) + u32(f["boot"]) + u8(f["layout"]) + u32(f["interval_us"]) + u8(len(name)) + name
    return head + u8(len(f["channels"])) + b"".join(channel_entry(c) for c in f["channels"])


def samples_payload(f: Vector) -> bytes:
    head = u8(f["layout"]) + u8(f["boot"]) + u32(f["first_us"]) + u32(f["interval_us"]) + u8(f["count"])
    return head + bytes.fromhex(f["rows"])


def extremes_payload(f: Vector) -> bytes:
    entries = (u8(c["wire_id"]) + i32(c["least"]) + i32(c["greatest"]) + i32(c["rms"]) for c in f["channels"])
    return u32(f["time_us"]) + u32(f["duration_ms"]) + u8(len(f["channels"])) + b"".join(entries)


def payload_of(kind: str, fields: Vector) -> bytes:
    match kind:
        case "describe":
            return describe_payload(fields)
        case "samples":
            return samples_payload(fields)
        case "extremes":
            return extremes_payload(fields)
        case "event":
            return u32(fields["time_us"]) + u8(fields["code"]) + u32(fields["value"])
        case "reply":
            return u8(fields["command"]) + u8(fields["status"]) + u32(fields["value"])
        case "set_rate":
            return u32(fields["value"])
    return b""


def good(name: str, purpose: str, kind: str, sequence: int, **fields: Any) -> Vector:
    data = body(TYPES[kind], sequence, payload_of(kind, fields))
    expect = {"kind": kind, "sequence": sequence} | fields
    return {"name": name, "layer": "frame", "purpose": purpose, "hex": wire(data).hex(), "expect": expect}


def bad(name: str, purpose: str, fault: str, sent: bytes) -> Vector:
    return {"name": name, "layer": "frame", "purpose": purpose, "hex": sent.hex(), "expect": {"fault": fault}}


def row_bytes(channels: Sequence[ChannelFields], rows: Iterable[Sequence[int | None]]) -> str:
    """Raw values, None for "not measured", as they travel."""
    out = b""
    for row in rows:
        for c, raw in zip(channels, row, strict=True):
            out += (NULL[c["bits"]] if raw is None else raw).to_bytes(c["bits"] // 8, "little", signed=True)
    return out.hex()


def stored(channels: Sequence[ChannelFields], rows: Iterable[Sequence[int | None]]) -> list[list[int | None]]:
    """Raw values in storage units, rounded half up by exact fractions."""

    def one(c: ChannelFields, raw: int | None) -> int | None:
        if raw is None:
            return None
        return floor(c["offset"] + Fraction(raw * c["numerator"], c["denominator"]) + Fraction(1, 2))

    return [[one(c, raw) for c, raw in zip(channels, row, strict=True)] for row in rows]


CART = [
    channel(1, 16, 3125, 1, full_scale=100_000_000, corner_mhz=800_000),
    channel(2, 16, 1250, 1, full_scale=36_000_000, corner_mhz=160_000),
    channel(11, 16, 1, 2),
    channel(40, 32, 1, 1),
]
ROUNDING = [channel(11, 16, 1, 2), channel(12, 16, 2, 3), channel(1, 16, 3, 2, offset=-10), channel(30, 32, 1, 10)]
WIDEST = [channel(1, 32, 2**32 - 1, 1), channel(2, 32, 2**32 - 1, 2**32 - 1, offset=2**31 - 1)]
CART_ROWS = [[4000, 20160, 3001, 0], [-500, 20240, None, 1]]
NULL_ROWS = [[None, None, None, None], [32767, -32767, 0, 2**31 - 1], [-32767, 1, -1, -(2**31) + 1]]
ROUNDING_ROWS = [[raw, raw, raw, 5 * raw] for raw in (-3, -2, -1, 0, 1, 2, 3)]
WIDEST_ROWS = [[2**31 - 1, 2**31 - 1], [-(2**31) + 1, -(2**31) + 1], [None, None]]


def describe(channels: Sequence[ChannelFields] = CART, **changes: Any) -> Vector:
    board = {"board_id": 0x5EED0001, "boot": 0x0107, "layout": 1, "interval_us": 2000, "firmware": "cart-board 1.0"}
    return board | {"channels": list(channels)} | changes


def samples(channels: Sequence[ChannelFields], rows: Sequence[Sequence[int | None]], **changes: Any) -> Vector:
    head = {"layout": 1, "boot": 7, "first_us": 1_000_000, "interval_us": 2000, "count": len(rows)}
    return head | {"rows": row_bytes(channels, rows)} | changes


def with_values(
    vector: Vector, described_by: str, channels: Sequence[ChannelFields], rows: Sequence[Sequence[int | None]]
) -> Vector:
    vector["expect"] |= {"described_by": described_by, "values": stored(channels, rows)}
    return vector


def cobs_vectors() -> list[Vector]:
    def run(length: int) -> bytes:
        return bytes(1 + place % 255 for place in range(length))

    cases = [(f"{length} bytes without a zero", run(length), f"run-{length}") for length in (0, 1, 253, 254, 255, 508)]
    cases += [
        ("one zero", b"\0", "zero"),
        ("three zeros", b"\0\0\0", "zeros"),
        ("a zero in the middle", b"\x11\x22\0\x33", "middle"),
        ("a zero after a full block", run(254) + b"\0", "run-254-zero"),
        ("a zero before a full block", b"\0" + run(254), "zero-run-254"),
        ("two full blocks and one byte", run(509), "run-509"),
    ]
    vectors = [
        {"name": f"cobs-{name}", "layer": "cobs", "purpose": purpose, "hex": wire(data).hex(),
         "expect": {"data": data.hex()}}
        for purpose, data, name in cases
    ]  # fmt: skip
    spare = stuff(run(254)) + b"\x01\0"
    expect = {"data": run(254).hex(), "canonical": False}
    purpose = "a full last block followed by a spare code 01: read, but never sent"
    return [*vectors, {"name": "cobs-spare-code", "layer": "cobs", "purpose": purpose, "hex": spare.hex(),
                       "expect": expect}]  # fmt: skip


def crc_vectors() -> list[Vector]:
    cases = {"check": b"123456789", "empty": b"", "zero": b"\0", "ones": b"\xff\xff"}
    return [
        {"name": f"crc-{name}", "layer": "crc", "purpose": "CRC-16/IBM-3740 of the bytes in hex, which are not a frame",
         "hex": data.hex(), "expect": {"crc": crc16(data)}}
        for name, data in cases.items()
    ]  # fmt: skip


def describe_vectors() -> list[Vector]:
    crowd = [channel(wire_id, 32, 1, 1) for wire_id in range(1, 45)]
    high = channel(255, 32, 2**32 - 1, 2**32 - 1, offset=2**31 - 1, full_scale=2**31 - 1, corner_mhz=2**32 - 1)
    low = channel(0, 16, 1, 2**32 - 1, offset=-(2**31))
    board = {"board_id": 2**32 - 1, "boot": 2**32 - 1, "layout": 255, "interval_us": 2**32 - 1}
    return [
        good("describe-cart", "the board of the worked example", "describe", 0, **describe()),
        good("describe-rounding", "scales that need rounding", "describe", 1, **describe(ROUNDING, layout=2)),
        good("describe-widest", "the largest products of scale and value", "describe", 2, **describe(WIDEST, layout=3)),
        good("describe-smallest", "one channel, no name", "describe", 3, **describe(CART[:1], firmware="")),
        good("describe-largest", "44 channels and a name of 32 characters", "describe", 4,
             **describe(crowd, firmware="~" * 32)),
        good("describe-limits", "every number at its limit; ids that nobody knows yet", "describe", 5,
             **describe([high, low], **board)),
    ]  # fmt: skip


def samples_vectors() -> list[Vector]:
    full = {"layout": 9, "boot": 255, "first_us": 0x01010101, "interval_us": 0x01010101, "count": 1}
    return [
        with_values(good("samples-cart", "the worked example: rounding half up, one value not measured", "samples", 258,
                         **samples(CART, CART_ROWS)), "describe-cart", CART, CART_ROWS),
        with_values(good("samples-null", "the least value of each width is null, its neighbour a value", "samples", 259,
                         **samples(CART, NULL_ROWS)), "describe-cart", CART, NULL_ROWS),
        with_values(good("samples-rounding", "ties go up, below zero too; the offset is added after", "samples", 260,
                         **samples(ROUNDING, ROUNDING_ROWS, layout=2)), "describe-rounding", ROUNDING, ROUNDING_ROWS),
        with_values(good("samples-widest", "products next to 63 bits do not wrap", "samples", 261,
                         **samples(WIDEST, WIDEST_ROWS, layout=3)), "describe-widest", WIDEST, WIDEST_ROWS),
        with_values(good("samples-wrap", "the board clock passes 2^32 µs inside the frame", "samples", 65535,
                         **samples(CART, CART_ROWS, first_us=2**32 - 1)), "describe-cart", CART, CART_ROWS),
        good("samples-longest", "1024 bytes without a zero: the longest", "samples", 257, **full, rows="a5" * 1007),
        good("samples-zeros", "1024 bytes, nearly all zero", "samples", 258, **full, rows="00" * 1007),
    ]  # fmt: skip


def other_vectors() -> list[Vector]:
    lead = {"wire_id": 1, "least": -2_000_000, "greatest": 71_250_000, "rms": 14_000_000}
    absent = {"wire_id": 8, "least": NULL[32], "greatest": NULL[32], "rms": NULL[32]}
    event = {"time_us": 1_234_567}
    return [
        good("extremes-two", "a lead with its extremes and one that has not been measured", "extremes", 10,
             time_us=5_000_000, duration_ms=4_000, channels=[lead, absent]),
        good("extremes-none", "a board without current channels may say so", "extremes", 11,
             time_us=0, duration_ms=0, channels=[]),
        good("event-marker", "third press of the button", "event", 12, **event, code=1, value=3),
        good("event-over-range", "channel 8 left its range", "event", 13, **event, code=2, value=8),
        good("event-missed", "17 samples could not be sent", "event", 14, **event, code=3, value=17),
        good("event-reset", "cause bits", "event", 15, time_us=0, code=4, value=0x08),
        good("event-unknown", "a code nobody knows yet is kept, not refused", "event", 16, **event, code=200, value=9),
        good("reply-done", "start obeyed at board time 1 s", "reply", 17, command=0x82, status=0, value=1_000_000),
        good("reply-unknown", "command 0x99 not known", "reply", 18, command=0x99, status=1, value=0),
        good("reply-value", "rate not possible, 1000 µs stands", "reply", 19, command=0x84, status=2, value=1000),
        good("identify", "the shortest frame there is", "identify", 0),
        good("start", "start", "start", 1),
        good("stop", "stop", "stop", 2),
        good("set-rate", "1 kHz", "set_rate", 3, value=1000),
        good("mark", "the host's marker; last sequence number before it wraps", "mark", 65535),
    ]  # fmt: skip


def damaged_vectors() -> list[Vector]:
    plain = body(TYPES["event"], 20, payload_of("event", {"time_us": 7, "code": 1, "value": 1}))
    flipped = bytearray(plain)
    flipped[5] ^= 0x10
    core = plain[:-2]
    again = body(TYPES["event"], 20, core[4:], version=2)
    return [
        bad("crc-bit", "one bit of the payload flipped", "crc", wire(bytes(flipped))),
        bad("crc-byte-order", "the CRC sent high byte first", "crc", wire(core + plain[:-3:-1])),
        bad("crc-start-value", "the CRC started from 0x0000", "crc", wire(core + u16(crc16(core, 0)))),
        bad("crc-cut", "the last byte is missing before COBS", "crc", wire(plain[:-1])),
        bad("crc-before-version", "a damaged frame of version 2 is damage", "crc", wire(again[:-1] + b"\x55")),
        bad("cobs-past-end", "the code byte points past the delimiter", "cobs", bytes.fromhex("0501020300")),
        bad("cobs-cut", "a frame cut on the wire", "cobs", wire(plain)[:-2] + b"\0"),
        bad("short-empty", "a lone code 01: nothing inside", "short", b"\x01\0"),
        bad("short-five", "five bytes, one less than header and CRC", "short", wire(b"\x01\x81\x05\x06\x07")),
        bad("long-dense", "1025 bytes that fit a receiver's buffer", "long",
            wire(body(TYPES["samples"], 0, u8(1) + u8(1) + u32(1) + u32(1) + u8(1) + bytes(1008)))),
        bad("long-wide", "1100 bytes, longer on the wire than any frame", "long",
            wire(body(TYPES["samples"], 0, u8(1) + u8(1) + u32(1) + u32(1) + u8(1) + b"\xa5" * 1083))),
        bad("version-newer", "a good frame of version 2", "version", wire(again)),
        bad("version-zero", "a good frame of version 0", "version", wire(body(4, 20, core[4:], version=0))),
        bad("version-before-type", "version 2 may give type 0x77 a meaning", "version", wire(body(0x77, 0, b"", 2))),
        bad("type-board", "type 0x06 is not defined", "type", wire(body(0x06, 0, b"abc"))),
        bad("type-host", "type 0x86 is not defined", "type", wire(body(0x86, 0, b""))),
        bad("type-zero", "type 0x00 is not defined", "type", wire(body(0x00, 0, b""))),
    ]  # fmt: skip


def payload_vectors() -> list[Vector]:
    """Good frames whose payload cannot be what its type says."""
    board, rows = describe_payload(describe()), samples_payload(samples(CART, CART_ROWS))
    two = [CART[0], CART[1] | {"wire_id": 1}]
    lead = {"wire_id": 1, "least": 0, "greatest": 0, "rms": 0}
    most = extremes_payload({"time_us": 0, "duration_ms": 0, "channels": [lead]})
    cases = [
        ("describe-cut", "the last channel lacks a byte", "describe", board[:-1]),
        ("describe-spare", "one byte too many", "describe", board + b"\x01"),
        ("describe-head", "ends inside the fixed part", "describe", board[:12]),
        ("describe-no-name", "ends before the length of the name", "describe", board[:13]),
        ("describe-name-past-end", "the name is longer than the payload", "describe", board[:13] + b"\x20cart"),
        ("describe-name-long", "a name of 33 characters", "describe", board[:13] + u8(33) + b"n" * 33 + board[28:]),
        ("describe-no-channels", "zero channels", "describe", describe_payload(describe([]))),
        ("describe-duplicate", "two channels of one id", "describe", describe_payload(describe(two))),
        ("describe-bits", "8 bits wide", "describe", describe_payload(describe([channel(1, 8, 1, 1)]))),
        ("describe-denominator", "denominator zero", "describe", describe_payload(describe([channel(1, 16, 1, 0)]))),
        ("describe-interval", "interval zero", "describe", describe_payload(describe(interval_us=0))),
        ("samples-head", "ends inside the fixed part", "samples", rows[:10]),
        ("samples-no-rows", "two rows announced, none sent", "samples", rows[:11]),
        ("samples-count", "count zero", "samples", rows[:10] + b"\0" + rows[11:]),
        ("samples-uneven", "the rows cannot be divided by their count", "samples", rows[:-1]),
        ("samples-interval", "interval zero", "samples", rows[:6] + u32(0) + rows[10:]),
        ("extremes-cut", "the last entry lacks a byte", "extremes", most[:-1]),
        ("extremes-count", "more entries announced than sent", "extremes", most[:8] + b"\x02" + most[9:]),
        ("event-short", "eight bytes of nine", "event", bytes(8)),
        ("event-long", "ten bytes of nine", "event", bytes(10)),
        ("reply-short", "five bytes of six", "reply", bytes(5)),
        ("set-rate-empty", "no interval", "set_rate", b""),
        ("start-spare", "a command without arguments carries one", "start", b"\x01"),
    ]
    return [
        bad(f"payload-{name}", purpose, "payload", wire(body(TYPES[kind], 30, payload)))
        for name, purpose, kind, payload in cases
    ]


def stream_vectors(frames: Sequence[Vector]) -> list[Vector]:
    """Several frames in a row: how many good ones come out, in which order, and how many pieces are damaged."""
    by_name = {vector["name"]: bytes.fromhex(vector["hex"]) for vector in frames}
    first, second, third = (by_name[name] for name in ("describe-cart", "samples-cart", "event-marker"))
    cases = [
        ("plain", "one after the other", first + second + third, 3, 0),
        ("idle", "empty pieces are no frames and no damage", b"\0\0" + first + b"\0\0\0" + third, 2, 0),
        ("late", "joined in the middle of a frame", first[9:] + second + third, 2, 1),
        ("lost-delimiter", "two frames melt into one damaged piece", first[:-1] + second + third, 1, 1),
        ("extra-delimiter", "a frame broken in two", first + second[:9] + b"\0" + second[9:] + third, 2, 2),
        ("cut-end", "the stream ends inside a frame: not damage yet", first + second[:9], 1, 0),
    ]
    names = {first: "describe-cart", second: "samples-cart", third: "event-marker"}
    return [
        {"name": f"stream-{name}", "layer": "stream", "purpose": purpose, "hex": data.hex(),
         "expect": {"frames": [names[piece + b"\0"] for piece in data.split(b"\0") if piece + b"\0" in names],
                    "good": good_count, "damaged": damaged}}
        for name, purpose, data, good_count, damaged in cases
    ]  # fmt: skip


def build() -> list[Vector]:
    """All vectors, in the order of the file."""
    frames = describe_vectors() + samples_vectors() + other_vectors()
    damaged = damaged_vectors() + payload_vectors()
    return crc_vectors() + cobs_vectors() + frames + damaged + stream_vectors(frames) + text_vectors(crc16)


def as_json(vectors: Sequence[Vector]) -> str:
    """One vector a line, so that a change shows as the lines it touches."""
    return "[\n" + ",\n".join(json.dumps(vector, ensure_ascii=False) for vector in vectors) + "\n]\n"


if __name__ == "__main__":
    VECTORS.write_text(as_json(build()), encoding="utf-8")
