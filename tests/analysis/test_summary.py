"""Many runs → one table: incremental, resumable, and the same whoever computes it and whoever dies on the way."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from amptally.analysis.errors import AnalysisError, CannotWriteError, ClusterError
from amptally.analysis.report import summary
from amptally.analysis.report.build import build_report
from amptally.analysis.report.summary import Outcome, row_of, summarise, summarise_folder
from amptally.analysis.runs.run import Run
from amptally.logger.storage.edits import edits_path
from tests.analysis.build_runs import CART, write_run
from tests.processes import running, worker_outlives_its_parent

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-c", "import sys, amptally; sys.exit(amptally.main())"]


def drive(folder: Path, number: int, samples: int = 600) -> Path:
    """A minute at 10 Hz that draws a little more with each number."""
    time_s = np.arange(samples) / 10
    amps = np.where(time_s < 10, 0.0, 10.0 + number + 8 * np.sin(time_s))
    channels = {
        "battery_current_a": amps,
        "left_current_a": amps / 2,
        "right_current_a": amps / 2,
        "battery_voltage_v": 25.6 - 0.03 * amps,
    }
    started = f"2026-05-{number + 1:02d}T08:00:00+00:00"
    return write_run(
        folder / f"run-{number}.parquet", time_s, channels, machine=CART, start_utc=started, start_charge=1.0
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "runs"
    place.mkdir()
    for number in range(4):
        drive(place, number)
    return place


def summed(folder: Path, out: Path, **how: object) -> Outcome:
    return summarise_folder(folder, out, **{"workers": 1, **how})  # type: ignore[arg-type]


def rows(out: Path) -> list[dict[str, object]]:
    return pl.read_parquet(out).to_dicts()


def test_a_row_says_what_the_report_says(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "table.parquet"
    assert summed(folder, out) == Outcome(4, 4, 0, 0)
    table = pl.read_parquet(out)
    assert table["run_id"].to_list() == ["run-0", "run-1", "run-2", "run-3"]
    document = build_report(Run.open(folder / "run-2.parquet")).as_json()
    row = table.row(2, named=True)
    for name in ("net_wh", "net_ah", "discharged_ah"):
        told = document["energy"][name]
        assert (row[f"{name}_low"], row[name], row[f"{name}_high"]) == (told["low"], told["value"], told["high"])
    assert row["left_fuse_margin"] == document["fuse"]["left"]["margin"]["value"]
    assert row["left_fuse_verdict"] == document["fuse"]["left"]["verdict"]
    assert row["right_fuse_margin"] is None  # the machine file names no such fuse
    assert row["min_voltage_v"] == document["battery"]["min_voltage_v"]["value"]
    assert row["state_of_charge"] == document["battery"]["state_of_charge"]["value"]
    assert row["samples"] == 600
    assert row["error"] is None


def test_only_what_is_new_or_changed_is_computed(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "table.parquet"
    summed(folder, out)
    first = rows(out)
    asked = []

    def watched(path: str) -> summary.Row:
        asked.append(Path(path).name)
        return summarise(path)

    monkeypatch.setattr(summary, "summarise", watched)
    assert summed(folder, out) == Outcome(4, 0, 4, 0)
    assert rows(out) == first
    drive(folder, 5)
    edits_path(folder / "run-1.parquet").write_text(json.dumps({"schema": 1, "tags": ["wet floor"]}), encoding="utf-8")
    assert summed(folder, out) == Outcome(5, 2, 3, 0)
    assert sorted(asked) == ["run-1.parquet", "run-5.parquet"]
    found = {str(row["run_id"]): row for row in rows(out)}
    assert found["run-1"]["tags"] == "wet floor"
    assert list(found) == ["run-0", "run-1", "run-2", "run-3", "run-5"]
    (folder / "run-0.parquet").unlink()
    assert summed(folder, out) == Outcome(4, 0, 4, 0)


def test_a_row_does_not_depend_on_what_else_is_in_the_folder(tmp_path: Path) -> None:
    """Else a new run would have to change the rows of others."""
    alone, among = tmp_path / "alone", tmp_path / "among"
    for place in (alone, among):
        place.mkdir()
    drive(among, 0)
    for place in (alone, among):
        time_s = np.arange(300) / 10
        write_run(
            place / "later.parquet", time_s, {"battery_current_a": 5.0, "battery_voltage_v": 25.0},
            machine=CART, start_utc="2026-05-09T08:00:00+00:00",
        )  # fmt: skip
    # The report itself counts from the earlier run of the same battery.
    assert build_report(Run.open(among / "later.parquet")).charge.start.source == "ledger"
    told = [summarise(str(place / "later.parquet")) for place in (alone, among)]
    for row in told:
        row.pop("fingerprint")
    assert told[0] == told[1]
    assert told[0]["state_of_charge"] is None


def test_an_unusable_run_is_a_row_with_its_reason(folder: Path, tmp_path: Path) -> None:
    (folder / "broken.parquet").write_bytes(b"PAR1 and then nothing that could be read PAR1")
    pl.DataFrame({"a": [1]}).write_parquet(folder / "stranger.parquet")
    write_run(folder / "empty.parquet", np.empty(0), {"battery_current_a": np.empty(0)})
    out = tmp_path / "table.parquet"
    assert summed(folder, out) == Outcome(7, 7, 0, 3)
    reasons = {str(row["file"]): str(row["error"]) for row in rows(out) if row["error"] is not None}
    assert "damaged" in reasons["broken.parquet"]
    assert "not a run of amptally" in reasons["stranger.parquet"]
    assert "no samples" in reasons["empty.parquet"]
    assert str(folder) not in json.dumps(reasons)  # a table that is passed on tells no paths
    # It is not tried again before it changes.
    assert summed(folder, out) == Outcome(7, 0, 7, 3)


def test_a_folder_of_unusable_runs_still_gives_a_table(tmp_path: Path) -> None:
    place = tmp_path / "runs"
    place.mkdir()
    (place / "a.parquet").write_bytes(b"PAR1")
    summed(place, tmp_path / "table.parquet")
    table = pl.read_parquet(tmp_path / "table.parquet")
    assert table["error"].dtype == pl.String
    assert table.height == 1


def test_a_defect_of_ours_costs_one_row(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails_once(report: object) -> summary.Row:
        if report.run.metadata.run_id == "run-1":  # type: ignore[attr-defined]
            raise ZeroDivisionError("float division by zero")
        return row_of(report)  # type: ignore[arg-type]

    monkeypatch.setattr(summary, "row_of", fails_once)
    assert summed(folder, tmp_path / "table.parquet") == Outcome(4, 4, 0, 1)
    errors = [row["error"] for row in rows(tmp_path / "table.parquet")]
    assert errors.count("unexpected ZeroDivisionError: float division by zero") == 1


def test_a_run_that_vanishes_meanwhile_is_a_row_too(folder: Path) -> None:
    row = summarise(str(folder / "gone.parquet"))
    assert row["file"] == "gone.parquet"
    assert "does not exist" in str(row["error"])


def test_what_an_interrupted_summary_finished_is_kept(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "table.parquet"
    summed(folder, tmp_path / "whole.parquet")

    class StopHereError(Exception):
        pass

    def stop(done: int, _: int) -> None:
        if done == 2:
            raise StopHereError

    with pytest.raises(StopHereError):
        summed(folder, out, on_progress=stop)
    assert not out.exists()
    partial = tmp_path / ".table.parquet.partial"
    # Cut off in the middle of a line, as a power cut would.
    partial.write_bytes(partial.read_bytes()[:-40])
    assert summed(folder, out) == Outcome(4, 3, 1, 0)
    assert rows(out) == rows(tmp_path / "whole.parquet")
    assert not partial.exists()


def test_a_torn_line_does_not_spoil_the_next_one(folder: Path, tmp_path: Path) -> None:
    out, partial = tmp_path / "table.parquet", tmp_path / ".table.parquet.partial"
    partial.write_text('[1]\n"file"\n{"file": "run-0.parq', encoding="utf-8")

    class StopHereError(Exception):
        pass

    def stop(*_: int) -> None:
        raise StopHereError

    for _ in range(2):
        with pytest.raises(StopHereError):
            summed(folder, out, on_progress=stop)
    assert summed(folder, out) == Outcome(4, 2, 2, 0)


def test_killed_and_started_again(folder: Path, tmp_path: Path) -> None:
    """The real command, killed without warning once it has rows."""
    for number in range(6, 14):
        drive(folder, number)
    out, partial = tmp_path / "table.parquet", tmp_path / ".table.parquet.partial"
    command = [*COMMAND, "summary", str(folder), "--out", str(out), "--workers", "1"]
    with running(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        while not (partial.exists() and partial.read_bytes().count(b"\n") >= 2):
            assert process.poll() is None, "it ended before it could be killed"
            time.sleep(0.002)
        process.send_signal(signal.SIGKILL)
    assert not out.exists()
    outcome = summed(folder, out)
    assert outcome.reused >= 2
    assert outcome.rows == 12
    summed(folder, tmp_path / "whole.parquet")
    assert rows(out) == rows(tmp_path / "whole.parquet")


def test_processes_give_the_same_table(folder: Path, tmp_path: Path) -> None:
    summed(folder, tmp_path / "one.parquet")
    assert summed(folder, tmp_path / "two.parquet", workers=2) == Outcome(4, 4, 0, 0)
    assert rows(tmp_path / "one.parquet") == rows(tmp_path / "two.parquet")


def test_a_killed_worker_costs_nothing(folder: Path, tmp_path: Path) -> None:
    for number in range(6, 14):
        drive(folder, number)
    summed(folder, tmp_path / "one.parquet")
    killed = []

    def kill_one(done: int, _: int) -> None:
        if done == 2 and not killed:
            found = Path(f"/proc/{os.getpid()}/task").glob("*/children")
            workers = [pid for path in found for pid in path.read_text(encoding="utf-8").split()]
            victims = [pid for pid in workers if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]
            os.kill(int(victims[0]), signal.SIGKILL)
            killed.append(victims[0])

    if not Path("/proc/self/task").exists():
        pytest.skip("finding a worker process takes /proc")
    assert summed(folder, tmp_path / "two.parquet", workers=2, on_progress=kill_one) == Outcome(12, 12, 0, 0)
    assert len(killed) == 1
    assert rows(tmp_path / "one.parquet") == rows(tmp_path / "two.parquet")


def test_a_run_that_kills_its_worker_costs_itself_only(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A spawned worker finds the function by name: this one dies on a file called poison.
    monkeypatch.setattr(summary, "summarise", dies_on_poison)
    (folder / "poison.parquet").write_bytes(b"PAR1")
    out = tmp_path / "table.parquet"
    assert summed(folder, out, workers=2) == Outcome(5, 5, 0, 1)
    errors = {str(row["file"]): row["error"] for row in rows(out) if row["error"]}
    assert errors == {"poison.parquet": "its worker process died"}
    # It is tried again next time.
    monkeypatch.undo()
    assert summed(folder, out) == Outcome(5, 1, 4, 1)


def dies_on_poison(path: str) -> summary.Row:
    if "poison" in path:
        os._exit(9)
    return summarise(path)


def test_refusals(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(AnalysisError, match="holds no run files"):
        summed(tmp_path, tmp_path / "table.parquet")
    taken = tmp_path / "taken.parquet"
    taken.write_text("mine", encoding="utf-8")
    with pytest.raises(CannotWriteError, match="is no table"):
        summed(folder, taken)
    pl.DataFrame({"a": [1]}).write_parquet(tmp_path / "other.parquet")
    with pytest.raises(CannotWriteError, match="is no summary of runs"):
        summed(folder, tmp_path / "other.parquet")
    assert taken.read_text(encoding="utf-8") == "mine"
    with pytest.raises(CannotWriteError, match="Cannot write"):
        summed(folder, taken / "below" / "table.parquet")


def test_the_table_may_lie_among_the_runs(folder: Path) -> None:
    out = folder / "table.parquet"
    summed(folder, out)
    assert summed(folder, out) == Outcome(4, 0, 4, 0)


def test_the_command(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "made" / "table.parquet"
    done = subprocess.run(
        [*COMMAND, "summary", str(folder), "--out", str(out), "--workers", "2"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.splitlines()[-1] == str(out)
    assert "4 runs: 4 computed, 0 unchanged" in done.stderr
    wrong = subprocess.run(
        [*COMMAND, "summary", str(tmp_path), "--out", str(out)], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert wrong.returncode == 3
    assert len(wrong.stderr.splitlines()) == 1


def test_a_table_as_csv_holds_the_same_and_is_updated_alike(folder: Path, tmp_path: Path) -> None:
    out, other = tmp_path / "table.csv", tmp_path / "table.parquet"
    assert summed(folder, out) == Outcome(4, 4, 0, 0)
    summed(folder, other)
    found = list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8"))))
    before = rows(other)
    assert list(found[0]) == list(before[0])
    for mine, theirs in zip(found, before, strict=True):
        assert float(mine["net_wh"]) == theirs["net_wh"]
        assert mine["left_fuse_verdict"] == theirs["left_fuse_verdict"]
        assert mine["error"] == ""
    assert summed(folder, out) == Outcome(4, 0, 4, 0)
    drive(folder, 5)
    assert summed(folder, out) == Outcome(5, 1, 4, 0)
    assert len(list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8"))))) == 5


def test_the_command_prints_a_line_for_each_run(folder: Path) -> None:
    (folder / "broken.parquet").write_bytes(b"no run")
    command = [*COMMAND, "summary", str(folder), "--workers", "1"]
    before = sorted(folder.iterdir())
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    lines = done.stdout.splitlines()
    assert len(lines) == 6
    assert lines[0].split()[:2] == ["started", "(UTC)"]
    report = build_report(Run.open(folder / "run-2.parquet"))
    wh, margin = report.energy.net_wh.value, report.fuses["left"].margin.value
    assert wh is not None
    assert margin is not None
    line = next(line for line in lines if "run-2" in line)
    assert f" {wh:.1f} " in line
    # Rounded down: two decimals under 2, else one.
    decimals = 100 if margin < 2 else 10
    assert f"left {int(margin * decimals) / decimals}" in line
    # Known from above alone at this rate: the line says so.
    assert report.fuses["left"].margin.bound == "at_most"
    assert f"left {int(margin * decimals) / decimals} or less" in line
    assert any("broken" in line and "not a Parquet file" in line for line in lines)
    assert sorted(folder.iterdir()) == before


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked up in /proc")
def test_a_killed_summary_leaves_no_worker_behind(tmp_path: Path) -> None:
    imports = (
        "from concurrent.futures import ProcessPoolExecutor as Pool; from multiprocessing import get_context as how;"
        "from amptally.analysis.report.summary import end_with_parent"
    )
    assert not worker_outlives_its_parent(
        tmp_path, ROOT, imports, "Pool(1, mp_context=how('spawn'), initializer=end_with_parent)"
    )


needs_dask = pytest.mark.skipif(find_spec("distributed") is None, reason="distributed is not installed")


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and two workers, each a process of its own."""
    dask = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker"]
    address_file = tmp_path / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": ROOT}
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    options = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(address_file)]
    started = [subprocess.Popen([*dask, *options], env=environment, **quiet)]  # type: ignore[call-overload]
    deadline = time.monotonic() + 60
    while not (address_file.exists() and address_file.read_text(encoding="utf-8").strip()):
        assert time.monotonic() < deadline, "no scheduler came up"
        time.sleep(0.05)
    address = json.loads(address_file.read_text(encoding="utf-8"))["address"]
    place = ["--no-nanny", "--nthreads", "1", "--no-dashboard", "--local-directory", str(tmp_path / "dask")]
    started += [subprocess.Popen([*worker, address, *place], env=environment, **quiet) for _ in range(2)]  # type: ignore[call-overload]
    yield address, started
    for process in reversed(started):
        process.kill()
        process.wait()
    shutil.rmtree(tmp_path / "dask", ignore_errors=True)


