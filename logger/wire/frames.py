"""Wire format version 1: messages ↔ bytes, no I/O. docs/wire-format.md describes the format.

A frame is COBS (Cheshire & Baker, IEEE/ACM Trans. Networking 7(2), 1999) around
`version, type, sequence, payload, CRC`, closed by one zero byte. Integers are little-endian.
The CRC is CRC-16/IBM-3740 (check value 0x29B1), which `binascii.crc_hqx(data, 0xFFFF)` computes.
"""

from __future__ import annotations

import binascii
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from functools import lru_cache

import numpy as np
import numpy.typing as npt

VERSION = 1
MAX_BODY = 1024
"""Maximum length of a frame before COBS, header and CRC included."""
MAX_FRAME = MAX_BODY + MAX_BODY // 254 + 1
"""Maximum length of a frame on the wire, without its closing zero."""

_HEADER = struct.Struct("<BBH")
_CRC = struct.Struct("<H")
_DESCRIBE = struct.Struct("<IIBI")
_CHANNEL = struct.Struct("<BBIIiiI")
_SAMPLES = struct.Struct("<BBIIB")
_EXTREMES = struct.Struct("<IIB")
_EXTREME = struct.Struct("<Biii")
_EVENT = struct.Struct("<IBI")
_REPLY = struct.Struct("<BBI")
_SET_RATE = struct.Struct("<I")


class Kind(IntEnum):
    """Frame types. Those from 0x80 on go from host to board."""

    DESCRIBE = 0x01
    SAMPLES = 0x02
    EXTREMES = 0x03
    EVENT = 0x04
    REPLY = 0x05
    IDENTIFY = 0x81
    START = 0x82
    STOP = 0x83
    SET_RATE = 0x84
    MARK = 0x85


class EventCode(IntEnum):
    """What an event frame reports; the comments give the meaning of `value`."""

    MARKER = 1  # running count of the marker button
    OVER_RANGE = 2  # wire id of the channel
    MISSED_SAMPLES = 3  # number of samples that the board could not take or send
    RESET = 4  # reset cause bits of the processor


class FrameError(ValueError):
    """Bytes that are not a valid frame; `kind` is the fault kind to count.

    `found` is the version or type number received, for the kinds version and type.
    """

    def __init__(self, kind: str, found: int | None = None) -> None:
        super().__init__(kind)
        self.kind = kind
        self.found = found


@dataclass(frozen=True, slots=True)
class Fault:
    """Damage in the received stream: a value to count, never an exception."""

    kind: str
    """cobs, crc, short, long, version, type, payload, sequence, duplicate, order, range, layout, text."""
    offset: int
    """Position in the received stream, in bytes."""
    length: int
    """Bytes concerned; for `sequence` the number of frames that are missing."""
    count: int = 1
    """Number of faults, where several are reported as one."""

    @property
    def amount(self) -> int:
        """Amount to add to the run's count of this kind: missing frames, values out of range, else faults."""
        return self.length if self.kind in ("sequence", "range") else self.count


@dataclass(frozen=True, slots=True)
class WireChannel:
    """Encoding of one channel: stored value = offset + raw × numerator / denominator, rounded half up."""

    wire_id: int
    bits: int
    """16 or 32, signed; the minimum of the type means "not measured"."""
    numerator: int
    denominator: int
    offset: int
    full_scale: int
    """Full scale: maximum magnitude that the sensor can give, in storage units; 0 = not declared."""
    corner_mhz: int
    """Corner frequency of the filter before the converter, in millihertz; 0 = not declared."""


@dataclass(frozen=True, slots=True)
class Describe:
    """Identity of the board and layout of its samples."""

    board_id: int
    boot: int
    layout: int
    interval_us: int
    firmware: str
    channels: tuple[WireChannel, ...]


@dataclass(frozen=True, slots=True)
class Samples:
    """n consecutive samples, `interval_us` apart, the first at board time `first_us` (modulo 2**32)."""

    layout: int
    boot: int
    """Low eight bits of the boot counter: tells a reset from a wrap of the clock."""
    first_us: int
    interval_us: int
    rows: bytes
    """n rows as sent; `unpack_rows` reads them once the layout is known."""
    count: int


@dataclass(frozen=True, slots=True)
class Extreme:
    """One current channel since the start command, in storage units."""

    wire_id: int
    least: int
    greatest: int
    rms: int


@dataclass(frozen=True, slots=True)
class Extremes:
    """Maximum, minimum and RMS currents since the start command, sent once a second."""

    time_us: int
    duration_ms: int
    channels: tuple[Extreme, ...]


@dataclass(frozen=True, slots=True)
class Event:
    """An event reported by the board."""

    time_us: int
    code: int
    value: int


