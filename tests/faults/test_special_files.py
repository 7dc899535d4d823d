"""Pipes, sockets, devices, links to themselves and strangers' files wherever this program opens one: never a hang.

Each command runs in a process of its own with a few seconds to answer; a file that is waited for fails the test.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from amptally.logger.errors import ImportDataError, JournalError, MachineFileError, RunFileError
from amptally.logger.importing.reader import read_columns
from amptally.logger.importing.specs import parse_map, parse_time
from amptally.logger.machine.description import load
from amptally.logger.ordinary_files import MAX_FOOTER, check_file, open_file, read_file
from amptally.logger.recording.retention import LIST_NAME, Retention
from amptally.logger.recording.unfinished_journals import recover_unfinished, unfinished_journals
from amptally.logger.storage.edits import edits_path, read_edits
from amptally.logger.storage.journal import JournalReader
from amptally.logger.storage.runfile import open_run
from tests.faults.checks import sound
from tests.faults.harness import RecorderProcess, live_board

ROOT = Path(__file__).parents[2]
RUN = ROOT / "sample_runs" / "nine-laps-marked.parquet"
CART = ROOT / "sample_runs" / "cart.toml"
SPEEDY_S = 60.0


def pipe(path: Path) -> None:
    os.mkfifo(path)


def bound_socket(path: Path) -> None:
    # An address of a socket is short; the folder of a test is not.
    here = os.getcwd()
    os.chdir(path.parent)
    try:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(path.name)
    finally:
        os.chdir(here)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def terminal(path: Path) -> None:
    path.symlink_to("/dev/tty")


def loop(path: Path) -> None:
    path.symlink_to(path.name)


def dangling(path: Path) -> None:
    path.symlink_to("nowhere")


def folder(path: Path) -> None:
    path.mkdir()


KINDS: list[Callable[[Path], None]] = [pipe, bound_socket, device, terminal, loop, dangling, folder]
each_kind = pytest.mark.parametrize("make", KINDS, ids=lambda make: make.__name__)


@pytest.fixture(autouse=True)
def no_waiting() -> Iterator[None]:
    """End a test that waits: an alarm of the system interrupts an opening that blocks."""
    import signal

    def ring(number: int, frame: object) -> None:  # noqa: ARG001 (signature of a signal handler)
        raise AssertionError("waited for a file that is none")

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(int(SPEEDY_S))
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@each_kind
def test_only_ordinary_files_are_opened(tmp_path: Path, make: Callable[[Path], None]) -> None:
    make(tmp_path / "x")
    for opening in (open_file, check_file, lambda path: read_file(path, 10)):
        with pytest.raises(OSError, match=r"not a file|symbolic links|No such"):
            opening(tmp_path / "x")


def test_a_file_is_read_up_to_a_bound(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"12345")
    assert read_file(tmp_path / "x", 5) == b"12345"
    with pytest.raises(OSError, match="larger than 4 bytes"):
        read_file(tmp_path / "x", 4)


@each_kind
def test_each_reader_refuses_them(tmp_path: Path, make: Callable[[Path], None]) -> None:
    make(tmp_path / "x")
    with pytest.raises(RunFileError):
        open_run(tmp_path / "x")
    with pytest.raises(JournalError):
        JournalReader(tmp_path / "x")
    with pytest.raises(MachineFileError):
        load(tmp_path / "x")
    with pytest.raises(ImportDataError):
        read_columns(tmp_path / "x", parse_time("t"), [parse_map("battery_current_a=i")])
    make(edits_path(tmp_path / "run.parquet"))
    if make in (dangling,):
        assert read_edits(tmp_path / "run.parquet").notes == ()
    else:
        with pytest.raises(RunFileError, match="cannot be used"):
            read_edits(tmp_path / "run.parquet")
    make(tmp_path / LIST_NAME)
    Retention(tmp_path, 1, print).trim()


@pytest.mark.parametrize("claimed", [1 << 30, 0x7FFFFFFF, 0xFFFFFFFF])
def test_a_footer_that_claims_gigabytes(tmp_path: Path, claimed: int) -> None:
    """Refused before the Parquet library sees it, in a sparse file of that size too."""
    path = tmp_path / "run.parquet"
    for size in (100, claimed + 100):
        with path.open("wb") as file:
            file.write(b"PAR1")
            file.truncate(size)
            file.seek(size)
            file.write(claimed.to_bytes(4, "little") + b"PAR1")
        assert claimed > MAX_FOOTER
        with pytest.raises(RunFileError, match="claims a footer of"):
            open_run(path)
        with pytest.raises(ImportDataError, match="without its end"):
            read_columns(path, parse_time("t"), [parse_map("battery_current_a=i")])


def strange_folder(out: Path) -> None:
    """One of each kind under each name that this program looks for."""
    out.mkdir()
    for make in KINDS:
        for name in (f"{make.__name__}.journal", f"{make.__name__}.parquet", f"{make.__name__}.edits.json"):
            make(out / name)
        make(out / f".{make.__name__}.seg-0001.parquet")
    (out / "notes.journal").write_text("monday: washed the cart", encoding="utf-8")
    (out / "empty.journal").touch()
    pipe(out / LIST_NAME)
    pipe(out / f".{LIST_NAME}.part")


def command(*arguments: object) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    code = "import sys, amptally; sys.exit(amptally.main())"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=SPEEDY_S, env=environment, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("ring", [(), ("--ring", "1000")])
def test_a_recording_starts_beside_strangers_files(tmp_path: Path, ring: tuple[str, ...]) -> None:
    out = tmp_path / "runs"
    strange_folder(out)
    before = {path.name for path in out.iterdir()}
    with live_board() as (board, port), RecorderProcess(port, out, "--for", "0.5", *ring) as recorder:
        recorder.wait_for(lambda: board.written >= 200)
        code, path, said = recorder.result()
    assert code == 0, said
    assert path is not None
    assert sound(path).rows > 100
    assert "interrupted" not in said
    assert "Traceback" not in said
    assert before - {f".{LIST_NAME}.part"} <= {found.name for found in out.iterdir()}
    assert (out / "empty.journal").exists()


def test_strangers_journals_are_neither_listed_nor_removed(tmp_path: Path) -> None:
    out = tmp_path / "runs"
    strange_folder(out)
    assert unfinished_journals(out) == []
    said = recover_unfinished(out / "empty.journal", keep_journal=False)
    assert "was not removed" in said


def test_a_summary_of_strange_files(tmp_path: Path) -> None:
    out = tmp_path / "runs"
    strange_folder(out)
    (out / "good.parquet").write_bytes(RUN.read_bytes())
    done = command("summary", out, "--out", tmp_path / "all.parquet")
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr


def test_a_dashboard_lists_strange_files(tmp_path: Path) -> None:
    from amptally.analysis.runs.catalogue import list_runs

    out = tmp_path / "runs"
    strange_folder(out)
    (out / "good.parquet").write_bytes(RUN.read_bytes())
    entries = list_runs(out)
    assert [entry.path.name for entry in entries if entry.about is not None] == ["good.parquet"]
    assert all(entry.problem for entry in entries if entry.about is None)


@each_kind
def test_commands_answer_in_one_line(tmp_path: Path, make: Callable[[Path], None]) -> None:
    """The commands differ in what they open first; each kind goes through one of them."""
    make(tmp_path / "x")
    place = KINDS.index(make)
    calls: list[tuple[object, ...]] = [
        ("report", tmp_path / "x"),
        ("recover", tmp_path / "x"),
        ("machine", "check", tmp_path / "x"),
        ("report", RUN, "--machine", tmp_path / "x"),
        ("import", tmp_path / "x", "--time", "t", "--map", "battery_current_a=i", "--out", tmp_path / "y.parquet"),
        ("summary", tmp_path / "x", "--out", tmp_path / "y.parquet"),
        ("machine", "show", tmp_path / "x"),
    ]
    for call in (calls[place], calls[(place + 3) % len(calls)]):
        done = command(*call)
        assert done.returncode == 3, (call, done.stdout, done.stderr)
        assert len(done.stderr.strip().splitlines()) == 1, done.stderr
        assert "defect" not in done.stderr


def test_what_is_written_replaces_pipes_and_links(tmp_path: Path) -> None:
    """A temporary name that is taken: the pipe is not waited for, the link's target is not written."""
    from amptally.logger.storage.durable import part_path, write_text_atomically

    target = tmp_path / "precious"
    target.write_text("keep", encoding="utf-8")
    part_path(tmp_path / "a").symlink_to(target)
    pipe(part_path(tmp_path / "b"))
    for name in ("a", "b"):
        write_text_atomically(tmp_path / name, "new")
        assert (tmp_path / name).read_text(encoding="utf-8") == "new"
    assert target.read_text(encoding="utf-8") == "keep"
