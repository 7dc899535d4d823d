"""Damage on a real line, planned to the last byte: the fault counts of the metadata equal what was put in.

| put in | counted |
|---|---|
| a frame left out | `sequence` 1 |
| a bit flipped, bytes left out within a frame | one of `crc`, `cobs`, `short`; `sequence` 1 |
| a closing zero left out | one of `crc`, `cobs`, `long` (two frames run together); `sequence` 2 |
| garbage with its own zero between frames | one of `crc`, `cobs`, `short` |
| more than 1029 bytes of garbage with its own zero | `long` 1 |
| a frame twice | `duplicate` 1 |
| two neighbours in the wrong order | `order` 1, `sequence` 1: the one that comes late is dropped |
| a frame of another version, of no known type | `version` 1, `type` 1; `sequence` 1 |
"""

from __future__ import annotations

import binascii
import random
from collections import Counter
from pathlib import Path

import pytest

from amptally.logger.wire.frames import cobs_decode, cobs_encode
from tests.faults.checks import numbers, sound
from tests.faults.harness import ThreadRecorder, options
from tests.logger.bench_board import BenchBoard, bench_board

PER_FRAME = 10
BROKEN = ("crc", "cobs", "short")
OPERATIONS = (
    "lose", "flip", "shorten", "unclose", "garbage", "long", "duplicate", "swap", "version", "type",
)  # fmt: skip


