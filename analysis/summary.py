"""Many runs → one table: a pure function per run, mapped over processes or a Dask cluster. docs/methods.md, Summary.

Runs that have not changed since the table was written are not computed again, and what an interrupted summary had
finished is kept beside the table.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import polars as pl

from analysis.errors import AnalysisError, CannotWriteError, ClusterError
from analysis.estimate import Estimate
from analysis.report import Report, build_report
from analysis.run import OPENING_ERRORS, Run, run_paths, run_stamp

PLACES = ("main", "left", "right")
SIDES = ("value", "low", "high")
ATTEMPTS = 3
"""A run whose worker died is tried this often before it is written down as failed."""

UNUSABLE: tuple[type[Exception], ...] = (*OPENING_ERRORS, AnalysisError)
"""What a run file may raise; its row then holds the reason."""

Row = dict[str, str | int | float | None]


def _fingerprint(path: Path) -> str:
    """Changes when the run file or its edits change."""
    return "-".join(f"{part:x}" for part in run_stamp(path))


def _three(name: str, result: Estimate | None) -> Row:
    return {
        f"{name}_{side}" if side != "value" else name: None if result is None else getattr(result, side)
        for side in SIDES
    }


def row_of(report: Report) -> Row:
    """The figures of one run worth comparing over a year, each with its interval."""
    run = report.run
    battery = run.machine.battery if run.machine else None
    row: Row = {
        "run_id": run.metadata.run_id,
        "started_utc": run.metadata.start_utc,
        "machine": run.machine.name if run.machine else None,
        "battery_id": battery.id if battery else None,
        "duration_s": run.duration_s,
        "samples": run.rows,
        "laps": len(report.laps.each),
        "tags": ",".join(run.metadata.tags),
        "findings": ",".join(sorted({f.code for f in report.findings if f.severity != "note"})),
    }
    row |= _three("net_wh", report.energy.net_wh) | _three("net_ah", report.energy.net_ah)
    row |= _three("discharged_ah", report.energy.discharged_ah)
    for lead, current in report.currents.items():
        row |= _three(f"{lead}_peak_a", current.peak_a)
    for place in PLACES:
        fuse = report.fuses.get(place)
        row |= _three(f"{place}_fuse_margin", fuse.margin if fuse else None)
        row[f"{place}_fuse_verdict"] = fuse.verdict if fuse else None
    sag = report.sag
    row |= _three("rest_voltage_v", sag.rest_voltage_v) | _three("min_voltage_v", sag.min_voltage_v)
    row |= _three("worst_sag_v", sag.worst_sag_v) | _three("receiver_min_v", sag.receiver_min_v)
    for scale, value in sag.resistance.by_scale.items():
        row |= _three(f"resistance_{scale:g}_s_ohm", value)
    row |= _three("state_of_charge", report.charge.state_of_charge)
    return row | _three("laps_per_charge", report.laps_per_charge)


def summarise(path: str) -> Row:
    """The row of one run file; a file that cannot be used becomes a row with its reason under `error`."""
    found = Path(path)
    head: Row = {"file": found.name, "fingerprint": _fingerprint(found), "error": None}
    try:
        return head | row_of(build_report(Run.open(found)))
    except UNUSABLE as error:
        return head | {"error": str(error)}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a summary came to."""

    rows: int
    computed: int
    reused: int
    failed: int


def summarise_folder(
    folder: Path,
    out: Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    on_progress: Callable[[int, int], None] = lambda *_: None,
) -> Outcome:
    """Write the table of all runs in `folder` to `out` (Parquet), computing only what is new or changed.

    Raises CannotWriteError, ClusterError where the cluster cannot be reached, AnalysisError for a folder without runs.
    """
    paths = run_paths(folder)
    if not paths:
        raise AnalysisError(f"{folder} holds no run files (*.parquet). Name the folder given to record --out.")
    partial = out.with_name(f".{out.name}.partial")
    known = _known(out, partial)
    fresh, todo = [], []
    for path in paths:
        row = known.get((path.name, _fingerprint(path)))
        if row is None:
            todo.append(str(path))
        else:
            fresh.append(row)
    source = _on_cluster(todo, scheduler) if scheduler else _on_this_machine(todo, workers)
    computed = []
    try:
        with partial.open("a", encoding="utf-8") as file:
            for row in source:
                computed.append(row)
                file.write(json.dumps(row) + "\n")
                file.flush()
                on_progress(len(computed), len(todo))
        _write(out, sorted(fresh + computed, key=lambda row: (str(row.get("started_utc") or ""), str(row["file"]))))
        partial.unlink(missing_ok=True)
    except OSError as error:
        raise CannotWriteError(f"Cannot write {out}: {error.strerror}. Name another place with --out.") from error
    failed = sum(row.get("error") is not None for row in fresh + computed)
    return Outcome(len(fresh) + len(computed), len(computed), len(fresh), failed)


