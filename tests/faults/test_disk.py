"""A disk that is full, refuses a write, or may not be written: the run is kept, or the journal with what to do."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from amptally.logger.errors import StorageError
from amptally.logger.recording.recovery import recover
from amptally.logger.storage import segments as segments_module
from amptally.logger.storage.journal import JournalReader, JournalWriter, Record
from tests.faults.checks import missing, numbers, sound
from tests.faults.harness import PATIENCE_S, RecorderProcess, ThreadRecorder, live_board, options
from tests.logger.bench_board import bench_board

REFUSING = """
import errno, os, sys
fsync = os.fsync
def refusing(handle):
    if os.environ["REFUSED"] in os.readlink(f"/proc/self/fd/{handle}"):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    fsync(handle)
os.fsync = refusing
import amptally.logger.recording.recorder
amptally.logger.recording.recorder.free_bytes = lambda folder: 1 << 40  # the disk gives no warning here
import amptally
sys.exit(amptally.main())
"""
UNWARNED = REFUSING.replace("os.fsync = refusing\n", "")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte. Needs the right to mount one."""
    place = tmp_path / "card"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)], check=False, capture_output=True
    )
    if done.returncode:
        pytest.skip("only root may mount a small disk")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_disk_that_runs_full_without_warning(tmp_path: Path, small_disk: Path) -> None:
    """No room for the run file either: the journal stays, and becomes a run once there is room."""
    out = small_disk / "runs"
    with live_board(rate_hz=20_000, interval_us=50) as (_, port), RecorderProcess(port, out, code=UNWARNED) as recorder:
        code, path, said = recorder.result(60)
    assert (code, path) == (5, None), said
    assert "No space left" in said
    assert "amptally recover" in said
    assert "Traceback" not in said
    (journal,) = out.glob("*.journal")
    assert journal.stat().st_size > 500_000
    moved = tmp_path / journal.name
    shutil.copy(journal, moved)
    run = sound(recover(moved, None)[0])
    found = numbers(run)
    assert missing(found, found[-1] + 1) <= 10 * run.metadata.faults.get("sequence", 0)  # a busy line loses frames too
    arrived = sum(
        len(record.payload) for record in JournalReader(moved) if isinstance(record, Record) and record.kind == "bytes"
    )
    assert run.rows * 17 > 0.9 * arrived  # nearly every byte that arrived was a sample's