@needs_dask
def test_a_cluster_of_two_processes_one_killed_on_the_way_gives_the_same_table(
    folder: Path, tmp_path: Path, cluster: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    address, (_, first, second) = cluster
    for number in range(6, 18):
        drive(folder, number, samples=2000)
    out, partial = tmp_path / "cluster.parquet", tmp_path / ".cluster.parquet.partial"
    command = [*COMMAND, "summary", str(folder), "--out", str(out), "--scheduler", address]
    with running(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        while not (partial.exists() and partial.read_bytes().count(b"\n") >= 3):
            assert process.poll() is None, "it ended before a worker could be killed"
            time.sleep(0.002)
        first.send_signal(signal.SIGKILL)
        _, said = process.communicate(timeout=240)
    assert process.returncode == 0
    assert "16 runs: 16 computed, 0 unchanged" in said.decode()
    assert first.wait() == -signal.SIGKILL
    assert second.poll() is None
    summed(folder, tmp_path / "here.parquet")
    assert rows(out) == rows(tmp_path / "here.parquet")


@needs_dask
def test_no_scheduler_there() -> None:
    with pytest.raises(ClusterError, match="No Dask scheduler answers"):
        list(summary._on_cluster(["x"], "tcp://127.0.0.1:1", patience_s=0.5))


def test_without_the_optional_part_the_option_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError, match=r"amptally\[cluster\]"):
        list(summary._on_cluster(["x"], "tcp://127.0.0.1:1"))
