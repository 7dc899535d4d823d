"""Hostile bytes and files: nothing is raised but the errors of the tree, memory is bounded, time is linear."""

from __future__ import annotations

import json
import random
import time
import tracemalloc
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, example, given
from hypothesis import strategies as st

from amptally.analysis.errors import AnalysisError
from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from amptally.logger.channels import BY_WIRE_ID, TIME_COLUMN
from amptally.logger.errors import ImportDataError, LoggerError, MachineFileError, RunFileError
from amptally.logger.importing.reader import read_columns
from amptally.logger.importing.specs import parse_map, parse_time
from amptally.logger.machine.description import load
from amptally.logger.recording.journal_decoder import JournalDecoder
from amptally.logger.recording.recovery import recover
from amptally.logger.recording.run_builder import RunBuilder
from amptally.logger.storage import runfile
from amptally.logger.storage.journal import Damage, JournalReader, JournalWriter, Record
from amptally.logger.storage.metadata import KEY, Metadata
from amptally.logger.storage.runfile import open_run, write_frame
from amptally.logger.wire.blocks import Block, Booted
from amptally.logger.wire.decoder import BoardDecoder
from amptally.logger.wire.frames import (
    INT64_NULL,
    Describe,
    Event,
    Extreme,
    Extremes,
    Fault,
    Message,
    Samples,
    WireChannel,
    encode,
)
from tests.faults.checks import sound
from tests.strategies import (
    board_messages,
    changed_bytes,
    describes,
    examples,
    frame_lists,
    samples_of,
    splits,
    text_streams,
)
from tests.studies import fuzz

FAIRLY = (LoggerError, AnalysisError)


@contextmanager
def fairly(*allowed: type[Exception]) -> Iterator[None]:
    """What may be raised are errors of the tree, or those `allowed`, of one line each."""
    message = "one line"
    kinds = allowed or FAIRLY
    try:
        yield
    except kinds as error:
        message = str(error)
    assert len(message.splitlines()) == 1


ONE_FOLDER = examples(0.6, suppress_health_check=[HealthCheck.function_scoped_fixture])


@st.composite
def drives(draw: st.DrawFn) -> bytes:
    """A describe frame, samples that fit it and whatever else boards say, in order."""
    board = draw(describes())
    fitting = samples_of(board)
    chosen = draw(frame_lists(of=st.one_of(fitting, fitting, fitting, board_messages), least=0, most=8))
    return encode(board, (chosen[0][0] - 1) & 0xFFFF if chosen else 0) + b"".join(data for _, _, data in chosen)


def essence(pieces: list[bytes]) -> tuple[list[tuple[int, int, tuple[int, ...]]], Counter[str]]:
    """(boot, time, values) of every sample, and what was counted. Checks what holds for any bytes."""
    decoder = BoardDecoder()
    samples: list[tuple[int, int, tuple[int, ...]]] = []
    faults: Counter[str] = Counter()
    boot, last = 0, -1
    items = [item for piece in pieces for item in decoder.feed(piece)] + decoder.finish()
    for item in items:
        if isinstance(item, Booted):
            assert item.boot == boot + 1
            boot, last = item.boot, -1
        elif isinstance(item, Fault):
            faults[item.kind] += item.amount
        elif isinstance(item, Block):
            if item.boot != boot:  # plain text has no frame that would tell of a new start
                boot, last = item.boot, -1
            assert item.time_us[0] > last
            assert (np.diff(item.time_us) > 0).all()
            assert item.values.shape == (len(item.time_us), len(item.layout.columns))
            assert ((item.values >= -(2**31)) & (item.values < 2**31) | (item.values == INT64_NULL)).all()
            last = int(item.time_us[-1])
            samples += [(boot, int(t), tuple(row)) for t, row in zip(item.time_us, item.values.tolist(), strict=True)]
    return samples, faults


@given(st.data())
@examples(1.5)
def test_decoder_any_damage_any_split(data: st.DataObject) -> None:
    stream = data.draw(drives())
    if data.draw(st.booleans()):
        stream = data.draw(changed_bytes(stream))
    pieces = data.draw(splits(stream))
    assert essence(pieces) == essence([stream])


@given(st.data())
@examples(1.5)
def test_text_any_lines_any_split(data: st.DataObject) -> None:
    text = data.draw(text_streams)
    pieces = data.draw(splits(text))
    assert essence(pieces) == essence([text])