def test_a_limit_on_the_size_of_a_file_keeps_the_run(tmp_path: Path) -> None:
    """The journal can grow no more, the run file still fits: the run is written, the exit code says why it ended."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    with (
        live_board(rate_hz=5000, interval_us=200) as (_, port),
        RecorderProcess(port, tmp_path / "runs", preexec_fn=limit) as recorder,
    ):
        code, path, said = recorder.result()
    assert code == 5, said
    assert "File too large" in said
    assert path is not None
    run = sound(path)
    found = numbers(run)
    assert missing(found, found[-1] + 1) <= 10 * run.metadata.faults.get("sequence", 0)
    assert run.metadata.stop_reason == "disk full or not writable"
    assert run.rows > 4_500


def test_no_room_for_a_segment_leaves_the_raw_recording_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REFUSED", ".seg-0001")
    # A board second for every sample: a segment is due after a thousand.
    with (
        live_board(rate_hz=2000, interval_us=1_000_000) as (board, port),
        RecorderProcess(port, tmp_path / "runs", code=REFUSING) as recorder,
    ):
        recorder.wait_for(lambda: board.written >= 2000)
        recorder.signal(signal.SIGTERM)
        code, path, said = recorder.result()
        sent = board.written
    assert (code, path) == (5, None), said
    assert "Raw bytes are still recorded" in said
    (journal,) = (tmp_path / "runs").glob("*.journal")
    run = sound(recover(journal, None)[0])
    assert numbers(run) == list(range(sent))


def test_no_room_for_the_run_file_keeps_the_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REFUSED", "Z-")  # every file of a run but the journal, which has its own way of writing
    code = (
        REFUSING.replace('os.environ["REFUSED"] in', 'name.endswith(".parquet.part") and ".seg-" not in')
        .replace(
            "def refusing(handle):\n", 'def refusing(handle):\n    name = os.readlink(f"/proc/self/fd/{handle}")\n'
        )
        .replace('os.readlink(f"/proc/self/fd/{handle}"):', "name:")
    )
    with live_board() as (board, port), RecorderProcess(port, tmp_path / "runs", code=code) as recorder:
        recorder.wait_for(lambda: board.written >= 500)
        recorder.signal(signal.SIGINT)
        exit_code, path, said = recorder.result()
        sent = board.written
    assert (exit_code, path) == (5, None), said
    assert "No space left" in said
    (journal,) = (tmp_path / "runs").glob("*.journal")
    assert f"amptally recover {journal}" in said
    run = sound(recover(journal, None)[0])
    assert numbers(run) == list(range(sent))
    assert sorted(path.suffix for path in journal.parent.iterdir()) == [".journal", ".parquet"]


def test_a_journal_that_cannot_be_begun_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(handle: int) -> None:  # noqa: ARG001
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("amptally.logger.storage.journal.sync_file", full)
    with pytest.raises(StorageError, match="No space left"):
        JournalWriter(tmp_path / "a.journal", {"run_id": "a"})
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fails_to_sync_is_reported_at_the_next_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = JournalWriter(tmp_path / "a.journal", {"run_id": "a"})

    def failing(handle: int) -> None:  # noqa: ARG001
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("amptally.logger.storage.journal.sync_file", failing)
    writer.append("bytes", 0, b"x")
    deadline = time.monotonic() + PATIENCE_S
    while writer._failed is None and time.monotonic() < deadline:
        time.sleep(0.01)
    with pytest.raises(StorageError, match="Input/output error"):
        writer.append("bytes", 0, b"x")
    with pytest.raises(StorageError):
        writer.close()
    assert JournalReader(tmp_path / "a.journal").header == {"run_id": "a"}


def test_a_folder_that_may_only_be_read(tmp_path: Path) -> None:
    out = tmp_path / "runs"
    out.mkdir()
    mounted = False
    if os.getuid() == 0:  # root may write anywhere but on a read-only file system
        done = subprocess.run(["mount", "-t", "tmpfs", "-o", "ro", "tmpfs", str(out)], check=False, capture_output=True)
        if done.returncode:
            pytest.skip("root, and no right to mount a read-only file system")
        mounted = True
    else:
        out.chmod(0o500)
    try:
        with bench_board() as board, RecorderProcess(board.path, out) as recorder:
            code, path, said = recorder.result()
    finally:
        if mounted:
            subprocess.run(["umount", str(out)], check=True)
        else:
            out.chmod(0o700)
    assert (code, path) == (5, None)
    assert len(said.strip().splitlines()) == 2  # what it is about to do, and why it cannot
    assert "--out" in said


def test_a_folder_that_vanishes_is_reported(tmp_path: Path) -> None:
    """The system keeps the bytes of an open file: nothing is lost, and no message names a place that is gone."""
    with live_board() as (board, port), RecorderProcess(port, tmp_path / "runs") as recorder:
        recorder.wait_for(lambda: board.written >= 500)
        shutil.rmtree(tmp_path / "runs")
        code, path, said = recorder.result()
        sent = board.written
    assert code == 5
    assert "is no longer accessible" in said
    assert "was removed or renamed while recording" in said
    assert "recover" not in said
    assert path is not None
    assert numbers(sound(path)) == list(range(sent))
    assert sorted(path.parent.iterdir()) == [path]


@pytest.mark.parametrize("how", ["renamed", "replaced"])
def test_a_folder_that_moves_is_found_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str) -> None:
    monkeypatch.setattr(segments_module, "MAX_ROWS", 1000)
    out = tmp_path / "runs"
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, out))
        board.wait_for_start()
        board.write(board.describe())
        for _ in range(25):
            board.write(board.samples(100))
        recorder.wait_for(lambda: recorder.seen == 2500)
        out.rename(tmp_path / "elsewhere")
        if how == "replaced":
            out.mkdir()
        outcome = recorder.result()
    assert outcome.path is not None
    assert missing(numbers(sound(outcome.path)), 2500) == 0
    assert any("was removed or renamed" in text for text in recorder.said)


def test_a_folder_that_is_gone_for_good_is_not_named_as_a_place(tmp_path: Path) -> None:
    """Where the folder was there is a file now: nothing can be made there."""
    out = tmp_path / "runs"
    with live_board() as (board, port), RecorderProcess(port, out) as recorder:
        recorder.wait_for(lambda: board.written >= 100)
        out.rename(tmp_path / "elsewhere")
        out.touch()
        code, path, said = recorder.result()
    assert (code, path) == (5, None), said
    assert "and this run with it" in said
    assert "recover" not in said
    assert "Traceback" not in said


@pytest.mark.parametrize("harm", ["flip", "cut", "remove", "replace"])
def test_a_segment_that_went_bad_is_decoded_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, harm: str) -> None:
    monkeypatch.setattr(segments_module, "MAX_ROWS", 1000)
    with bench_board() as board:
        recorder = ThreadRecorder(options(board.path, tmp_path))
        board.wait_for_start()
        board.write(board.describe())
        for _ in range(35):
            board.write(board.samples(100))
        recorder.wait_for(lambda: recorder.seen == 3500)
        first, second = sorted(tmp_path.glob(".*.seg-*.parquet"))[:2]
        data = bytearray(first.read_bytes())
        match harm:
            case "flip":
                data[len(data) // 3] ^= 0x10
                first.write_bytes(data)
            case "cut":
                first.write_bytes(data[:-100])
            case "remove":
                first.unlink()
            case "replace":
                shutil.copy(second, first)
        outcome = recorder.stop(tmp_path)
    assert outcome.exit_code == 0
    assert outcome.path is not None
    assert any("decoded from the journal again" in text for text in recorder.said)
    assert missing(numbers(sound(outcome.path)), 3500) == 0
    assert list(tmp_path.glob("*.journal")) == []
    assert list(tmp_path.glob(".*.parquet*")) == []
