"""A Parquet file without checksums is read first in another process, which may die of it."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import sys
import warnings
from pathlib import Path

import polars as pl
import pytest

from amptally.analysis.errors import AnalysisError
from amptally.analysis.report.build import build_report
from amptally.analysis.report.summary import summarise_folder
from amptally.analysis.runs.catalogue import list_runs
from amptally.analysis.runs.run import Run
from amptally.logger.channels import TIME_COLUMN
from amptally.logger.errors import ImportDataError, LoggerError, NewerSchemaError, RunFileError
from amptally.logger.importing.reader import read_columns
from amptally.logger.importing.specs import parse_map, parse_time
from amptally.logger.storage import trial
from amptally.logger.storage.metadata import KEY, Metadata
from amptally.logger.storage.runfile import open_run, write_frame
from tests.logger.test_checksums import samples

ABORTS = Path(__file__).parents[1] / "data" / "parquet_that_aborts.parquet"
OLD = Path(__file__).parents[1] / "frozen" / "schema-1.parquet"


def unsigned(path: Path, table: pl.DataFrame, metadata: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        table.write_parquet(path, metadata={KEY: metadata})


def test_the_file_ends_a_process_that_reads_it() -> None:
    """Where a later library refuses it in words, the file is no longer an example; look for another one."""
    ended = subprocess.run(
        [sys.executable, "-c", f"import polars; polars.read_parquet({str(ABORTS)!r})"], capture_output=True, check=False
    )
    assert ended.returncode < 0


def test_the_program_outlives_it_and_names_it(tmp_path: Path) -> None:
    shutil.copy(ABORTS, tmp_path / "bad.parquet")
    write_frame(tmp_path / "good.parquet", samples(100), Metadata("good"))
    with pytest.raises(RunFileError, match=r"bad\.parquet is damaged"):
        open_run(tmp_path / "bad.parquet").read(["battery_current_ua"])
    assert [(entry.path.name, entry.about is None) for entry in list_runs(tmp_path)] == [
        ("good.parquet", False), ("bad.parquet", True)
    ]  # fmt: skip
    outcome = summarise_folder(tmp_path, tmp_path / "table.parquet", workers=1)
    assert (outcome.rows, outcome.failed) == (2, 1)
    build_report(Run.open(tmp_path / "good.parquet"))  # its ledger looks at the others of the folder
    with pytest.raises(ImportDataError, match=r"bad\.parquet"):
        read_columns(
            tmp_path / "bad.parquet", parse_time(TIME_COLUMN), [parse_map("battery_current_a=battery_current_ua:uA")]
        )


def test_an_earlier_summary_that_is_damaged_is_named(tmp_path: Path) -> None:
    write_frame(tmp_path / "good.parquet", samples(100), Metadata("good"))
    shutil.copy(ABORTS, tmp_path / "table.parquet")
    with pytest.raises(AnalysisError, match=r"table\.parquet"):
        summarise_folder(tmp_path, tmp_path / "table.parquet", workers=1)


def test_memory_is_limited(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copy(OLD, tmp_path / "old.parquet")
    trial._stop()
    with monkeypatch.context() as little:
        little.setattr(trial, "MAX_MEMORY", 1_000_000)
        with pytest.raises(RunFileError, match=r"old\.parquet is damaged"):
            open_run(tmp_path / "old.parquet").read([], 0, 1)
    trial._stop()
    (tmp_path / "old.parquet").touch()
    assert open_run(tmp_path / "old.parquet").read([], 0, 1).height == 1


def test_an_old_file_is_read_once(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = tmp_path / "old.parquet"
    shutil.copy(OLD, path)
    asked: list[object] = []
    real = trial._ask
    monkeypatch.setattr(trial, "_ask", lambda question, seconds: asked.append(question) or real(question, seconds))
    run = open_run(path)
    assert run.proof is None
    open_run(path)
    assert len(asked) == 1  # the footer alone, as for a list of runs
    run.read(run.columns)
    open_run(path).read([], 5, 1)
    assert len(asked) == 2
    path.touch()
    open_run(path)
    assert len(asked) == 3


def test_a_bad_file_ends_one_process_and_not_one_for_every_look(tmp_path: Path) -> None:
    shutil.copy(ABORTS, tmp_path / "bad.parquet")
    run, ended = open_run(tmp_path / "bad.parquet"), []
    for _ in range(2):
        with pytest.raises(RunFileError, match="too much memory or time"):
            run.read(["battery_current_ua"])
        ended.append(trial._process)
    open_run(OLD)
    before = trial._process
    with pytest.raises(RunFileError):
        run.read(["battery_current_ua"])
    assert ended == [None, None]
    assert trial._process is before is not None


def test_errors_keep_their_kind_and_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    unsigned(Path("new.parquet"), samples(3), '{"schema": 2, "run_id": "x"}')
    with pytest.raises(NewerSchemaError, match=r"^new\.parquet has schema 2"):
        open_run(Path("new.parquet"))


def test_a_folder_of_modules_is_not_imported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody's download folder with a polars.py in it does not run in the other process."""
    monkeypatch.chdir(tmp_path)
    Path("polars.py").write_text("open('ran', 'w').close()")
    shutil.copy(OLD, "old.parquet")
    trial._stop()
    open_run(Path("old.parquet"))
    assert not Path("ran").exists()


def test_a_file_that_takes_for_ever_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copy(OLD, tmp_path / "old.parquet")
    monkeypatch.setattr(trial, "SECONDS", 0.0)
    monkeypatch.setattr(trial, "BYTES_PER_S", 10**12)
    trial._stop()
    with pytest.raises(RunFileError, match="too much memory or time"):
        open_run(tmp_path / "old.parquet")


def test_the_other_process_ends_with_the_program(tmp_path: Path) -> None:
    shutil.copy(OLD, tmp_path / "old.parquet")
    code = (
        "from pathlib import Path; from amptally.logger.storage import trial, runfile; "
        f"runfile.open_run(Path({str(tmp_path / 'old.parquet')!r})); print(trial._process.pid, flush=True); "
        "import os; os.kill(os.getpid(), 9)"
    )
    ended = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=False)
    pid = int(ended.stdout)
    for _ in range(100):
        with contextlib.suppress(FileNotFoundError):
            if Path(f"/proc/{pid}/stat").read_text().split()[2] != "Z":
                subprocess.run(["sleep", "0.05"], check=True)
                continue
        return
    pytest.fail("it is still there")


def test_the_report_says_that_there_are_no_checksums(tmp_path: Path) -> None:
    shutil.copy(OLD, tmp_path / "old.parquet")
    write_frame(tmp_path / "new.parquet", samples(1000), Metadata("new"))
    codes = [
        {finding.code for finding in build_report(Run.open(tmp_path / name)).findings}
        for name in ("old.parquet", "new.parquet")
    ]
    assert ["no_checksums" in each for each in codes] == [True, False]


def test_any_damage_is_one_line(tmp_path: Path) -> None:
    """An old file spoilt anywhere is read as before, or refused in one line; nothing else happens."""
    whole = bytearray(OLD.read_bytes())
    path = tmp_path / "x.parquet"
    for place in range(4, len(whole), len(whole) // 60):
        spoilt = bytearray(whole)
        spoilt[place] ^= 0x10
        path.write_bytes(spoilt)
        said = ""
        try:
            run = open_run(path)
            run.read(run.columns)
        except LoggerError as error:
            said = str(error)
        assert "\n" not in said
