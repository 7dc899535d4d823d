"""Spoilt bytes for the fuzz study: what boards say on bad lines, run files that lie, and plain damage."""

from __future__ import annotations

import binascii
import json
import random
from pathlib import Path

import numpy as np
import polars as pl

from amptally.logger.channels import CHANNELS, TIME_COLUMN
from amptally.logger.storage.metadata import KEY, Gap, Metadata
from amptally.logger.storage.runfile import write_frame
from amptally.logger.wire.frames import (
    Describe,
    Event,
    Extreme,
    Extremes,
    Message,
    Reply,
    Samples,
    WireChannel,
    cobs_decode,
    cobs_encode,
    encode,
)


def spoil(data: bytes, rng: random.Random, hits: int) -> bytes:
    """Flip, lose, put in, repeat, move and zero stretches of bytes."""
    out = bytearray(data)
    for _ in range(hits):
        if not out:
            return bytes(out)
        at = rng.randrange(len(out))
        length = rng.choice((1, 1, 2, 4, rng.randint(1, 64)))
        match rng.randrange(8):
            case 0 | 1:
                out[at] ^= 1 << rng.randrange(8)
            case 2:
                del out[at : at + length]
            case 3:
                out[at:at] = rng.randbytes(length)
            case 4:
                out[at:at] = out[at : at + length]
            case 5:
                other = rng.randrange(len(out))
                out[at : at + length] = out[other : other + length]
            case 6:
                out[at : at + length] = bytes(len(out[at : at + length]))
            case 7:
                value = rng.choice((0, 1, 0x7F, 0x80, 0xFF))
                out[at : at + length] = bytes([value]) * len(out[at : at + length])
    return bytes(out)


_SOME = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 2**31 - 1, 2**31, 2**32 - 1)


def _number(rng: random.Random, bits: int) -> int:
    return (rng.choice(_SOME) if rng.random() < 0.4 else rng.getrandbits(bits)) & (2**bits - 1)


def _signed(rng: random.Random) -> int:
    value = _number(rng, 32)
    return value - 2**32 if value >= 2**31 else value