@dataclass(frozen=True, slots=True)
class Reply:
    """The board's answer to a command."""

    command: int
    status: int
    value: int


@dataclass(frozen=True, slots=True)
class Command:
    """Host → board. `value` is the interval in µs for SET_RATE and unused otherwise."""

    kind: Kind
    value: int = 0


Message = Describe | Samples | Extremes | Event | Reply | Command


@dataclass(frozen=True, slots=True)
class Frame:
    """A message with the sequence number it carried."""

    sequence: int
    message: Message = field()


def cobs_encode(data: bytes) -> bytes:
    """Stuff `data` so that no zero remains; the closing zero is not added."""
    pieces = bytearray()
    blocks = data.split(b"\0")
    for place, block in enumerate(blocks):
        start = 0
        while len(block) - start >= 254:
            pieces += b"\xff" + block[start : start + 254]
            start += 254
            if start == len(block) and place == len(blocks) - 1:
                return bytes(pieces)
        pieces.append(len(block) - start + 1)
        pieces += block[start:]
    return bytes(pieces)


def cobs_decode(stuffed: bytes) -> bytes:
    """Undo `cobs_encode`; raises FrameError("cobs") where a code byte points past the end or a zero occurs."""
    if not stuffed or 0 in stuffed:
        raise FrameError("cobs")
    # Each code byte except the first replaces a zero.
    out = bytearray(stuffed)
    at, end = 0, len(stuffed)
    while at < end:
        code = stuffed[at]
        if code == 0xFF:
            return _cobs_decode_long(stuffed)
        out[at] = 0
        at += code
    if at > end:
        raise FrameError("cobs")
    return bytes(out[1:])


def _cobs_decode_long(stuffed: bytes) -> bytes:
    """The same for data with a code of 255, which does not replace a zero."""
    out = bytearray()
    at, end = 0, len(stuffed)
    while True:
        code = stuffed[at]
        if at + code > end:
            raise FrameError("cobs")
        out += stuffed[at + 1 : at + code]
        at += code
        if at == end:
            return bytes(out)
        if code != 0xFF:
            out.append(0)


def row_dtype(channels: Sequence[WireChannel]) -> np.dtype[np.void]:
    """The layout of one row of a samples frame."""
    return np.dtype([(f"c{place}", f"<i{channel.bits // 8}") for place, channel in enumerate(channels)])


def _text(text: str) -> bytes:
    raw = text.encode("ascii")
    if len(raw) > 32 or not text.isprintable():
        raise ValueError("a firmware name has at most 32 printable ASCII characters")
    return bytes([len(raw)]) + raw


def _payload(message: Message) -> tuple[int, bytes]:
    match message:
        case Describe():
            fixed = _DESCRIBE.pack(message.board_id, message.boot, message.layout, message.interval_us)
            entries = b"".join(
                _CHANNEL.pack(c.wire_id, c.bits, c.numerator, c.denominator, c.offset, c.full_scale, c.corner_mhz)
                for c in message.channels
            )
            return Kind.DESCRIBE, fixed + _text(message.firmware) + bytes([len(message.channels)]) + entries
        case Samples():
            fixed = _SAMPLES.pack(
                message.layout, message.boot & 0xFF, message.first_us, message.interval_us, message.count
            )
            return Kind.SAMPLES, fixed + message.rows
        case Extremes():
            entries = b"".join(_EXTREME.pack(e.wire_id, e.least, e.greatest, e.rms) for e in message.channels)
            return Kind.EXTREMES, _EXTREMES.pack(message.time_us, message.duration_ms, len(message.channels)) + entries
        case Event():
            return Kind.EVENT, _EVENT.pack(message.time_us, message.code, message.value)
        case Reply():
            return Kind.REPLY, _REPLY.pack(message.command, message.status, message.value)
        case Command():
            return message.kind, _SET_RATE.pack(message.value) if message.kind is Kind.SET_RATE else b""


def encode(message: Message, sequence: int) -> bytes:
    """The bytes of one frame, closing zero included. Raises ValueError if a value does not fit."""
    try:
        kind, payload = _payload(message)
        body = _HEADER.pack(VERSION, kind, sequence & 0xFFFF) + payload
    except struct.error as error:
        raise ValueError(str(error)) from error
    if len(body) + 2 > MAX_BODY:
        raise ValueError(f"a frame body has at most {MAX_BODY} bytes, this one {len(body) + 2}")
    return cobs_encode(body + _CRC.pack(binascii.crc_hqx(body, 0xFFFF))) + b"\0"


