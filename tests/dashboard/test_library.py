"""The shelf lists whatever lies in a folder; the library keeps a bounded part of it, and notices changes."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from amptally.analysis.errors import RunContentError
from amptally.analysis.runs.catalogue import find_run, list_runs
from amptally.dashboard import library as module
from amptally.dashboard.library import Library, Line, Recent
from amptally.logger.storage.edits import Edits, write_edits
from tests.dashboard.made_runs import CART, short_drive, write_run_of


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    time_s, channels = short_drive(20.0)
    for day in (3, 1, 2):
        started = f"2026-05-0{day}T08:00:00.000+00:00"
        write_run_of(tmp_path, f"run-{day}", time_s, channels, machine=CART, start_utc=started, start_charge=1.0)
    return tmp_path


def test_newest_first_and_unreadable_last(folder: Path) -> None:
    (folder / "a-csv.parquet").write_text("time,amps\n")
    (folder / "cut.parquet").write_bytes((folder / "run-1.parquet").read_bytes()[:-200])
    (folder / "notes.txt").write_text("not a run")
    (folder / "a-folder.parquet").mkdir()
    entries = list_runs(folder)
    assert [entry.about.run_id for entry in entries if entry.about] == ["run-3", "run-2", "run-1"]
    problems = {entry.path.name: entry.problem for entry in entries[3:]}
    assert set(problems) == {"a-csv.parquet", "cut.parquet", "a-folder.parquet"}
    assert "not a Parquet file" in (problems["a-csv.parquet"] or "")
    # A message names the file, and not the folder somebody keeps it in.
    assert not any(str(folder) in (problem or "") for problem in problems.values())


def test_a_missing_folder_is_empty(tmp_path: Path) -> None:
    assert list_runs(tmp_path / "nowhere") == []


def test_two_files_with_one_id(folder: Path) -> None:
    """The first by name opens; the second says which one it repeats."""
    (folder / "z-copy.parquet").write_bytes((folder / "run-2.parquet").read_bytes())
    entries = list_runs(folder)
    assert find_run(entries, "run-2").path.name == "run-2.parquet"
    assert next(entry.problem for entry in entries if entry.path.name == "z-copy.parquet") == (
        "z-copy.parquet has the run id of run-2.parquet. Move one of them to another folder."
    )


def test_unchanged_files_are_not_read_again(folder: Path) -> None:
    first = {entry.path: entry for entry in list_runs(folder)}
    again = list_runs(folder, first)
    assert all(first[entry.path] is entry for entry in again)
    write_edits(folder / "run-1.parquet", Edits(notes=("muddy aisle",)))
    changed = {entry.path.name: entry for entry in list_runs(folder, first)}["run-1.parquet"]
    assert changed.about is not None
    assert changed.about.notes == ("muddy aisle",)


def test_a_changed_file_is_opened_anew(folder: Path) -> None:
    shelf = Library(folder)
    before = shelf.open("run-1")
    assert shelf.open("run-1") is before
    (folder / "run-1.parquet").unlink()
    write_run_of(folder, "run-1", *short_drive(30.0), machine=CART)
    assert shelf.open("run-1").run.duration_s == pytest.approx(29.99)
    (folder / "run-1.parquet").unlink()
    with pytest.raises(RunContentError, match="No run with this id"):
        shelf.open("run-1")


def test_damage_inside_a_listed_file_is_one_line(folder: Path) -> None:
    """The footer reads well, the data do not."""
    path = folder / "run-1.parquet"
    raw = bytearray(path.read_bytes())
    raw[200 : len(raw) // 2] = os.urandom(len(raw) // 2 - 200)
    path.write_bytes(bytes(raw))
    with pytest.raises(RunContentError) as caught:
        Library(folder).report("run-1")
    assert "\n" not in str(caught.value)
    assert str(folder) not in str(caught.value)


def test_the_list_computes_one_run_at_a_time(folder: Path) -> None:
    shelf = Library(folder)
    for left in (3, 2, 1):
        assert len(shelf.waiting(shelf.entries())) == left
        assert shelf.compute_next(shelf.entries())
    assert not shelf.compute_next(shelf.entries())
    line = shelf.line(shelf.entries()[0])
    assert isinstance(line, Line)
    report = shelf.report("run-3")
    assert line.margin == min((fuse.margin for fuse in report.fuses.values()), key=lambda margin: margin.value or 1e9)
    assert line.net_wh == report.energy.net_wh


def test_a_run_that_fails_does_not_block_the_list(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(module, "build_report", fail)
    shelf = Library(folder)
    while shelf.compute_next(shelf.entries()):
        pass
    assert shelf.line(shelf.entries()[0]) == "could not be computed: ZeroDivisionError"


def test_large_runs_wait_for_somebody(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_BACKGROUND_SAMPLES", 100)
    shelf = Library(folder)
    assert not shelf.compute_next(shelf.entries())
    shelf.report("run-1")
    assert isinstance(shelf.line(shelf.entry("run-1")), Line)


def test_caches_are_bounded() -> None:
    kept: Recent[str] = Recent(3, 100)
    for number in range(5):
        kept.put(number, str(number), 10)
    assert [kept.get(number) for number in range(5)] == [None, None, "2", "3", "4"]
    kept.get(2)
    kept.put(5, "5", 85)
    assert [kept.get(number) for number in (2, 3, 4, 5)] == ["2", None, None, "5"]
    kept.put(6, "6", 1000)
    assert kept.get(6) == "6"


def test_many_threads_get_one_report(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    build = module.build_report
    monkeypatch.setattr(module, "build_report", lambda run: made.append(1) or build(run))
    shelf = Library(folder)
    found = []
    threads = [threading.Thread(target=lambda: found.append(shelf.report("run-2"))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 8
    assert len({id(report) for report in found}) == 1
    assert len(made) == 1
