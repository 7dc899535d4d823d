"""A journal that lay on a bad card: every record that is whole is used, and the bytes that are not are counted."""

from __future__ import annotations

import random
import struct
import time
import zlib
from itertools import pairwise
from pathlib import Path

import pytest

from amptally.logger.errors import JournalError, StorageError
from amptally.logger.recording.recovery import recover
from amptally.logger.storage.journal import Damage, JournalReader, JournalWriter, Record
from tests.faults.checks import numbers, sound
from tests.logger.bench_board import BenchBoard

PER_RECORD = 10


def drive(path: Path, records: int, **header: object) -> list[bytes]:
    """A journal with one frame of ten samples in each record; the records as they stand in it."""
    board = BenchBoard(-1, -1, "")
    writer = JournalWriter(path, {"run_id": path.stem, "utc": "2026-01-01T12:00:00+00:00", "host_us": 0, **header})
    start = writer.size
    writer.append("bytes", 0, board.describe())
    edges = [start, writer.size]
    for place in range(records):
        writer.append("bytes", (place + 1) * 20_000, board.samples(PER_RECORD))
        edges.append(writer.size)
    writer.close()
    data = path.read_bytes()
    return [data[:start], *(data[a:b] for a, b in pairwise(edges))]


def test_each_damaged_record_costs_itself(tmp_path: Path) -> None:
    rng = random.Random(3)
    path = tmp_path / "run-1.journal"
    pieces = drive(path, 300)
    hit = sorted(rng.sample(range(10, 300), 20))
    for place in hit:
        piece = bytearray(pieces[place + 2])
        piece[rng.randrange(len(piece))] ^= 1 << rng.randrange(8)
        pieces[place + 2] = bytes(piece)
    path.write_bytes(b"".join(pieces))
    run_path, metadata = recover(path, None)
    run = sound(run_path)
    assert numbers(run) == [k for k in range(3000) if k // PER_RECORD not in hit]
    assert metadata.faults["journal"] == sum(len(pieces[place + 2]) for place in hit)
    assert metadata.faults["sequence"] == len(hit)


@pytest.mark.parametrize("header", ["first byte", "length", "text", "checksum", "gone"])
def test_a_damaged_header_does_not_take_the_drive_with_it(tmp_path: Path, header: str) -> None:
    path = tmp_path / "20260101T120000Z-abcd.journal"
    head, *records = drive(path, 100, machine='[machine]\nname = "bench"\n')
    broken = bytearray(head)
    at = {"first byte": 0, "length": 9, "text": 40, "checksum": len(head) - 2, "gone": 0}[header]
    broken[at] ^= 0x55
    kept = b"" if header == "gone" else bytes(broken)
    path.write_bytes(kept + b"".join(records))
    assert JournalReader(path).header_damaged
    run_path, metadata = recover(path, None)
    assert numbers(sound(run_path)) == list(range(1000))
    assert metadata.run_id == path.stem
    assert (metadata.machine, metadata.start_utc) == (None, None)
    assert metadata.faults.get("journal", 0) == len(kept)


@pytest.mark.parametrize(
    "header",
    [
        {"utc": None},
        {"utc": "yesterday"},
        {"host_us": "soon"},
        {"host_us": 10**30},
        {"for_s": "long"},
        {"for_s": [1]},
        {"machine": 7, "notes": {"a": 1}, "start_charge": "full", "rested_h": []},
        {"notes": ["good", 3]},
        {"start_charge": True},
        {"rested_h": 10**400},
    ],
)
def test_nonsense_in_a_header_is_left_out(tmp_path: Path, header: dict[str, object]) -> None:
    path = tmp_path / "run-1.journal"
    drive(path, 20, **header)
    run_path, _ = recover(path, None)
    assert numbers(sound(run_path)) == list(range(200))


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_none_in_a_header(tmp_path: Path, number: str) -> None:
    path = tmp_path / "run-1.journal"
    head, *records = drive(path, 20, for_s=424242, rested_h=424242, start_charge=424242)
    text = head[12:-4].replace(b"424242", number.encode())
    path.write_bytes(
        head[:8] + struct.pack("<I", len(text)) + text + struct.pack("<I", zlib.crc32(text)) + b"".join(records)
    )
    run_path, metadata = recover(path, None)
    assert numbers(sound(run_path)) == list(range(200))
    assert (metadata.rested_h, metadata.start_charge) == (None, None)


@pytest.mark.parametrize("run_id", ["../outside", "/etc/x", "a/b", "", "..", "x" * 100, "a\nb"])
def test_a_path_in_the_run_id_writes_nowhere(tmp_path: Path, run_id: str) -> None:
    inner = tmp_path / "inner"
    inner.mkdir()
    path = inner / "run-1.journal"
    drive(path, 20, run_id=run_id)
    with pytest.raises(JournalError, match="run id"):
        recover(path, None)
    assert [found.name for found in inner.iterdir()] == [path.name]
    assert sorted(found.name for found in tmp_path.iterdir()) in (["inner"], ["inner", "state"])


def test_an_old_run_under_the_name_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "run-1.journal"
    drive(path, 20)
    path.with_suffix(".parquet").write_bytes(b"PAR1 something else")
    with pytest.raises(StorageError, match="--out"):
        recover(path, None)
    assert path.with_suffix(".parquet").read_bytes() == b"PAR1 something else"
    assert numbers(sound(recover(path, tmp_path / "other.parquet")[0])) == list(range(200))


def test_false_record_heads_cost_little_time(tmp_path: Path) -> None:
    """A file full of heads that announce the longest record: each is checked and found false, in linear time."""
    head, *_ = drive(tmp_path / "run-1.journal", 1)
    false = b"\xa5\x4aB" + struct.pack("<QI", 1, 4096)
    taken = []
    for copies in (20_000, 40_000):
        path = tmp_path / f"run-{copies}.journal"
        path.write_bytes(head + false * copies)
        started = time.process_time()
        found = list(JournalReader(path))
        taken.append(time.process_time() - started)
        assert [type(item) for item in found] == [Damage]
        assert found[0].length == len(false) * copies
    assert taken[1] < 3 * taken[0] + 0.2
    assert taken[1] < 5.0  # 0.6 MB


def test_a_record_from_beyond_all_time_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "run-1.journal"
    head, *records = drive(path, 20)
    body = struct.pack("<BQI", ord("B"), 2**64 - 1, 3) + b"abc"
    false = b"\xa5\x4a" + body + struct.pack("<I", zlib.crc32(body))
    path.write_bytes(head + b"".join(records[:5]) + false + b"".join(records[5:]))
    found = list(JournalReader(path))
    assert sum(isinstance(item, Record) for item in found) == 21
    assert [item.length for item in found if isinstance(item, Damage)] == [len(false)]
    assert numbers(sound(recover(path, None)[0])) == list(range(200))