class Board:
    """Says things a board may say, and things none would, mostly in the right form."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._boot = 1
        self._time_us = rng.getrandbits(32)
        self._sequence = 0
        self._new_layout()

    def _new_layout(self) -> None:
        rng = self._rng
        ids = rng.sample([channel.wire_id for channel in CHANNELS] + [200, 201], rng.randint(1, 12))
        self._channels = tuple(
            WireChannel(wire_id, rng.choice((16, 32)), _number(rng, 32) or 1, _number(rng, 32) or 1, _signed(rng), 0, 0)
            if rng.random() < 0.3
            else WireChannel(wire_id, rng.choice((16, 32)), 1, 1, 0, 0, 0)
            for wire_id in ids
        )
        self._layout = rng.randrange(4)
        self._row = sum(channel.bits // 8 for channel in self._channels)

    def say(self) -> bytes:
        """One frame, good in most cases."""
        rng = self._rng
        message = self._message()
        data = encode(message, self._sequence)
        self._sequence = (self._sequence + rng.choice((1, 1, 1, 1, 1, 1, 1, 1, 1, 2, 0, rng.getrandbits(16)))) & 0xFFFF
        if rng.random() < 0.1:
            # Another content under a checksum that fits: what no line makes, but a defect or an enemy.
            body = spoil(cobs_decode(data[:-1])[:-2], rng, rng.randint(1, 3))[:1000]
            data = cobs_encode(body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little")) + b"\0"
        return data

    def _message(self) -> Message:
        rng = self._rng
        draw = rng.random()
        if draw < 0.75:
            count = rng.randint(1, max(1, min(40, 900 // self._row)))
            interval = 2000 if rng.random() < 0.95 else _number(rng, 32) or 1
            step = 0 if rng.random() < 0.97 else _number(rng, 32)
            first = (self._time_us + step) & 0xFFFFFFFF
            self._time_us = (first + count * interval) & 0xFFFFFFFF
            boot = self._boot & 0xFF if rng.random() < 0.995 else rng.getrandbits(8)
            return Samples(self._layout, boot, first, interval, rng.randbytes(count * self._row), count)
        if draw < 0.85:
            if rng.random() < 0.05:
                self._new_layout()
            if rng.random() < 0.05:
                self._boot = _number(rng, 32)
            return Describe(rng.getrandbits(32), self._boot, self._layout, 2000, "fuzz", self._channels)
        if draw < 0.9:
            entries = tuple(
                Extreme(rng.getrandbits(8), _signed(rng), _signed(rng), _signed(rng)) for _ in range(rng.randrange(5))
            )
            return Extremes(_number(rng, 32), _number(rng, 32), entries)
        if draw < 0.96:
            return Event(_number(rng, 32), rng.randrange(6), _number(rng, 32))
        return Reply(rng.getrandbits(8), rng.getrandbits(8), _number(rng, 32))


def text_lines(rng: random.Random, count: int) -> bytes:
    """What a sketch that can only print may print, and what it may not."""
    names = [name for channel in rng.sample(list(CHANNELS), rng.randint(1, 5)) for name in (channel.name,)]
    unit = rng.choice(("time_us", "time_ms", "time_s"))
    checked = rng.random() < 0.3
    lines = [",".join([unit, *names, *(["crc"] if checked else [])]).encode()]
    at = rng.getrandbits(20)
    for _ in range(count):
        at = at + 2 if rng.random() < 0.97 else rng.choice((0, 2**32 - 1, rng.getrandbits(32)))
        values = [
            rng.choice(("", "1", "-5.5", "1e6", "9" * 400, "nan", "0x1", str(rng.getrandbits(33)))) for _ in names
        ]
        body = ",".join([str(at), *values]).encode()
        lines.append(body + b",%04x" % binascii.crc_hqx(body, 0xFFFF) if checked else body)
        if rng.random() < 0.02:
            lines.append(rng.choice((lines[0], b"# remark", b"", b"time_us,nonsense", rng.randbytes(30))))
    return b"\n".join(lines) + b"\n"


def stream(rng: random.Random) -> bytes:
    """What arrives on a bad line from a board, good or bad."""
    draw = rng.random()
    if draw < 0.1:
        return spoil(text_lines(rng, rng.randint(1, 300)), rng, rng.choice((0, 1, 5, 50)))
    if draw < 0.15:
        return rng.randbytes(rng.randint(0, 20_000))
    board = Board(rng)
    frames = [board.say() for _ in range(rng.randint(1, 400))]
    for _ in range(rng.choice((0, 1, 10))):
        place = rng.randrange(len(frames))
        match rng.randrange(3):
            case 0:
                frames.insert(place, frames[rng.randrange(len(frames))])
            case 1:
                frames[place], frames[-1] = frames[-1], frames[place]
            case 2:
                del frames[place]
        if not frames:
            return b""
    return spoil(b"".join(frames), rng, rng.choice((0, 1, 5, 50)))


def pieces(data: bytes, rng: random.Random) -> list[bytes]:
    """The same bytes in pieces of any size."""
    out, at = [], 0
    while at < len(data):
        size = rng.choice((1, 7, 64, 512, 4096, 65536))
        out.append(data[at : at + size])
        at += size
    return out


def a_run(rng: random.Random, path: Path) -> None:
    rows = rng.choice((1, 10, 3000))
    step = rng.choice((1, 2000, 10**12))
    columns = [pl.Series(TIME_COLUMN, np.arange(rows, dtype=np.int64) * step)]
    for channel in rng.sample(list(CHANNELS), rng.randint(1, 6)):
        values = np.array([rng.randrange(-(10**6), 10**6) for _ in range(rows)], np.int32)
        columns.append(pl.Series(channel.name, values))
    extremes = ({"boot": 0, "channels": {"battery_current_ua": {"least": 0, "greatest": 10**7, "rms": 1}}},)
    gaps = (Gap(0.5, 1.0, "link"), Gap(2.0, None, "reset"))
    write_frame(path, pl.DataFrame(columns), Metadata("fuzz", gaps=gaps, extremes=extremes, machine="[machine]\n"))


LIES = (
    None,
    True,
    -1,
    10**400,
    1e308,
    float("nan"),
    "x",
    "../../x",
    [],
    [[]],
    {},
    {"a": None},
    [{}],
    "\x00",
    "é" * 300,
)


def lie(rng: random.Random, path: Path) -> None:
    """A good Parquet file that is not what a run file should be."""
    rows = rng.choice((0, 1, 50))
    kinds = (pl.Int32, pl.Int64, pl.Float64, pl.String, pl.Boolean, pl.List(pl.Int32), pl.Datetime, pl.Binary)
    names = ["battery_current_ua", "mark", "extra", ""]
    columns = []
    for name in [TIME_COLUMN] * (rng.random() < 0.95) + rng.sample(names, rng.randint(0, 4)):
        right = pl.Int64 if name == TIME_COLUMN else pl.Int32
        kind = right if rng.random() < 0.9 else rng.choice(kinds)
        values = [rng.choice((None, place, place * 1000)) if rng.random() < 0.1 else place for place in range(rows)]
        columns.append(
            pl.Series(name, values).cast(kind, strict=False)
            if kind not in (pl.List(pl.Int32), pl.Binary)
            else pl.Series(name, [None] * rows, dtype=kind)
        )
    described: dict[str, object] = json.loads(Metadata("fuzz", machine="[machine]\n").to_json())
    for _ in range(rng.choice((0, 0, 0, 1, 2))):
        described[rng.choice(list(described))] = rng.choice(LIES)
    text = json.dumps(described)
    if rng.random() < 0.1:
        text = spoil(text.encode(), rng, 3).decode("utf-8", "replace")
    pl.DataFrame(columns).write_parquet(path, metadata={KEY: text} if rng.random() < 0.95 else None)