class Line:
    """Frames in order and what becomes of them, with what must be counted."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self.data = b""
        self.expected: Counter[str] = Counter()
        self.put_in: Counter[str] = Counter()
        self.gone: set[int] = set()
        """Places of frames whose samples are lost."""

    def good(self, frames: list[bytes]) -> None:
        self.data += b"".join(frames)

    def damage(self, what: str, frames: list[bytes], place: int) -> None:
        """Let `what` happen to the first of two neighbouring frames, of which the first is number `place`."""
        rng, (first, second) = self._rng, frames
        self.put_in[what] += 1
        match what:
            case "lose":
                self._lose(place, sequence=1)
                self.data += second
            case "flip":
                self._lose(place, broken=1, sequence=1)
                self.data += flipped(first, rng) + second
            case "shorten":
                self._lose(place, broken=1, sequence=1)
                at = rng.randrange(len(first) - 4)
                self.data += first[:at] + first[at + rng.randint(1, 3) :] + second
            case "unclose":
                self._lose(place, broken=1, sequence=2)
                self.gone.add(place + 1)
                self.data += first[:-1] + second
            case "garbage":
                self.expected["broken"] += 1
                self.data += bytes(rng.randint(1, 255) for _ in range(rng.randint(3, 200))) + b"\0" + first + second
            case "long":
                self.expected["long"] += 1
                self.data += bytes(rng.randint(1, 255) for _ in range(1100)) + b"\0" + first + second
            case "duplicate":
                self.expected["duplicate"] += 1
                self.data += first + first + second
            case "swap":
                self._lose(place, order=1, sequence=1)
                self.data += second + first
            case "version":
                self._lose(place, version=1, sequence=1)
                self.data += changed(first, 0, 2) + second
            case "type":
                self._lose(place, type=1, sequence=1)
                self.data += changed(first, 1, 0x60) + second

    def _lose(self, place: int, **counts: int) -> None:
        self.gone.add(place)
        self.expected.update(counts)


def flipped(frame: bytes, rng: random.Random) -> bytes:
    """One bit changed, none of them into or out of a zero, which would cut or join frames."""
    while True:
        at, bit = rng.randrange(len(frame) - 1), 1 << rng.randrange(8)
        if frame[at] ^ bit:
            return frame[:at] + bytes([frame[at] ^ bit]) + frame[at + 1 :]


def changed(frame: bytes, at: int, value: int) -> bytes:
    """The same frame with another value in its header and a CRC that fits it."""
    body = bytearray(cobs_decode(frame[:-1])[:-2])
    body[at] = value
    return cobs_encode(bytes(body) + binascii.crc_hqx(bytes(body), 0xFFFF).to_bytes(2, "little")) + b"\0"


def planned(board: BenchBoard, rng: random.Random, frames: int) -> Line:
    """A stream of `frames` frames, every kind of damage in it, good frames between any two."""
    line = Line(rng)
    place = 0
    while place < frames - 4:
        pair = [board.samples(PER_FRAME), board.samples(PER_FRAME)]
        if place % 6 == 4:
            line.damage(OPERATIONS[(place // 6) % len(OPERATIONS)], pair, place)
        else:
            line.good(pair)
        place += 2
    line.good([board.samples(PER_FRAME) for _ in range(4)])
    return line


@pytest.mark.parametrize("seed", [1, 2])
def test_counts_equal_what_was_put_in(tmp_path: Path, seed: int) -> None:
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe())
        line = planned(board, random.Random(seed), 600)
        rest = line.data
        while rest:  # in pieces of any size, as a driver hands them over
            piece = random.Random(len(rest)).randint(1, 700)
            board.write(rest[:piece])
            rest = rest[piece:]
        total = board.sent
        expected = [k for k in range(total) if k // PER_FRAME not in line.gone]
        recorder.wait_for(lambda: recorder.seen >= len(expected))
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    run = sound(outcome.path)
    found = Counter(run.metadata.faults)
    broken = sum(found.pop(kind, 0) for kind in BROKEN)
    assert Counter({**found, "broken": broken}) == line.expected
    assert numbers(run) == expected
    assert min(line.put_in[what] for what in OPERATIONS) >= 9
    lost = [gap for gap in run.metadata.gaps if gap.kind == "link"]
    assert len(lost) == len(run.metadata.gaps) == sum(1 for place in line.gone if place - 1 not in line.gone)


@pytest.mark.parametrize("off_us", [-300_000, -5_000_000, 3_000_000, 1_700_000_000, 2_500_000_000])
def test_a_wrong_time_under_a_good_checksum_moves_nothing(tmp_path: Path, off_us: int) -> None:
    """One in 65,536 badly damaged frames passes the CRC; believed, its time would shift the rest of the run."""
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe() + board.samples(500))
        body = bytearray(cobs_decode(board.samples(10)[:-1])[:-2])
        at = (int.from_bytes(body[6:10], "little") + off_us) % 2**32
        body[6:10] = at.to_bytes(4, "little")
        crc = binascii.crc_hqx(bytes(body), 0xFFFF).to_bytes(2, "little")
        board.write(cobs_encode(bytes(body) + crc) + b"\0" + board.samples(500))
        recorder.wait_for(lambda: recorder.seen == 1000)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    run = sound(outcome.path)
    assert run.metadata.faults == {"order": 1}
    assert run.read([])["t_us"].to_list() == [2000 * k for k in range(1010) if not 500 <= k < 510]


def test_garbage_before_the_first_good_frame_is_counted_too(tmp_path: Path) -> None:
    """Held back in bounded memory until it is known whether frames or lines are spoken, and then counted."""
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        for _ in range(50):
            board.write(b"\x07\x07\x00\x09\x01\x02\x00" * 50)
        board.write(board.describe() + board.samples(100))
        recorder.wait_for(lambda: recorder.seen == 100)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    assert sum(sound(outcome.path).metadata.faults.values()) == 5000


def test_damage_to_text_lines_is_counted(tmp_path: Path) -> None:
    """The plain mode with its checksum: a flipped character is `crc`, a torn line is `crc`, noise is `crc`."""

    def line(number: int) -> bytes:
        body = f"{number * 2},{number}".encode()
        return body + b",%04x\n" % binascii.crc_hqx(body, 0xFFFF)

    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(b"time_ms,battery_current_a,crc\n")
        for number in range(200):
            text = line(number)
            match number % 20:
                case 5:
                    text = text.replace(b",", b";", 1)
                case 9:
                    text = text[: len(text) // 2] + b"\n"
                case 13:
                    text = text + text  # the same time again
                case 17:
                    text = b"#" * 1500 + b"\n" + text
            board.write(text)
        recorder.wait_for(lambda: recorder.seen >= 180)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    run = sound(outcome.path)
    assert run.metadata.faults == {"crc": 20, "order": 10, "long": 10}
    assert run.rows == 180