def _known(out: Path, partial: Path) -> dict[tuple[str, str], Row]:
    """Rows of an earlier table and of an interrupted one, by file name and fingerprint."""
    rows: list[Row] = []
    if out.exists():
        try:
            rows += pl.read_parquet(out).to_dicts()
        except (pl.exceptions.PolarsError, OSError) as error:
            raise CannotWriteError(f"{out} exists and is no table. Name another file with --out.") from error
    if partial.exists():
        for line in partial.read_text(encoding="utf-8").splitlines():
            try:
                rows.append(json.loads(line))
            except ValueError:
                continue  # the line that was being written when the summary was cut off
    return {(str(row["file"]), str(row["fingerprint"])): row for row in rows if "file" in row and "fingerprint" in row}


def _on_this_machine(paths: list[str], workers: int | None) -> Iterator[Row]:
    count = min(workers or os.cpu_count() or 1, len(paths))
    if count <= 1:
        yield from map(summarise, paths)
        return
    left = set(paths)
    for _ in range(ATTEMPTS):
        # Each process works alone: more threads inside would only take the others' cores.
        with _environment(POLARS_MAX_THREADS="1", OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1"):
            pool = ProcessPoolExecutor(count, mp_context=get_context("spawn"))
            futures = {pool.submit(summarise, path): path for path in sorted(left)}
        try:
            for future in as_completed(futures):
                row = future.result()
                left.discard(futures[future])
                yield row
        except BrokenProcessPool:
            continue
        finally:
            pool.shutdown(cancel_futures=True)
        if not left:
            return
    yield from (_failed(path, f"its worker process died {ATTEMPTS} times") for path in sorted(left))


def _failed(path: str, reason: str) -> Row:
    return {"file": Path(path).name, "fingerprint": _fingerprint(Path(path)), "error": reason}


class _environment:  # noqa: N801 (a context manager that reads as a word)
    """Environment variables for processes started within."""

    def __init__(self, **values: str) -> None:
        self._values = values

    def __enter__(self) -> None:
        self._before = {name: os.environ.get(name) for name in self._values}
        os.environ.update(self._values)

    def __exit__(self, *_: object) -> None:
        for name, value in self._before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _on_cluster(paths: list[str], address: str) -> Iterable[Row]:
    """The same map on a Dask cluster whose workers see the same files; a dead worker's runs are computed elsewhere."""
    try:
        from distributed import Client
        from distributed import as_completed as completed
    except ImportError as error:
        raise ClusterError("--scheduler needs the optional part: pip install 'amptally[cluster]'") from error
    try:
        client = Client(address, timeout=10)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(f"No Dask scheduler answers at {address}: {error}. Is it running?") from error
    with client:
        futures = {client.submit(summarise, path, pure=False, retries=ATTEMPTS): path for path in paths}
        for future in completed(list(futures)):
            try:
                yield future.result()
            except Exception as error:  # whatever a worker's death looks like, the run is written down as failed
                yield _failed(futures[future], f"the cluster gave no result: {type(error).__name__}")


def _write(out: Path, rows: list[Row]) -> None:
    table = pl.DataFrame(rows, infer_schema_length=None)
    lead = [name for name in ("run_id", "file", "started_utc", "machine", "error") if name in table.columns]
    table = table.select(*lead, *(name for name in table.columns if name not in lead))
    temporary = out.with_name(f".{out.name}.part")
    out.parent.mkdir(parents=True, exist_ok=True)
    table.write_parquet(temporary)
    os.replace(temporary, out)
