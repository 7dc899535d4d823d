"""Many runs → one table: a pure function per run, mapped over processes or a Dask cluster. docs/methods.md, Summary.

A row depends on its run file alone, not on the rest of the folder: the battery's ledger is not used. So runs that have
not changed since the table was written need not be computed again, and the finished rows of an interrupted summary are
stored beside the table.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from multiprocessing import get_context, parent_process
from pathlib import Path
from threading import Thread

import polars as pl

from amptally.analysis.errors import AnalysisError, CannotWriteError, ClusterError
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.leads import PLACES
from amptally.analysis.runs.folder import OPENING_ERRORS, read_table, run_paths, run_stamp
from amptally.analysis.runs.run import Run

ENDS = ("value", "low", "high")
ATTEMPTS = 3
"""Starts of a pool after a worker died; then every remaining run gets a process of its own."""
ROW_VERSION = 2
"""Raised when a row's meaning changes: rows of an earlier table are then computed again."""
TEXTS = ("run_id", "file", "started_utc", "machine", "error", "battery_id", "tags", "findings", "fingerprint")
COUNTS = ("samples", "laps")

UNUSABLE: tuple[type[Exception], ...] = (*OPENING_ERRORS, AnalysisError)
"""What a run file may raise; its row then holds the reason."""
NO_TABLE: tuple[type[Exception], ...] = (*OPENING_ERRORS, pl.exceptions.PolarsError)

Row = dict[str, str | int | float | None]


def _fingerprint(path: Path) -> str:
    """Changes when the run file or its edits change; empty where there is no such file any more."""
    try:
        return "-".join(f"{part:x}" for part in (ROW_VERSION, *run_stamp(path)))
    except OSError:
        return ""


def _three(name: str, result: Estimate | None) -> Row:
    return {
        f"{name}_{side}" if side != "value" else name: None if result is None else getattr(result, side)
        for side in ENDS
    }


def row_of(report: Report) -> Row:
    """The figures of one run to compare over a year, each with its interval."""
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
    file = Path(path)
    head: Row = {"file": file.name, "fingerprint": _fingerprint(file), "error": None}
    try:
        return head | row_of(build_report(Run.open(file), with_ledger=False))
    except UNUSABLE as error:
        reason = str(error)
    except Exception as error:  # one run that shows a defect of ours must not cost the table of all others
        reason = f"unexpected {type(error).__name__}: {error}"
    return head | {"error": " ".join(reason.replace(str(file), file.name).split())}


@dataclass(frozen=True, slots=True)
class Outcome:
    """The counts of a finished summary."""

    rows: int
    computed: int
    reused: int
    failed: int
    table: pl.DataFrame = field(default_factory=pl.DataFrame, compare=False, repr=False)
    """Every run by its start, with the columns of docs/methods.md, Summary."""


def summarise_folder(
    folder: Path,
    out: Path | None,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    on_progress: Callable[[int, int], None] = lambda *_: None,
) -> Outcome:
    """The table of all runs in `folder`, written to `out` (CSV by its ending, else Parquet) where one is named.

    What a table of that name holds already is computed again only where it is new or changed. Raises CannotWriteError,
    ClusterError where the cluster cannot be reached, AnalysisError for a folder without runs.
    """
    paths = [path for path in run_paths(folder) if out is None or os.path.realpath(path) != os.path.realpath(out)]
    if not paths:
        raise AnalysisError(f"{folder} holds no run files (*.parquet). Name the folder given to record --out.")
    for place in () if out is None else (out, _partial(out)):
        if place.exists() and not place.is_file():  # a pipe would be waited for
            raise CannotWriteError(f"{place} is not a file. Name another file with --out.")
    known = {} if out is None else _known(out, _partial(out))
    fresh, todo = [], []
    for path in paths:
        row = known.get((path.name, _fingerprint(path)))
        if row is None:
            todo.append(os.path.realpath(path))
        else:
            fresh.append(row)
    source = _on_cluster(todo, scheduler) if scheduler and todo else _on_this_machine(todo, workers)
    if out is None:
        computed = list(_counted(source, len(todo), on_progress))
    else:
        try:
            computed = list(_counted(_stored(source, out), len(todo), on_progress))
        except OSError as error:
            raise CannotWriteError(f"Cannot write {out}: {error.strerror}. Name another place with --out.") from error
    rows = sorted(fresh + computed, key=lambda row: (str(row.get("started_utc") or ""), str(row["file"])))
    table = _table(rows)
    if out is not None:
        _write(out, table)
    failed = sum(row.get("error") is not None for row in rows)
    return Outcome(len(rows), len(computed), len(fresh), failed, table)


def _partial(out: Path) -> Path:
    """Where finished rows wait until the table is whole."""
    return out.with_name(f".{out.name}.partial")


def _counted(source: Iterable[Row], total: int, on_progress: Callable[[int, int], None]) -> Iterator[Row]:
    for done, row in enumerate(source, 1):
        on_progress(done, total)
        yield row


def _stored(source: Iterable[Row], out: Path) -> Iterator[Row]:
    """The same rows, each written down beside the table before it is passed on."""
    out.parent.mkdir(parents=True, exist_ok=True)
    partial = _partial(out)
    torn = partial.exists() and not partial.read_bytes().endswith(b"\n")
    with partial.open("a", encoding="utf-8") as file:
        file.write("\n" if torn else "")
        for row in source:
            file.write(json.dumps(row) + "\n")
            file.flush()
            yield row


