"""A small computer on the machine: nobody watches, the port comes late, the power just goes, cards fill up."""

from __future__ import annotations

import configparser
import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import polars as pl
import pytest

from amptally import commands
from amptally.logger.recording import recorder as recorder_module
from amptally.logger.recording.retention import LIST_NAME, Retention
from amptally.logger.recording.unfinished_journals import unfinished_journals
from amptally.logger.storage.edits import Edits, edits_path, write_edits
from amptally.logger.storage.journal import JournalWriter
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import open_run, write_frame
from tests.faults.checks import numbers, sound
from tests.faults.harness import PATIENCE_S, ROOT, RecorderProcess, ThreadRecorder, live_board, options

NOBODY: dict[str, object] = {
    "stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "start_new_session": True
}  # fmt: skip


def test_the_unit_file_says_what_the_program_understands() -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read_string((ROOT / "docs" / "amptally-record.service").read_text(encoding="utf-8"))
    program, *arguments = shlex.split(unit["Service"]["ExecStart"])
    assert program.endswith("/amptally")
    args = commands.build_parser().parse_args(arguments)
    assert args.command == "record"
    assert args.ring == 4000
    assert args.wait > 86_400
    # Its own restart must not fight the exit codes that a restart cannot mend: wrong call, bad machine file.
    assert unit["Service"]["Restart"] == "always"
    assert unit["Service"]["RestartPreventExitStatus"].split() == ["2", "3"]
    # The state folder and the runs lie where the unit lets the program write.
    state = "/var/lib/" + unit["Service"]["StateDirectory"]
    assert str(args.out).startswith(state)
    assert unit["Service"]["Environment"].split("=", 1)[1].startswith(state)


def test_the_port_comes_after_the_recorder(tmp_path: Path) -> None:
    name = tmp_path / "board"
    with RecorderProcess(str(name), tmp_path / "runs", "--wait", "forever", **NOBODY) as recorder:
        time.sleep(1.5)
        assert recorder.process.poll() is None
        assert list((tmp_path / "runs").glob("*")) == []  # no journal before there is a port
        with live_board() as (board, port):
            name.symlink_to(port)
            recorder.wait_for(lambda: board.written >= 200)
            recorder.signal(signal.SIGTERM)
            assert recorder.process.wait(PATIENCE_S) == 143
    (path,) = (tmp_path / "runs").glob("*.parquet")
    run = sound(path)
    assert numbers(run) == list(range(run.rows))


def test_waiting_ends_with_the_time_or_by_a_signal(tmp_path: Path) -> None:
    with RecorderProcess(str(tmp_path / "none"), tmp_path / "runs", "--wait", "0.5") as recorder:
        code, path, said = recorder.result()
    assert (code, path) == (4, None)
    assert "Waiting for it" in said
    assert "amptally ports" in said.splitlines()[-1]
    with RecorderProcess(str(tmp_path / "none"), tmp_path / "runs", "--wait", "60") as recorder:
        assert recorder.process.stderr is not None
        while "Waiting for it" not in recorder.process.stderr.readline():
            pass
        recorder.signal(signal.SIGTERM)
        code, path, said = recorder.result()
    assert (code, path) == (143, None), said
    assert list((tmp_path / "runs").iterdir()) == []


def test_the_power_goes_at_the_cutoff_and_comes_back(tmp_path: Path) -> None:
    """Three drives, each ended by a cut: the runs are there after the next start, and the journals do not pile up."""
    out = tmp_path / "runs"
    sent = []
    for _ in range(3):
        with live_board() as (board, port), RecorderProcess(port, out, "--ring", "50", **NOBODY) as recorder:
            recorder.wait_for(lambda: board.written >= 500)
            recorder.wait_for(lambda: len(list(out.glob("*.journal"))) == 1)  # the last one has become a run meanwhile
            sent.append(board.written - round(500 * (0.5 + 4 * board.slowest_turn_s)))
            recorder.process.kill()
            recorder.process.wait()
    with live_board() as (board, port), RecorderProcess(port, out, "--ring", "50") as recorder:
        recorder.wait_for(lambda: board.written >= 100 and len(list(out.glob("[!.]*.parquet"))) == 3)
        recorder.signal(signal.SIGTERM)
        code, last, said = recorder.result()
    assert code == 143, said
    assert "was recovered from an interrupted recording" in said
    runs = sorted(out.glob("[!.]*.parquet"))
    assert len(runs) == 4
    for run, whole in zip(runs, sent, strict=False):
        found = numbers(sound(run))
        assert found == list(range(len(found)))
        assert len(found) >= whole
    assert list(out.glob("*.journal")) == []
    listed = (out / LIST_NAME).read_text().split()
    assert listed == [run.name for run in runs]
    assert listed[-1] == (last.name if last else "")
    # Bringing them over is a plain copy.
    shutil.copytree(out, tmp_path / "brought")
    assert open_run(tmp_path / "brought" / runs[0].name).metadata.stop_reason == "recovered"


def test_without_ring_an_interrupted_recording_is_only_reported(tmp_path: Path) -> None:
    out = tmp_path / "runs"
    out.mkdir()
    old = JournalWriter(out / "20260101T000000Z-abcd.journal", {"run_id": "20260101T000000Z-abcd"})
    old.append("bytes", 1, b"\0")  # something arrived: it may be a drive
    old.close()
    with live_board() as (_, port), RecorderProcess(port, out, "--for", "0.2") as recorder:
        code, _, said = recorder.result()
    assert code == 0
    assert f"amptally recover {out / '20260101T000000Z-abcd.journal'}" in said
    assert old.path.exists()


