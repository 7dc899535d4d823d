"""The journal: what was written is read, whatever happens to the end or the middle of the file."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from amptally.logger.errors import JournalError, StorageError
from amptally.logger.storage.journal import Damage, JournalReader, JournalWriter, Record

HEADER = {"run_id": "r1", "schema": 1}
RECORD_FRAME = bytes(2 + 1 + 8 + 4 + 4)
"""Magic, kind, host time, length and checksum around a payload, as docs/run-file.md has them."""


def written(path: Path, payloads: list[bytes]) -> bytes:
    path.unlink(missing_ok=True)
    writer = JournalWriter(path, HEADER)
    for place, payload in enumerate(payloads):
        writer.append("bytes", 1000 * place, payload)
    writer.note(99, what="stop")
    writer.close()
    return path.read_bytes()


def read(path: Path, data: bytes) -> tuple[list[bytes], list[Damage]]:
    path.write_bytes(data)
    found = list(JournalReader(path))
    records = [item for item in found if isinstance(item, Record)]
    return [r.payload for r in records if r.kind == "bytes"], [item for item in found if isinstance(item, Damage)]


@given(st.lists(st.binary(max_size=300), max_size=20))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_read_gives_back_what_was_written(tmp_path: Path, payloads: list[bytes]) -> None:
    data = written(tmp_path / "a.journal", payloads)
    got, damage = read(tmp_path / "b.journal", data)
    assert got == payloads
    assert not damage
    assert JournalReader(tmp_path / "b.journal").header == HEADER


@given(st.lists(st.binary(min_size=1, max_size=60), min_size=1, max_size=12), st.floats(0, 1))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_cut_costs_only_the_torn_record(tmp_path: Path, payloads: list[bytes], share: float) -> None:
    whole = written(tmp_path / "a.journal", payloads)
    note = len(RECORD_FRAME) + len(b'{"what": "stop"}')
    first = len(whole) - note - sum(len(RECORD_FRAME) + len(payload) for payload in payloads)
    cut = first + round(share * (len(whole) - first))
    ends = [first + sum(len(RECORD_FRAME) + len(p) for p in payloads[: place + 1]) for place in range(len(payloads))]
    got, _ = read(tmp_path / "b.journal", whole[:cut])
    assert got == payloads[: sum(end <= cut for end in ends)]


def test_damage_in_the_middle_is_passed(tmp_path: Path) -> None:
    payloads = [bytes([65 + place]) * 50 for place in range(10)]
    data = bytearray(written(tmp_path / "a.journal", payloads))
    data[data.index(b"C" * 50) + 10] ^= 0xFF
    got, damage = read(tmp_path / "b.journal", bytes(data))
    assert got == [payload for payload in payloads if payload[:1] != b"C"]
    assert len(damage) == 1
    assert damage[0].length >= 50


def test_a_large_record_is_split_and_joined_in_order(tmp_path: Path) -> None:
    payload = bytes(range(256)) * 10_000
    data = written(tmp_path / "a.journal", [payload])
    assert b"".join(read(tmp_path / "b.journal", data)[0]) == payload


@pytest.mark.parametrize(
    "data", [b"", b"PAR1", b"AMPJRNL1", b"AMPJRNL1\xff\xff\xff\xff{}", b"AMPJRNL1\x02\0\0\0{}abcd"]
)
def test_no_journal_is_one_plain_line(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "x.journal"
    path.write_bytes(data)
    with pytest.raises(JournalError, match=r"x\.journal"):
        JournalReader(path)


def test_an_existing_journal_is_not_overwritten(tmp_path: Path) -> None:
    written(tmp_path / "a.journal", [b"x"])
    with pytest.raises(StorageError, match="recover"):
        JournalWriter(tmp_path / "a.journal", HEADER)
