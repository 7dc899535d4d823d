"""Hostile bytes for some seconds: frames, journals, run files, tables to import and machine files, all spoilt.

The tests try each kind for a moment, `python -m benchmarks.fuzz_study` for as long as asked, in processes of their own.
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from amptally.analysis.errors import AnalysisError
from amptally.analysis.report.build import build_report
from amptally.analysis.runs.run import Run
from amptally.logger.channels import TIME_COLUMN
from amptally.logger.errors import LoggerError
from amptally.logger.importing.reader import read_columns
from amptally.logger.importing.specs import parse_map, parse_time
from amptally.logger.machine.description import load
from amptally.logger.machine.template import template
from amptally.logger.recording.journal_decoder import JournalDecoder
from amptally.logger.recording.recovery import recover
from amptally.logger.recording.run_builder import RunBuilder
from amptally.logger.storage.edits import edits_path, read_edits
from amptally.logger.storage.journal import JournalReader, JournalWriter, Record
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import open_run
from amptally.logger.wire.blocks import Block, Item, single_items
from amptally.logger.wire.decoder import BoardDecoder
from tests.studies.fuzz_inputs import LIES, a_run, lie, pieces, spoil, stream

FAIRLY = (LoggerError, AnalysisError)
"""What may be raised by a reader of foreign bytes."""
SLICE_S = 20.0


@dataclass
class Slice:
    """What one slice came to."""

    kind: str
    seed: int
    cases: int = 0
    frames: int = 0
    bytes: int = 0
    seconds: float = 0.0
    slowest_s_per_mb: float = 0.0
    """Of cases of 20 kB and more."""
    memory_mb: float = 0.0
    refused: int = 0
    """Cases that ended in an error of the tree."""
    samples: int = 0
    panics: int = 0
    """Panics inside the Parquet library that ended as an error of the tree, each with a line of its own on stderr."""
    failures: list[str] = field(default_factory=list)


def try_frames(rng: random.Random, folder: Path, done: Slice) -> int:
    """Decoder and builder; the same samples come from any split of the same bytes."""
    data = stream(rng)
    done.frames += data.count(0) + data.count(b"\n")
    decoder, last = BoardDecoder(), {}
    total = 0
    for piece in pieces(data, rng):
        for item in decoder.feed(piece):
            if isinstance(item, Block):
                times = item.time_us
                assert (np.diff(times) > 0).all(), "time goes back within a block"
                assert times[0] > last.get(item.boot, -1), "time goes back within a boot"
                last[item.boot] = int(times[-1])
                total += len(times)
    decoder.finish()
    done.samples += total
    if rng.random() < 0.2:
        _at_once(list(pieces(data, rng)), total)
    if rng.random() < 0.1:
        _build(folder, data, rng)
    return len(data)


def _at_once(parts: list[bytes], total: int) -> None:
    """Many frames at a time give what they give one by one: samples, faults, messages, in order."""
    slow, fast = BoardDecoder(table_bytes=1 << 40), BoardDecoder(table_bytes=0)
    one_by_one = [item for part in parts for item in slow.feed(part)]
    found = single_items(fast.feed_pieces(parts))
    assert list(map(_told, found)) == list(map(_told, one_by_one)), "frames at once and one by one differ"
    rows = sum(len(item.time_us) for item in found if isinstance(item, Block))
    assert rows == total, f"{total} samples in pieces, {rows} in others"


def _told(item: Item) -> object:
    if isinstance(item, Block):
        return item.layout, item.boot, item.time_us.tobytes(), item.values.tobytes(), item.values.shape
    return item


def _build(folder: Path, data: bytes, rng: random.Random) -> None:
    decoder = JournalDecoder() if rng.random() < 0.5 else JournalDecoder(batch_bytes=0)
    builder = RunBuilder(folder, "fuzz", decoder=decoder)
    host_us = rng.getrandbits(40)
    records: list[Record] = []
    for piece in pieces(data, rng):
        host_us = max(0, host_us + rng.choice((0, 1000, 20_000, -5000, rng.getrandbits(40))))
        records.append(Record("bytes", host_us, piece))
    builder.accept(records)
    path = folder / "fuzz.parquet"
    path.unlink(missing_ok=True)
    if builder.finish(path, Metadata("fuzz"), "fuzz") is not None:
        _whole(path)
        path.unlink()


def _whole(path: Path) -> None:
    """A file that this program has written itself is read by all its readers."""
    run = open_run(path)
    time_us = run.read(run.columns)[TIME_COLUMN].to_numpy()
    assert time_us[0] == 0, "time does not start at 0"
    assert (np.diff(time_us) > 0).all(), "time goes back"
    assert Run.open(path).rows == run.rows > 0


def try_journal(rng: random.Random, folder: Path, done: Slice) -> int:
    """A spoilt journal is recovered as far as it goes, or refused."""
    path = folder / "fuzz.journal"
    path.unlink(missing_ok=True)
    header: dict[str, object] = {"run_id": rng.choice(("fuzz", "fuzz", "../x", 7)), "utc": "2026-01-01T00:00:00+00:00"}
    header |= {
        "host_us": rng.choice((5, "x", 2**70)),
        "machine": rng.choice((None, "[machine]", 3)),
        "for_s": rng.choice((None, 3, "x")),
    }
    writer = JournalWriter(path, header)
    data = stream(rng)
    for place, piece in enumerate(pieces(data, rng)):
        writer.append(rng.choice(("bytes", "bytes", "bytes", "note")), place * rng.choice((0, 1000, 10**12)), piece)
    writer.close()
    spoilt = spoil(path.read_bytes(), rng, rng.choice((0, 1, 5, 50)))
    path.write_bytes(spoilt)
    done.frames += data.count(0) + data.count(b"\n")
    run = folder / "fuzz.parquet"
    run.unlink(missing_ok=True)
    try:
        list(JournalReader(path))
        _whole(recover(path, run)[0])
    finally:
        run.unlink(missing_ok=True)
        assert path.read_bytes() == spoilt, "the journal was touched"
    return len(spoilt)


def try_run(rng: random.Random, folder: Path, done: Slice) -> int:  # noqa: ARG001
    """Run files with spoilt bytes, a lying schema or lying metadata."""
    path = folder / "fuzz.parquet"
    path.unlink(missing_ok=True)
    draw = rng.random()
    if draw < 0.5:
        a_run(rng, path)
        data = path.read_bytes()
        # The footer, where the schema is, gets as many hits as all the data before it.
        tail = rng.random() < 0.5
        head, rest = (data[:-800], data[-800:]) if tail else (data, b"")
        hits = rng.choice((1, 1, 1, 2, 10))
        spoilt = head + spoil(rest, rng, hits) if tail else spoil(head, rng, hits)
        path.write_bytes(spoilt)
    else:
        lie(rng, path)
    lies = rng.random() < 0.2
    edits = {
        "schema": 1,
        "notes": rng.choice(LIES) if lies else ["a"],
        "lap_marks_s": rng.choice(LIES) if lies else [1.5],
    }
    edits_path(path).write_text(json.dumps(edits))
    size = path.stat().st_size
    run = open_run(path)
    for start in (0, run.rows // 2):
        run.read(run.columns, start, 100)
    read_edits(path)
    opened = Run.open(path)
    for name in opened.columns:
        opened.series(name)
    opened.gaps()
    if rng.random() < 0.2:
        json.dumps(build_report(opened).as_json(), allow_nan=False)
    return size


def try_import(rng: random.Random, folder: Path, done: Slice) -> int:  # noqa: ARG001
    """Tables of other loggers."""
    path = folder / "table"
    rows = rng.choice((0, 1, 200))
    mark = rng.choice((",", ";", "\t"))
    heads = (["time", "amps"], ["time", "amps", "amps"], ["# time", "amps"], ["time"], ["TIME", "a b", "amps"])
    head = heads[0] if rng.random() < 0.8 else rng.choice(heads)
    cells = ("1", "2.5", "-3,5", "", "nan", "inf", "1e400", '"', "2026-01-01T00:00:00Z", "x", "9" * 30, "\x00", "é")
    lines = [mark.join(head)]
    for place in range(rows):
        odd = 0.2 if place % 5 == 0 else 0.01
        row = [str(place / 10), *(rng.choice(cells) if rng.random() < odd else str(place) for _ in head[1:])]
        lines.append(mark.join(row))
    data = "\n".join(lines).encode()
    if rng.random() < 0.2:
        pl.DataFrame({"time": range(rows), "amps": [float(k) for k in range(rows)]}).write_parquet(path)
        data = path.read_bytes()
    path.write_bytes(spoil(data, rng, rng.choice((0, 0, 1, 1, 5, 30))))
    unit = rng.choice(("", ":s", ":ms", ":us", ":iso", ":epoch"))
    imported = read_columns(
        path, parse_time("time" + unit), [parse_map("battery_current_a=amps")], rng.choice(("positive", "negative"))
    )
    times = imported.frame[TIME_COLUMN].to_numpy()
    assert (np.diff(times) > 0).all(), "imported time goes back"
    return len(data)


_TEMPLATE = template().encode()
CART = (Path(__file__).parents[2] / "sample_runs" / "cart.toml").read_bytes()


def try_machine(rng: random.Random, folder: Path, done: Slice) -> int:  # noqa: ARG001
    """Machine files."""
    path = folder / "fuzz.toml"
    data = spoil(rng.choice((CART, _TEMPLATE)), rng, rng.choice((1, 1, 3, 20)))
    path.write_bytes(data)
    load(path)
    return len(data)


TRIES: dict[str, Callable[[random.Random, Path, Slice], int]] = {
    "frames": try_frames, "journal": try_journal, "run": try_run, "import": try_import, "machine": try_machine
}  # fmt: skip


def run_slice(kind: str, seed: int, seconds: float) -> Slice:
    """Try one kind of input for some seconds."""
    done = Slice(kind, seed)
    rng = random.Random(f"{kind}-{seed}")
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        while time.monotonic() - began < seconds and len(done.failures) < 5:
            case = time.process_time()
            try:
                size = TRIES[kind](rng, Path(name), done)
            except FAIRLY as error:
                size = 0
                done.refused += 1
                if "\n" in str(error):
                    done.failures.append(f"case {done.cases}: more than one line: {error!r}")
            except (Exception, pl.exceptions.PanicException):
                size = 0
                done.failures.append(f"case {done.cases}: {traceback.format_exc(limit=-3)}")
            taken = time.process_time() - case
            done.cases += 1
            done.bytes += size
            if size >= 20_000:
                done.slowest_s_per_mb = max(done.slowest_s_per_mb, taken / size * 1e6)
    done.seconds = time.monotonic() - began
    done.memory_mb = memory_mb()
    return done


def memory_mb() -> float:
    """Most memory that this process has had; 0 where the system does not say."""
    if sys.platform == "win32":
        return 0.0
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform == "linux" else 1024**2)