def made(folder: Path, name: str, rows: int = 200_000) -> Path:
    """A run of some size, whose name says nothing of its age."""
    import numpy as np

    noise = np.random.default_rng(rows).integers(0, 10**6, rows)
    frame = pl.DataFrame(
        {
            "t_us": pl.Series(np.arange(rows) * 1000, dtype=pl.Int64),
            "battery_current_ua": pl.Series(noise, dtype=pl.Int32),
        }
    )
    path = folder / f"{name}.parquet"
    write_frame(path, frame, Metadata(name))
    return path


def test_the_ring_removes_the_oldest_complete_runs_only(tmp_path: Path) -> None:
    said: list[str] = []
    runs = [made(tmp_path, name) for name in ("d", "c", "b", "a")]  # made in this order by a clock that ran backwards
    size = runs[0].stat().st_size
    retention = Retention(tmp_path, 1 << 40, said.append)
    for run in runs[1:]:
        retention.add_newest(run)
    write_edits(runs[0], Edits(notes=("first",)))
    journal = tmp_path / "e.journal"
    journal.write_bytes(bytes(size))
    (tmp_path / "foreign.parquet").write_bytes(b"PAR1" + bytes(size) + b"PAR1")
    (tmp_path / "notes.txt").write_bytes(bytes(size))
    retention.trim()
    assert said == []
    retention = Retention(
        tmp_path, 5 * size + 1000, said.append
    )  # four runs, a journal and what only looks like a run: one too many
    retention.trim()
    assert not runs[0].exists()
    assert not edits_path(runs[0]).exists()
    assert [run.exists() for run in runs] == [False, True, True, True]
    assert len(said) == 1
    retention.trim(more=2 * size)
    assert [run.exists() for run in runs] == [False, False, False, True]
    Retention(tmp_path, 1, said.append).trim()
    assert not runs[3].exists()
    assert journal.exists()
    assert (tmp_path / "foreign.parquet").exists()
    assert (tmp_path / "notes.txt").exists()


def test_a_run_that_was_copied_in_counts_as_older_than_the_recorded_ones(tmp_path: Path) -> None:
    mine, copied = made(tmp_path, "a"), made(tmp_path, "z")
    retention = Retention(tmp_path, mine.stat().st_size + 1000, lambda _: None)
    retention.add_newest(mine)
    retention.trim()
    assert mine.exists()
    assert not copied.exists()


def test_the_ring_removes_old_runs_while_recording(tmp_path: Path) -> None:
    """The current run grows, and the old ones make room for it before it is written."""
    out = tmp_path / "runs"
    out.mkdir()
    old = [made(out, f"20200101T00000{place}Z-aaaa", 300_000) for place in range(3)]
    limit_mb = 1 + sum(path.stat().st_size for path in old) / 1e6
    code = (
        "import sys, amptally; from amptally.logger.recording import recorder; "
        "recorder.RETENTION_S = 0.2; sys.exit(amptally.main())"
    )
    with (
        live_board(rate_hz=10_000, interval_us=100) as (board, port),
        RecorderProcess(port, out, "--ring", f"{limit_mb:.3f}", code=code) as recorder,
    ):
        recorder.wait_for(lambda: not old[0].exists())
        before = board.written
        recorder.wait_for(lambda: board.written > before + 5000)
        recorder.signal(signal.SIGTERM)
        exit_code, path, said = recorder.result()
    assert exit_code == 143, said
    assert f"{old[0].name} was removed to free space" in said
    assert path is not None
    assert sound(path).rows > before - 5000
    used = sum(found.stat().st_size for found in out.iterdir())
    assert used <= limit_mb * 1e6


def test_leftovers_leave_others_recordings_alone(tmp_path: Path) -> None:
    out = tmp_path / "runs"
    with live_board() as (board, port), RecorderProcess(port, out) as recorder:
        recorder.wait_for(lambda: board.written >= 100)
        assert unfinished_journals(out) == []
        recorder.kill()
        assert unfinished_journals(out) == [recorder.journal()]


@pytest.mark.parametrize("rest", [b"", b"AMPJ", b"AMPJRNL1\x10\0\0\0{}"])
def test_a_journal_with_nothing_in_it_does_not_stay_for_ever(tmp_path: Path, rest: bytes) -> None:
    """Cut off in the first moment, before a header was safe."""
    from amptally.logger.recording.unfinished_journals import recover_unfinished

    journal = tmp_path / "20260101T000000Z-abcd.journal"
    journal.write_bytes(rest)
    said = recover_unfinished(journal, keep_journal=False)
    assert journal.exists() == ("was not removed" in said)
    assert journal.exists() == (len(rest) > 11)


def test_nothing_is_asked_of_a_terminal() -> None:
    """No terminal, no home folder, no locale: what a service has."""
    bare = {"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT)}
    code = "import sys, amptally; sys.argv = ['amptally', 'record', '--help']; sys.exit(amptally.main())"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=bare,
        capture_output=True,
        text=True,
        check=False,
        start_new_session=True,
    )
    assert done.returncode == 0
    assert "--ring" in done.stdout
    assert "--wait" in done.stdout


def test_the_ring_gives_way_to_a_disk_that_is_nearly_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What else is on the card grows too: then old runs go although the ring would have room for them."""
    old = [made(tmp_path, name) for name in ("a", "b")]
    size = old[0].stat().st_size
    stop_at = recorder_module.DISK_STOP_BYTES

    def free(folder: Path) -> int:  # noqa: ARG001
        return stop_at - 1000 + sum(size for run in old if not run.exists())

    with live_board() as (board, port):
        recorder = ThreadRecorder(options(port, tmp_path, ring_bytes=1 << 40))
        recorder.wait_for(lambda: board.written >= 100)
        monkeypatch.setattr(recorder_module, "free_bytes", free)
        recorder.wait_for(lambda: not old[0].exists())
        monkeypatch.undo()
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    assert sound(outcome.path).rows >= 100