AMPS = WireChannel(1, 16, 1, 1, 0, 0, 0)
assert 1 in BY_WIRE_ID


def endless_frames(make: Callable[[int], Message]) -> Iterator[bytes]:
    """Good frames without end, in chunks of a hundred."""
    yield encode(Describe(1, 1, 1, 1000, "", (AMPS,)), 0)
    place = 0
    while True:
        yield b"".join(encode(make(place + k), (place + k + 1) & 0xFFFF) for k in range(100))
        place += 100


def endless(chunk: bytes, first: bytes = b"") -> Iterator[bytes]:
    yield first
    while True:
        yield chunk


def wild_times() -> Iterator[bytes]:
    """Text whose clock of seconds turns with every line."""
    yield b"time_s,mark\n"
    while True:
        yield b"1,1\n4294967295.5,2\n" * 50


ENDLESS: dict[str, Callable[[], Iterator[bytes]]] = {
    "no delimiter": lambda: endless(b"\x07" * 4096),
    "nothing but zeros": lambda: endless(bytes(4096)),
    "far too long between zeros": lambda: endless(b"\x01" * 2000 + b"\0"),
    "garbage with zeros": lambda: endless(random.Random(1).randbytes(4096)),
    "text without line end": lambda: endless(b"1" * 4096, b"time_us,mark\n"),
    "text of no number": lambda: endless(b"x,y\n" * 1000, b"time_us,mark\n"),
    "text with wild times": wild_times,
    "samples of no layout": lambda: endless_frames(lambda k: Samples(9, 1, k, 1000, bytes(8), 4)),
    "layouts without end": lambda: endless_frames(lambda k: Describe(1, 1, k % 256, 1000, "", (AMPS,))),
    "boots without end": lambda: endless_frames(lambda k: Samples(1, k % 2, 0, 1000, bytes(2), 1)),
    "boots with extremes": lambda: endless_frames(
        lambda k: Describe(1, k // 2, 1, 1000, "", (AMPS,)) if k % 2 else Extremes(k, k, (Extreme(1, 0, k, 0),))
    ),
    "events without end": lambda: endless_frames(lambda k: Event(k, 3, 1)),
    "wild clocks": lambda: endless_frames(lambda k: Samples(1, 1, k * 2**31 // 3 % 2**32, 2**31, bytes(2), 1)),
    "gaps without end": lambda: endless_frames(lambda k: Samples(1, 1, k * 100_000_000 % 2**32, 1000, bytes(4), 2)),
}  # fmt: skip


def records_of(chunks: Iterator[bytes], size: int) -> Iterator[Record]:
    total = 0
    while total < size:
        chunk = next(chunks)
        total += len(chunk)
        yield Record("bytes", total, chunk)


def seconds_for(folder: Path, chunks: Iterator[bytes], size: int, *, at_once: bool = False) -> float:
    """Processor time to decode and build `size` bytes."""
    builder = RunBuilder(folder, "endless", decoder=JournalDecoder() if at_once else JournalDecoder(batch_bytes=0))
    started = time.process_time()
    builder.accept(records_of(chunks, size))
    taken = time.process_time() - started
    builder.discard_segments()
    return taken


@pytest.mark.parametrize("name", ENDLESS)
def test_endless_streams_decoded_at_once_take_linear_time(tmp_path: Path, name: str) -> None:
    size = 30_000
    seconds_for(tmp_path, ENDLESS[name](), size // 10, at_once=True)
    short = min(seconds_for(tmp_path, ENDLESS[name](), size, at_once=True) for _ in range(2))
    assert seconds_for(tmp_path, ENDLESS[name](), 4 * size, at_once=True) < 4 * 2 * short + 0.3


@pytest.mark.parametrize("name", ENDLESS)
def test_endless_streams_take_linear_time_and_bounded_memory(tmp_path: Path, name: str) -> None:
    size = 30_000
    seconds_for(tmp_path, ENDLESS[name](), size // 10)
    short = min(seconds_for(tmp_path, ENDLESS[name](), size) for _ in range(2))
    long = seconds_for(tmp_path, ENDLESS[name](), 4 * size)
    assert long < 4 * 2 * short + 0.3
    tracemalloc.start()
    try:
        seconds_for(tmp_path, ENDLESS[name](), size)
        first = tracemalloc.get_traced_memory()[1]
        tracemalloc.reset_peak()
        seconds_for(tmp_path, ENDLESS[name](), 3 * size)
        second = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # What grows are lists with a bound of their own (gaps, events) and samples until a segment is full.
    assert second < first + 4_000_000, f"{first:,} bytes at first, {second:,} for three times as much"


@given(st.data())
@ONE_FOLDER
def test_journal_any_damage(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "fuzz.journal"
    path.unlink(missing_ok=True)
    writer = JournalWriter(path, {"run_id": "fuzz", "utc": "2026-01-01T00:00:00+00:00", "host_us": 1})
    for place, piece in enumerate(data.draw(splits(data.draw(drives())))):
        writer.append("bytes", place * 1000, piece)
    writer.close()
    damaged = data.draw(changed_bytes(path.read_bytes(), most=8))
    path.write_bytes(damaged)
    run = tmp_path / "fuzz.parquet"
    run.unlink(missing_ok=True)
    with fairly():
        found = list(JournalReader(path))
        assert sum(item.length for item in found if isinstance(item, Damage)) <= len(damaged)
        recover(path, run)
        assert run.exists()
    if run.exists():
        open_run(run)
    assert path.read_bytes() == damaged


def small_run(path: Path, **more: object) -> Metadata:
    metadata = Metadata("fuzz", machine="[machine]\n", **more)  # type: ignore[arg-type]
    times = pl.Series(TIME_COLUMN, np.arange(200, dtype=np.int64) * 2000)
    values = pl.Series("battery_current_ua", np.arange(200, dtype=np.int32) * 1000)
    path.unlink(missing_ok=True)
    write_frame(path, pl.DataFrame([times, values]), metadata)
    return metadata


def read_all(path: Path) -> None:
    run = open_run(path)
    run.read(run.columns)
    json.dumps(build_report(Run.open(path)).as_json(), allow_nan=False)


@given(st.data())
@ONE_FOLDER
def test_run_file_any_damage(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "fuzz.parquet"
    small_run(path)
    whole = path.read_bytes()
    cut = data.draw(st.integers(0, len(whole)))
    path.write_bytes(whole[:cut] + data.draw(changed_bytes(whole[cut:])))
    with fairly():
        read_all(path)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.just(10**400),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
EXTREME = {"boot": 0, "channels": {"battery_current_ua": {"least": 1, "greatest": 2**70}}}
BOARD = {"channels": [{"channel": "battery_current_ua", "full_scale": "x"}, 3]}


@given(st.dictionaries(st.sampled_from(sorted(asdict(Metadata("x")))), json_values, min_size=1, max_size=3))
@example({"extremes": [EXTREME]})
@example(
    {"extremes": [{"channels": {"battery_current_ua": {"least": True, "greatest": -(2**62)}}, "duration_ms": 10**30}]}
)
@example({"board": BOARD})
@example({"board": {"channels": 3}})
@example({"clock": {"drift_ppm": float("nan"), "rate_u": 0}})
@example({"clock": {"drift_ppm": -999.9, "rate_u": 1e-9}})
@example({"gaps": [{"start_s": 10**400, "end_s": None, "kind": "link"}]})
@example({"gaps": [{"start_s": -5, "end_s": -7, "kind": "x" * 1000}]})
@example({"alarms": [{"at_s": "x"}], "board_events": [{"board_us": -1, "code": 99}]})
@example({"start_charge": 1e300, "rested_h": -1.0, "max_gap_s": 0.0})
@ONE_FOLDER
def test_run_file_any_metadata(tmp_path: Path, lies: dict[str, object]) -> None:
    path = tmp_path / "fuzz.parquet"
    described = json.loads(small_run(path).to_json()) | lies
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pl.read_parquet(path).write_parquet(path, metadata={KEY: json.dumps(described)})
    with fairly():
        read_all(path)


def varint(value: int) -> bytes:
    """A number as Parquet's footer has it: zigzag, seven bits a byte."""
    value, out = value << 1, bytearray()
    while value >= 0x80:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    return bytes(out) + bytes([value])


@pytest.mark.parametrize("claimed", [300_000, 10**9, 2**40, 2**62])
def test_a_footer_that_lies_about_the_rows(tmp_path: Path, claimed: int) -> None:
    rows = 123_457
    path = tmp_path / "lie.parquet"
    frame = pl.DataFrame({TIME_COLUMN: np.arange(rows, dtype=np.int64), "mark": np.ones(rows, np.int32)})
    write_frame(path, frame, Metadata("fuzz"))
    data = path.read_bytes()
    size = int.from_bytes(data[-8:-4], "little")
    footer = data[-8 - size : -8].replace(varint(rows), varint(claimed), 1)
    assert len(footer) > size or claimed < 2**20
    path.write_bytes(data[: -8 - size] + footer + len(footer).to_bytes(4, "little") + b"PAR1")
    tracemalloc.start()
    with pytest.raises(RunFileError):
        read_all(path)
    assert tracemalloc.get_traced_memory()[1] < 50_000_000
    tracemalloc.stop()


def test_a_run_longer_than_any(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "run.parquet"
    small_run(path)
    monkeypatch.setattr(runfile, "MAX_ROWS", 199)
    with pytest.raises(RunFileError, match="claims 200 samples"):
        open_run(path)


def test_one_huge_row_group_is_read_in_parts(tmp_path: Path) -> None:
    """Another tool may have written the file again with all rows in one group."""
    rows = 2_000_000
    path = tmp_path / "big.parquet"
    frame = pl.DataFrame({TIME_COLUMN: np.arange(rows, dtype=np.int64), "mark": np.arange(rows, dtype=np.int32)})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame.write_parquet(path, row_group_size=rows, metadata={KEY: Metadata("big").to_json()})
    run = open_run(path)
    assert run.read(["mark"], rows - 5)["mark"].to_list() == list(range(rows - 5, rows))
    assert sound(path).rows == rows


@pytest.mark.parametrize(
    "columns",
    [
        {TIME_COLUMN: pl.Series([0, 1], dtype=pl.Int32)},
        {TIME_COLUMN: pl.Series([0.0, 1.0])},
        {TIME_COLUMN: pl.Series([0, 1], dtype=pl.Int64), "mark": pl.Series(["a", "b"])},
        {TIME_COLUMN: pl.Series([0, 1], dtype=pl.Int64), "mark": pl.Series([[1], [2]])},
        {TIME_COLUMN: pl.Series([0, None], dtype=pl.Int64)},
        {TIME_COLUMN: pl.Series([5, 3], dtype=pl.Int64), "mark": pl.Series([1, 2], dtype=pl.Int32)},
        {"mark": pl.Series([1, 2], dtype=pl.Int32)},
    ],
)
def test_a_schema_that_is_not_ours(tmp_path: Path, columns: dict[str, pl.Series]) -> None:
    path = tmp_path / "x.parquet"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pl.DataFrame(columns).write_parquet(path, metadata={KEY: Metadata("x").to_json()})
    with pytest.raises(FAIRLY):
        read_all(path)


@pytest.mark.parametrize("name", ["a[1].parquet", "a*.parquet", "{a}.parquet", "k=v.parquet", "ü –.parquet"])
def test_any_file_name(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name.removesuffix(".parquet")
    folder.mkdir()
    small_run(folder / name)
    assert sound(folder / name).rows == 200


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode), st.sampled_from(["s", "iso", "epoch", "ms"]))
@ONE_FOLDER
def test_importer_any_bytes(tmp_path: Path, data: bytes, unit: str) -> None:
    path = tmp_path / "table"
    path.write_bytes(b"time,amps\n" + data)
    with fairly(ImportDataError):
        imported = read_columns(path, parse_time(f"time:{unit}"), [parse_map("battery_current_a=amps")])
        assert (np.diff(imported.frame[TIME_COLUMN].to_numpy()) > 0).all()


@given(st.data())
@ONE_FOLDER
def test_importer_any_damage_to_parquet(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "table"
    pl.DataFrame({"time": [0.0, 1.0, 2.0], "amps": [1.0, None, 3.0]}).write_parquet(path)
    path.write_bytes(data.draw(changed_bytes(path.read_bytes())))
    with fairly(ImportDataError):
        read_columns(path, parse_time("time"), [parse_map("battery_current_a=amps")])


@given(st.data())
@ONE_FOLDER
def test_machine_file_any_damage(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "cart.toml"
    path.write_bytes(data.draw(changed_bytes(fuzz.CART, most=6)))
    with fairly(MachineFileError):
        load(path)


@pytest.mark.parametrize("kind", fuzz.TRIES)
def test_the_long_study_finds_nothing_in_a_second(kind: str) -> None:
    done = fuzz.run_slice(kind, seed=7, seconds=1.0)
    assert done.failures == []
    assert done.cases > 0
