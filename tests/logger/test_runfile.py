"""Run files: written as a whole or not at all, read with suspicion."""

from __future__ import annotations

import json
import os
import warnings
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.errors import NewerSchemaError, RunFileError, StorageError
from amptally.logger.storage.edits import Edits, edits_path, merged, read_edits, write_edits
from amptally.logger.storage.metadata import KEY, Gap, Metadata, from_json
from amptally.logger.storage.runfile import open_run, write_frame, write_run, write_segment

METADATA = Metadata(
    run_id="20260101T000000Z-abcd",
    start_utc="2026-01-01T00:00:00.000+00:00",
    faults={"crc": 2},
    gaps=(Gap(1.0, 2.5, "link"), Gap(9.0, None, "reset")),
    notes=("first <b>drive</b>",),
)


def frame(rows: int, start: int = 0, **more: list[int | None]) -> pl.DataFrame:
    columns = {
        "t_us": pl.Series([(start + place) * 2_000 for place in range(rows)], dtype=pl.Int64),
        "battery_current_ua": pl.Series([place * 1_000 for place in range(rows)], dtype=pl.Int32),
    }
    return pl.DataFrame(columns | {name: pl.Series(values, dtype=pl.Int32) for name, values in more.items()})


def test_what_was_written_is_read(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, frame(100, mark=[None] * 50 + [1] * 50), METADATA)
    run = open_run(path)
    assert run.metadata == METADATA
    assert run.columns == ("battery_current_ua", "mark")
    assert run.rows == 100
    part = run.read(["mark"], 49, 2)
    assert part["mark"].to_list() == [None, 1]
    assert part["t_us"].to_list() == [98_000, 100_000]
    assert [p.name for p in tmp_path.iterdir()] == ["run.parquet"]


def test_segments_with_different_channels_join_with_nulls(tmp_path: Path) -> None:
    first, second = tmp_path / "1.parquet", tmp_path / "2.parquet"
    write_segment(first, frame(3))
    write_segment(second, frame(2, start=3, battery_voltage_uv=[7, 8]))
    write_run(tmp_path / "run.parquet", [first, second], METADATA)
    joined = open_run(tmp_path / "run.parquet").read(["battery_voltage_uv", "battery_current_ua"])
    assert joined["battery_voltage_uv"].to_list() == [None, None, None, 7, 8]
    assert joined["t_us"].to_list() == [0, 2_000, 4_000, 6_000, 8_000]


def test_an_existing_run_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, frame(1), METADATA)
    before = path.read_bytes()
    with pytest.raises(StorageError, match="not overwritten"):
        write_frame(path, frame(2), METADATA)
    assert path.read_bytes() == before


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX folders")
def test_a_place_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="Cannot write"):
        write_frame(tmp_path / "missing" / "run.parquet", frame(1), METADATA)


def foreign(path: Path, metadata: dict[str, str] | None) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame(3).write_parquet(path, metadata=metadata)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda _: None, "does not exist"),
        (lambda path: path.mkdir(), "is a folder"),
        (lambda path: path.write_bytes(b""), "not a Parquet file"),
        (lambda path: path.write_bytes(b"time,amps\n"), "import"),
        (lambda path: path.write_bytes(b"AMPJRNL1"), "recover"),
        (lambda path: path.write_bytes(b"PAR1" + b"\0" * 100), "truncated"),
        (lambda path: foreign(path, None), "not a run of amptally"),
        (lambda path: foreign(path, {KEY: "{"}), "not JSON"),
        (lambda path: foreign(path, {KEY: "[]"}), "schema"),
        (lambda path: foreign(path, {KEY: '{"schema": 1, "run_id": "../../x"}'}), "run id"),
        (lambda path: foreign(path, {KEY: '{"schema": 1, "run_id": "x", "faults": 3}'}), "faults"),
        (lambda path: foreign(path, {KEY: '{"schema": 1, "run_id": "x", "gaps": [{"start_s": "a"}]}'}), "gaps"),
    ],
)
def test_bad_files_are_one_line(tmp_path: Path, make: object, says: str) -> None:
    path = tmp_path / "x.parquet"
    make(path)  # type: ignore[operator]
    with pytest.raises(RunFileError, match=says) as caught:
        open_run(path)
    assert "\n" not in str(caught.value)


def test_truncated_file_is_reported(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, frame(1000), METADATA)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(RunFileError, match="truncated"):
        open_run(path)


def test_newer_schema_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_frame(path, frame(1), replace(METADATA, schema=2))
    with pytest.raises(NewerSchemaError, match="Update"):
        open_run(path)


def test_unknown_keys_of_a_later_minor_version_are_passed_over() -> None:
    text = json.dumps({"schema": 1, "run_id": "x", "weather": "fine"})
    assert from_json(text, "x") == Metadata(run_id="x")


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
KEYS = ["gaps", "faults", "clock", "board", "extremes", "notes", "start_charge", "machine", "max_gap_s"]


@given(st.dictionaries(st.sampled_from(KEYS), json_values))
def test_hostile_metadata_is_an_error_or_well_formed(fields: dict[str, object]) -> None:
    try:
        metadata = from_json(json.dumps({"schema": 1, "run_id": "x", **fields}), "x")
    except RunFileError:
        return
    assert from_json(metadata.to_json(), "x") == metadata


def test_edits_are_merged_on_reading(tmp_path: Path) -> None:
    run = tmp_path / "run.parquet"
    write_frame(run, frame(1), METADATA)
    assert read_edits(run) == Edits()
    edits = Edits(("left wheel changed",), ("wet",), (1.0, 2.0))
    write_edits(run, edits)
    assert read_edits(run) == edits
    assert merged(open_run(run).metadata, edits).notes == ("first <b>drive</b>", "left wheel changed")
    assert edits_path(run).name == "run.edits.json"


@pytest.mark.parametrize(
    "text", ["", "[]", '{"schema": 9}', '{"schema": 1, "notes": [3]}', '{"schema": 1, "lap_marks_s": ["a"]}']
)
def test_bad_edits_are_reported(tmp_path: Path, text: str) -> None:
    run = tmp_path / "run.parquet"
    edits_path(run).write_text(text)
    with pytest.raises(RunFileError, match=r"edits\.json"):
        read_edits(run)
