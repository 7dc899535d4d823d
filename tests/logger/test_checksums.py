"""A run file proves itself: every flipped bit is found before the Parquet library sees it."""

from __future__ import annotations

import os
import random
import warnings
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from amptally.logger.errors import RunFileError
from amptally.logger.storage import checksums, runfile
from amptally.logger.storage.checksums import DamagedPartError, read_checksums, with_place, write_checksums
from amptally.logger.storage.edits import read_edits
from amptally.logger.storage.metadata import KEY, Metadata
from amptally.logger.storage.parquet_layout import row_groups
from amptally.logger.storage.runfile import open_run, write_frame, write_run, write_segment

METADATA = Metadata("drive", machine='[machine]\nname = "cart é"\n', notes=("a",))


def samples(rows: int, seed: int = 1) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    values = rng.integers(-(10**6), 10**6, rows, np.int32)
    return pl.DataFrame({"t_us": np.arange(rows, dtype=np.int64) * 2_000, "battery_current_ua": values})


def found_damaged(path: Path) -> bool:
    """What the check says, before the Parquet library is asked."""
    try:
        proof = read_checksums(path)
    except DamagedPartError:
        return True
    if proof is None:
        try:
            with path.open("rb") as file:
                runfile._refuse_other_formats(path, file)
        except RunFileError:
            return True
        return False
    return any(True for _ in proof.damaged())


def test_every_single_flipped_bit_is_found(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, samples(3), METADATA)
    data = path.read_bytes()
    assert not found_damaged(path)
    with path.open("rb+", buffering=0) as file:
        for place, byte in enumerate(data):
            for bit in range(8):
                file.seek(place)
                file.write(bytes([byte ^ 1 << bit]))
                assert found_damaged(path), f"bit {bit} of byte {place} of {len(data)}"
            file.seek(place)
            file.write(bytes([byte]))
    assert not found_damaged(path)


def test_other_damage_is_found(tmp_path: Path) -> None:
    """Several flips, bytes lost, repeated, swapped, zeroed, put before, between and after."""
    path, rng = tmp_path / "run.parquet", random.Random(3)
    write_frame(path, samples(200), METADATA)
    whole, gone = path.read_bytes(), []
    for _ in range(1_000):
        data = bytearray(whole)
        at, length = rng.randrange(len(data)), rng.randint(1, 200)
        match rng.randrange(6):
            case 0:
                for _ in range(rng.randint(2, 9)):
                    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            case 1:
                del data[at : at + length]
            case 2:
                data[at:at] = rng.randbytes(length)
            case 3:
                data[at : at + length] = bytes(len(data[at : at + length]))
            case 4:
                data += whole if rng.random() < 0.3 else whole[-rng.randint(1, len(whole)) :]
            case 5:
                del data[at:]
        if data != whole:
            path.write_bytes(data)
            if not found_damaged(path):  # the place itself is gone, and with it a part of the metadata
                gone.append(place_of(data))
                with pytest.raises(RunFileError):
                    open_run(path)
    assert len(gone) < 30
    assert set(gone) <= {-1}


def place_of(data: bytes | bytearray) -> int:
    return max(data.find(b"checksums"), data.find(b"crc32-parts-1"))


def test_row_groups_lie_where_the_layout_says(tmp_path: Path) -> None:
    """The bytes between two ends hold the pages of a row group: spoiling them spoils its rows and no others."""
    path = tmp_path / "run.parquet"
    write_frame(path, samples(150_000), METADATA)
    proof = read_checksums(path)
    assert proof is not None
    assert [part.end_row for part in proof.parts] == [60_000, 120_000, 150_000]
    data = path.read_bytes()
    footer = data[-8 - int.from_bytes(data[-8:-4], "little") : -8]
    assert [(group.rows, group.end) for group in row_groups(footer)] == [
        (part.end_row - part.first_row, part.end) for part in proof.parts
    ]
    middle = proof.parts[1]
    assert middle.checksum == zlib.crc32(data[middle.start : middle.end])
    path.write_bytes(data[: middle.start] + bytes(middle.end - middle.start) + data[middle.end :])
    for start, stop in ((0, 60_000), (120_000, 150_000)):
        table = pl.scan_parquet(path).slice(start, stop - start).collect()
        assert table.equals(samples(150_000)[start:stop])