def _known(out: Path, partial: Path) -> dict[tuple[str, str], Row]:
    """Rows of an earlier table and of an interrupted one, by file name and fingerprint."""
    rows: list[Row] = []
    if out.exists():
        try:
            before = _read_csv(out) if _is_csv(out) else read_table(out)
        except NO_TABLE as error:
            raise CannotWriteError(f"{out} exists and is no table. Name another file with --out.") from error
        if not {"file", "fingerprint"} <= set(before.columns):
            raise CannotWriteError(f"{out} exists and is no summary of runs. Name another file with --out.")
        rows += before.to_dicts()
    if partial.exists():
        for line in partial.read_bytes().splitlines():
            try:
                rows.append(json.loads(line))
            except (ValueError, RecursionError):
                continue  # the line that was being written when the summary was cut off
    rows = [row for row in rows if _usable(row)]
    return {(str(row["file"]), str(row["fingerprint"])): row for row in rows}


def _usable(row: object) -> bool:
    """Whether a row read from a file has the shape of one that was written there."""
    if not isinstance(row, dict) or not all(isinstance(row.get(name), str) for name in ("file", "fingerprint")):
        return False
    texts = {name for name in row if name in TEXTS or name.endswith("_verdict")}
    return bool(row["file"] and row["fingerprint"]) and all(
        value is None
        or (
            isinstance(value, str if name in texts else int if name in COUNTS else int | float)
            and (isinstance(value, str) or abs(value) < 1 << 62)
        )
        for name, value in row.items()
    )


def _on_this_machine(paths: list[str], workers: int | None) -> Iterator[Row]:
    count = min(workers or os.cpu_count() or 1, len(paths))
    if count <= 1:
        yield from map(summarise, paths)
        return
    left = set(paths)
    for _ in range(ATTEMPTS):
        yield from _in_pool(left, count)
        if not left:
            return
    # One run kills its worker, and every pool with it: in a process of its own it only harms itself.
    for path in sorted(left):
        alone = {path}
        yield from _in_pool(alone, 1)
        if alone:
            yield _failed(path, "its worker process died")


def _in_pool(left: set[str], count: int) -> Iterator[Row]:
    """Rows in the order in which they are done, their runs taken out of `left`; ends early where a worker dies."""
    # One thread per process: more would only take the other processes' cores.
    with _environment(POLARS_MAX_THREADS="1", OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1"):
        pool = ProcessPoolExecutor(count, mp_context=get_context("spawn"), initializer=end_with_parent)
        futures = {pool.submit(summarise, path): path for path in sorted(left)}
    try:
        for future in as_completed(futures):
            row = future.result()
            left.discard(futures[future])
            yield row
    except BrokenProcessPool:
        return
    finally:
        pool.shutdown(cancel_futures=True)


def end_with_parent() -> None:
    """End this process with the one that started it: a killed summary leaves no workers behind."""
    parent = parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    Thread(target=watch, daemon=True).start()


def _failed(path: str, reason: str) -> Row:
    """Without a fingerprint, so that the next summary tries again."""
    return {"file": Path(path).name, "fingerprint": "", "error": reason}


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


def _on_cluster(paths: list[str], address: str, patience_s: float = 10.0) -> Iterable[Row]:
    """The same map on a Dask cluster whose workers see the same files; a dead worker's runs are computed elsewhere."""
    try:
        from distributed import Client
        from distributed import as_completed as completed
    except ImportError as error:
        raise ClusterError("--scheduler needs the optional part: pip install 'amptally[cluster]'") from error
    try:
        client = Client(address, timeout=patience_s)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(f"No Dask scheduler answers at {address}: {error}. Is it running?") from error
    with client:
        futures = {client.submit(summarise, path, pure=False, retries=ATTEMPTS): path for path in paths}
        for future in completed(list(futures)):
            try:
                yield future.result()
            except Exception as error:  # whatever a worker's death looks like, the run is written down as failed
                yield _failed(futures[future], f"the cluster gave no result: {type(error).__name__}")


def _is_csv(out: Path) -> bool:
    return out.suffix.lower() == ".csv"


def _read_csv(out: Path) -> pl.DataFrame:
    """An earlier table; its texts as they were, its other columns as numbers."""
    table = pl.read_csv(out, infer_schema=False, glob=False)
    return table.with_columns(
        pl.col(name).cast(kind, strict=False) for name in table.columns if (kind := _kind(name)) != pl.String
    )


def _kind(name: str) -> type[pl.DataType]:
    if name in TEXTS or name.endswith("_verdict"):
        return pl.String
    return pl.Int64 if name in COUNTS else pl.Float64


def _table(rows: list[Row]) -> pl.DataFrame:
    names = list(dict.fromkeys((*TEXTS[:5], *(name for row in rows for name in row))))
    return pl.DataFrame(
        [{name: row.get(name) for name in names} for row in rows], schema={name: _kind(name) for name in names}
    )


def _write(out: Path, table: pl.DataFrame) -> None:
    temporary = out.with_name(f".{out.name}.part")
    try:
        if _is_csv(out):
            table.write_csv(temporary)
        else:
            table.write_parquet(temporary)
        os.replace(temporary, out)
        _partial(out).unlink(missing_ok=True)
    except OSError as error:
        raise CannotWriteError(f"Cannot write {out}: {error.strerror}. Name another place with --out.") from error