@lru_cache(maxsize=32)
def _describe(payload: bytes) -> Describe:
    board_id, boot, layout, interval_us = _DESCRIBE.unpack_from(payload)
    at = _DESCRIBE.size
    name_length = payload[at]
    firmware = payload[at + 1 : at + 1 + name_length]
    at += 1 + name_length
    count = payload[at]
    entries = payload[at + 1 :]
    if name_length > 32 or len(firmware) != name_length or len(entries) != count * _CHANNEL.size:
        raise FrameError("payload")
    channels = tuple(WireChannel(*entry) for entry in _CHANNEL.iter_unpack(entries))
    ids = {channel.wire_id for channel in channels}
    if len(ids) != len(channels) or not channels or interval_us == 0:
        raise FrameError("payload")
    if any(channel.bits not in (16, 32) or channel.denominator == 0 for channel in channels):
        raise FrameError("payload")
    # The name is shown on terminals: only printable characters are accepted.
    name = "".join(chr(code) if 0x20 <= code < 0x7F else "\ufffd" for code in firmware)
    return Describe(board_id, boot, layout, interval_us, name, channels)


def _samples(payload: bytes) -> Samples:
    layout, boot, first_us, interval_us, count = _SAMPLES.unpack_from(payload)
    rows = payload[_SAMPLES.size :]
    if not rows or count == 0 or interval_us == 0 or len(rows) % count:
        raise FrameError("payload")
    return Samples(layout, boot, first_us, interval_us, rows, count)


def _extremes(payload: bytes) -> Extremes:
    time_us, duration_ms, count = _EXTREMES.unpack_from(payload)
    entries = payload[_EXTREMES.size :]
    if len(entries) != count * _EXTREME.size:
        raise FrameError("payload")
    return Extremes(time_us, duration_ms, tuple(Extreme(*entry) for entry in _EXTREME.iter_unpack(entries)))


def _message(kind: int, payload: bytes) -> Message:
    match kind:
        case Kind.DESCRIBE:
            return _describe(payload)
        case Kind.SAMPLES:
            return _samples(payload)
        case Kind.EXTREMES:
            return _extremes(payload)
        case Kind.EVENT:
            return Event(*_EVENT.unpack(payload))
        case Kind.REPLY:
            return Reply(*_REPLY.unpack(payload))
        case Kind.SET_RATE:
            return Command(Kind.SET_RATE, *_SET_RATE.unpack(payload))
        case Kind.IDENTIFY | Kind.START | Kind.STOP | Kind.MARK:
            if payload:
                raise FrameError("payload")
            return Command(Kind(kind))
        case _:
            raise FrameError("type", kind)


def decode(stuffed: bytes) -> Frame:
    """Read one frame, its closing zero removed.

    Raises FrameError, whose `kind` is: cobs, short, long, crc, version (a valid frame of another version), type,
    payload.
    """
    body = cobs_decode(stuffed)
    if len(body) < _HEADER.size + _CRC.size:
        raise FrameError("short")
    if len(body) > MAX_BODY:
        raise FrameError("long")
    if binascii.crc_hqx(body[:-2], 0xFFFF) != _CRC.unpack(body[-2:])[0]:
        raise FrameError("crc")
    version, kind, sequence = _HEADER.unpack_from(body)
    if version != VERSION:
        raise FrameError("version", version)
    try:
        return Frame(sequence, _message(kind, body[_HEADER.size : -2]))
    except (struct.error, IndexError) as error:
        raise FrameError("payload") from error


def unpack_rows(samples: Samples, channels: Sequence[WireChannel]) -> npt.NDArray[np.int64] | None:
    """Stored values, shape (n, channels), int64, `INT64_NULL` where not measured; None if the rows do not fit."""
    if len(samples.rows) != samples.count * sum(channel.bits // 8 for channel in channels):
        return None
    bits = channels[0].bits
    some_missing = True
    if any(channel.bits != bits for channel in channels):
        rows = np.frombuffer(samples.rows, row_dtype(channels))
        raw = [rows[f"c{place}"] for place in range(len(channels))]
    else:
        table = np.frombuffer(samples.rows, f"<i{bits // 8}").reshape(samples.count, -1)
        raw, some_missing = list(table.T), bool((table == _null_code(bits)).any())
    by_channel = np.empty((len(channels), samples.count), np.int64)  # values of a channel are contiguous
    for channel, sent, values in zip(channels, raw, by_channel, strict=True):
        values[:] = sent
        if channel.numerator != 1:
            values *= channel.numerator
        if channel.denominator != 1:
            values += channel.denominator // 2
            values //= channel.denominator
        if channel.offset:
            values += channel.offset
        if some_missing:
            values[sent == _null_code(channel.bits)] = INT64_NULL
    return by_channel.T


def _null_code(bits: int) -> int:
    """The code for "not measured" on the wire."""
    return -(1 << (bits - 1))


INT64_NULL = -(2**63)