def test_a_slice_costs_a_slice_and_damage_elsewhere_does_not_matter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, samples(300_000), METADATA)
    proof = read_checksums(path)
    assert proof is not None
    with path.open("rb+") as file:
        file.seek(proof.parts[3].start + 100)
        file.write(b"\xff\x00\xff")
    counted = []
    real = checksums._checksum
    monkeypatch.setattr(
        checksums, "_checksum", lambda file, start, end: counted.append(end - start) or real(file, start, end)
    )
    run = open_run(path)
    opening = sum(counted)
    assert run.read(["battery_current_ua"], 100_000, 10).equals(samples(300_000)[100_000:100_010])
    assert sum(counted) - opening == proof.parts[1].end - proof.parts[1].start
    run.read(["battery_current_ua"], 70_000, 10)
    assert len(counted) == 2  # the footer and one part, once each
    with pytest.raises(RunFileError, match="damaged: samples 180,001 to 240,000 of it are not as they were written"):
        run.read([], 179_999, 2)


def test_a_file_that_changes_while_it_is_open_is_checked_again(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, samples(1000), METADATA)
    run = open_run(path)
    run.read(run.columns)
    with path.open("rb+") as file:
        file.seek(40)
        file.write(b"\xff\x00\xff\x00")
    with pytest.raises(RunFileError, match="damaged: samples 1 to 1,000"):
        run.read(run.columns)


def test_segments_streamed_together_carry_checksums(tmp_path: Path) -> None:
    whole = samples(130_001)
    for name, part in (("a", whole[:7]), ("b", whole[7:100_000]), ("c", whole[100_000:])):
        write_segment(tmp_path / f"{name}.parquet", part)
    write_run(tmp_path / "run.parquet", [tmp_path / f"{name}.parquet" for name in "abc"], METADATA)
    run = open_run(tmp_path / "run.parquet")
    assert run.proof is not None
    assert run.proof.parts[-1].end_row == 130_001
    assert run.read(run.columns).equals(whole)
    assert run.metadata == METADATA


def test_more_row_groups_than_the_place_has_room_for_share_parts(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        text = with_place(METADATA.to_json(), 3)
        samples(1000).write_parquet(path, row_group_size=100, metadata={KEY: text})
    write_checksums(path)
    proof = read_checksums(path)
    assert proof is not None
    assert [part.end_row for part in proof.parts] == [400, 800, 1000]
    assert open_run(path).read(["battery_current_ua"], 450, 3).equals(samples(1000)[450:453])


@pytest.mark.parametrize("note", ['"checksums": "crc32-parts-1 00 crc32-parts-1"', "crc32-parts-1", "checksums"])
def test_a_note_cannot_pass_for_checksums(tmp_path: Path, note: str) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, samples(10), replace(METADATA, notes=(note,)))
    run = open_run(path)
    assert run.proof is not None
    assert run.metadata.notes == (note,)


def test_a_damaged_run_whose_journal_is_there_says_so(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, samples(10), METADATA)
    data = bytearray(path.read_bytes())
    data[-20] ^= 1
    path.write_bytes(data)
    with pytest.raises(RunFileError, match=r"its footer is not as it was written\. Copy the file again"):
        open_run(path)
    path.with_suffix(".journal").touch()
    with pytest.raises(RunFileError, match=r"amptally recover .*run\.journal --out"):
        open_run(path)


@pytest.mark.skipif(os.name != "posix", reason="needs a named pipe")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.parquet")
    with pytest.raises(RunFileError, match="is a named pipe"):
        open_run(tmp_path / "pipe.parquet")
    write_frame(tmp_path / "run.parquet", samples(3), METADATA)
    os.mkfifo(tmp_path / "run.edits.json")
    with pytest.raises(RunFileError, match="it is a named pipe"):
        read_edits(tmp_path / "run.parquet")


def test_a_footer_that_claims_gigabytes_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    with path.open("wb") as file:
        file.write(b"PAR1")
        file.truncate(3 << 30)  # no bytes on the disk
        file.seek(0, 2)
        file.write((2 << 30).to_bytes(4, "little") + b"PAR1")
    with pytest.raises(RunFileError, match="footer of 2,147,483,648 bytes"):
        open_run(path)
