"""What the computer and its user can do to a recording: stall it, step the clock, start a second one, end it."""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import signal
import subprocess
import sys
import termios
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from amptally.logger.recording import recorder as recorder_module
from tests.faults.checks import missing, numbers, sound
from tests.faults.harness import PATIENCE_S, RecorderProcess, ThreadRecorder, live_board, options


@pytest.mark.parametrize(("stall_s", "rate_hz"), [(0.3, 500), (1.5, 10_000)])
def test_a_stalled_host_loses_what_the_line_cannot_hold_and_counts_it(
    tmp_path: Path, stall_s: float, rate_hz: int
) -> None:
    with (
        live_board(rate_hz=rate_hz, interval_us=1_000_000 // rate_hz) as (board, port),
        RecorderProcess(port, tmp_path / "runs") as recorder,
    ):
        recorder.wait_for(lambda: board.written >= 300)
        recorder.signal(signal.SIGSTOP)
        time.sleep(stall_s)
        recorder.signal(signal.SIGCONT)
        after = board.written
        recorder.wait_for(lambda: board.written >= after + rate_hz)
        recorder.signal(signal.SIGTERM)
        code, path, said = recorder.result()
    assert code == 143, said
    assert path is not None
    run = sound(path)
    found = numbers(run)
    gone = missing(found, found[-1] + 1)
    # Each frame that found no room on the line is one number missing from the sequence, and nothing else; of those
    # after the last that came nobody can know.
    lost = sum(taken <= found[-1] for taken in board.lost_at)
    assert run.metadata.faults == ({"sequence": lost} if lost else {})
    assert gone <= lost * 10
    # The line holds about a third of a second at 500 samples/s; a busy machine may stall the recorder for longer.
    assert lost or stall_s < 1
    assert {gap.kind for gap in run.metadata.gaps} == ({"link"} if lost else set())


def test_a_step_of_the_wall_clock_does_not_touch_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Jumping(datetime):
        """Every look at the clock is an hour off the one before, back and forth."""

        looks = 0

        @classmethod
        def now(cls, tz: object = None) -> datetime:  # noqa: ARG003 (the form of datetime.now)
            cls.looks += 1
            return datetime(2026, 1, 1, 12, tzinfo=UTC) + timedelta(hours=(-1) ** cls.looks, days=cls.looks % 3)

    monkeypatch.setattr(recorder_module, "datetime", Jumping)
    monkeypatch.setattr(time, "time", lambda: float(os.getpid() * 997 % 10**9))
    with live_board() as (board, port):
        recorder = ThreadRecorder(options(port, tmp_path))
        recorder.wait_for(lambda: board.written >= 800)
        outcome = recorder.stop(tmp_path)
    assert Jumping.looks >= 2
    assert outcome.path is not None
    run = sound(outcome.path)
    assert numbers(run) == list(range(run.rows))
    assert run.metadata.clock["rate"] == pytest.approx(1.0, abs=0.5)  # an hour more or less would show
    assert run.metadata.start_utc is not None


def test_a_second_recorder_gets_the_holder_of_the_port(tmp_path: Path) -> None:
    with live_board() as (board, port), RecorderProcess(port, tmp_path / "runs") as first:
        first.wait_for(lambda: board.written >= 100)
        with RecorderProcess(port, tmp_path / "others") as second:
            code, path, said = second.result()
        assert (code, path) == (4, None)
        assert f"process {first.process.pid}" in said
        assert list((tmp_path / "others").iterdir()) == []
        before = board.written
        first.wait_for(lambda: board.written >= before + 100)
        first.signal(signal.SIGINT)
        code, path, said = first.result()
    assert code == 130, said
    assert path is not None
    assert numbers(sound(path))[:before] == list(range(before))


def test_a_lock_of_the_dead_holds_nobody_up(tmp_path: Path) -> None:
    """After a power cut the process number in the lock file may be anybody's, here our own parent's."""
    with live_board() as (board, port), RecorderProcess(port, tmp_path / "runs") as first:
        first.wait_for(lambda: board.written >= 100)
        first.kill()
        (lock,) = (tmp_path / "state" / "amptally").glob("*.lock")
        lock.write_text(lock.read_text().replace(str(first.process.pid), str(os.getpid())))
        with RecorderProcess(port, tmp_path / "runs", "--for", "0.2") as second:
            code, path, said = second.result()
    assert code == 0, said
    assert path is not None
    assert "was interrupted" in said


class Terminal:
    """A recorder on a controlling terminal of its own, as in a terminal window."""

    def __init__(self, port: str, out: Path) -> None:
        self.master, slave = os.openpty()

        def take_terminal() -> None:
            fcntl.ioctl(0, termios.TIOCSCTTY, 0)
            signal.signal(signal.SIGHUP, signal.SIG_DFL)  # as in a window, also where the tests ignore it

        self.recorder = RecorderProcess(
            port, out, stdin=slave, stdout=slave, stderr=slave, start_new_session=True, preexec_fn=take_terminal
        )
        os.close(slave)
        self.shown = b""

    def watch(self, timeout_s: float = 0.0) -> None:
        """Take in what is shown."""
        ready, _, _ = select.select([self.master], [], [], timeout_s)
        if ready:
            with contextlib.suppress(OSError):  # the last process on the terminal has gone
                self.shown += os.read(self.master, 65536)

    def wait_until(self, ready: object, timeout_s: float = PATIENCE_S) -> None:
        deadline = time.monotonic() + timeout_s
        while not ready():  # type: ignore[operator]
            assert time.monotonic() < deadline, self.shown
            self.watch(0.02)

    def close(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            self.master = -1

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
        self.recorder.__exit__()


def the_run(out: Path) -> Path:
    (path,) = out.glob("*.parquet")
    assert list(out.glob("*.journal")) == []
    return path


def test_ctrl_c_on_a_terminal(tmp_path: Path) -> None:
    with live_board() as (board, port), Terminal(port, tmp_path / "runs") as terminal:
        terminal.wait_until(lambda: board.written >= 300 and b"samples/s" in terminal.shown)
        os.write(terminal.master, b"\x03\x03")  # an impatient user presses it twice
        terminal.wait_until(lambda: terminal.recorder.process.poll() is not None)
        sent = board.written
        assert terminal.recorder.process.returncode == 130
        terminal.watch()
        assert terminal.shown.decode().strip().splitlines()[-1].endswith(".parquet")
    assert numbers(sound(the_run(tmp_path / "runs"))) == list(range(sent))


def test_a_terminal_that_is_closed(tmp_path: Path) -> None:
    with live_board() as (board, port), Terminal(port, tmp_path / "runs") as terminal:
        terminal.wait_until(lambda: board.written >= 300)
        terminal.close()
        assert terminal.recorder.process.wait(PATIENCE_S) == 143
        sent = board.written
    assert numbers(sound(the_run(tmp_path / "runs"))) == list(range(sent))


def test_a_terminal_that_is_stopped_with_ctrl_s(tmp_path: Path) -> None:
    """Output stands still for as long as the user likes; what arrives is written down all the same."""
    with live_board() as (board, port), Terminal(port, tmp_path / "runs") as terminal:
        terminal.wait_until(lambda: board.written >= 300 and b"samples/s" in terminal.shown)
        os.write(terminal.master, b"\x13")
        time.sleep(0.5)
        journal = terminal.recorder.journal()
        assert journal is not None
        before = journal.stat().st_size
        terminal.recorder.wait_for(lambda: journal.stat().st_size > before + 10_000)
        assert board.lost == 0
        terminal.recorder.stop_by_file()
        terminal.wait_until(lambda: list((tmp_path / "runs").glob("[!.]*.parquet")))
        os.write(terminal.master, b"\x11")
        terminal.wait_until(lambda: terminal.recorder.process.poll() is not None)
        assert terminal.recorder.process.returncode == 0
    run = sound(the_run(tmp_path / "runs"))
    assert numbers(run) == list(range(run.rows))
    assert run.rows > 800


def test_nohup_outlives_the_terminal(tmp_path: Path) -> None:
    with (
        live_board() as (board, port),
        RecorderProcess(
            port, tmp_path / "runs", preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN)
        ) as recorder,
    ):
        recorder.wait_for(lambda: board.written >= 100)
        recorder.signal(signal.SIGHUP)
        before = board.written
        recorder.wait_for(lambda: board.written >= before + 300)
        recorder.signal(signal.SIGTERM)
        code, path, _ = recorder.result()
    assert code == 143
    assert path is not None
    assert len(numbers(sound(path))) >= before + 300


def test_a_listener_that_fails_is_left_out(tmp_path: Path) -> None:
    """Alarms and displays listen to a recording; none of them can end it."""
    calls = []

    def failing(run_us: object, columns: object) -> None:  # noqa: ARG001
        calls.append(1)
        raise ZeroDivisionError("an alarm went wrong")

    def fail(status: object) -> None:  # noqa: ARG001
        raise ZeroDivisionError("a display went wrong")

    said: list[str] = []
    with live_board() as (_, port):
        wanted = options(port, tmp_path / "runs", for_s=1.0)
        recorder = recorder_module.Recorder(wanted, observers=(failing,), on_status=fail, say=said.append)
        thread = threading.Thread(target=recorder.run)
        thread.start()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
    (path,) = (tmp_path / "runs").glob("*.parquet")
    assert sound(path).rows == 501
    assert len(calls) == 1
    assert any("an alarm went wrong" in text for text in said)


def test_a_defect_in_decoding_does_not_end_the_raw_recording(tmp_path: Path) -> None:
    broken = """
import sys, amptally.logger.recording.run_builder
keep = amptally.logger.recording.run_builder.RunBuilder._keep
count = [0]
def failing(self, run_us, block, bridged):
    count[0] += 1
    if count[0] > 5:
        raise KeyError("a defect")
    keep(self, run_us, block, bridged)
amptally.logger.recording.run_builder.RunBuilder._keep = failing
import amptally
sys.exit(amptally.main())
"""
    with live_board() as (board, port), RecorderProcess(port, tmp_path / "runs", code=broken) as recorder:
        recorder.wait_for(lambda: board.written >= 1000)
        recorder.signal(signal.SIGTERM)
        code, path, said = recorder.result()
        sent = board.written
    assert (code, path) == (5, None)
    assert "amptally recover" in said
    (journal,) = (tmp_path / "runs").glob("*.journal")
    command = [sys.executable, "-c", "import sys, amptally; sys.exit(amptally.main())", "recover", str(journal)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 0, done.stderr
    assert numbers(sound(Path(done.stdout.strip().splitlines()[-1]))) == list(range(sent))
