"""`amptally record` as a user types it: the answers of a refused start work, keys on a terminal, no false alarms."""

from __future__ import annotations

import fcntl
import os
import select
import shlex
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from amptally.analysis.laps.marks import press_times
from amptally.analysis.runs.run import Run
from amptally.logger.recording.recovery import recover
from amptally.logger.storage.journal import JournalWriter
from amptally.logger.storage.runfile import open_run
from tests.first_hour.boards import PrintingBoard, left, plugged_in, volts

ROOT = Path(__file__).parents[2]
PATIENCE_S = 60.0
MAIN = "import sys, amptally; sys.exit(amptally.main())"
BOARD = PrintingBoard(lambda k: f"{k * 20},{volts(k) * 1e3:.0f},{left(k):.3f}", "Time(ms),Vbat,IL", every=25)
KNOWN = PrintingBoard(
    lambda k: f"{k * 20},{volts(k):.2f},{left(k):.3f}", "time_ms,battery_voltage_v,left_current_a", every=25, speed=1
)


def amptally(*arguments: object, folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", MAIN, *map(str, arguments)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        command, capture_output=True, text=True, cwd=folder, env=environment, stdin=subprocess.DEVNULL, check=False,
        timeout=PATIENCE_S,
    )  # fmt: skip


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    path = tmp_path / "my cart.toml"
    path.write_text('[battery]\nblocks = 2\nblock_voltage_v = 12\narrangement = "series"\n', encoding="utf-8")
    return path


def test_the_answers_lead_to_a_recording_step_by_step(machine: Path, tmp_path: Path) -> None:
    """Names first, then the millivolts that are noticed: each refusal ends with a command, run here as it stands."""
    arguments = ["record", "", "--machine", machine.name]
    arguments += ["--start-charge", "80%", "--for", "1", "--note", "dry floor"]
    refusals = []
    with plugged_in(BOARD) as port:
        arguments[1] = port
        for _ in range(3):
            done = amptally(*arguments, folder=tmp_path)
            if done.returncode == 0:
                break
            assert done.returncode == 3, done.stderr
            assert not list((tmp_path / "runs").glob("*")), "a refused start leaves nothing"
            assert "interrupted" not in done.stderr
            refusals.append(done.stderr.strip().splitlines()[-1])
            arguments = shlex.split(refusals[-1].partition("Write: amptally ")[2])
    assert done.returncode == 0, done.stderr
    assert "no name I know: 'Vbat' (nearest: battery_voltage_v), 'IL' (nearest: left_current_a)" in refusals[0]
    assert " V: the machine file's battery has 24 V. It is probably in mV. Write: amptally record " in refusals[1]
    assert len(refusals) == 2
    path = tmp_path / done.stdout.strip().splitlines()[-1]
    run = open_run(path)
    assert run.metadata.start_charge == 0.8
    assert run.metadata.notes == ("dry floor",)
    table = run.read(["battery_voltage_uv", "left_current_ua"])
    first = round((25.2 - table["battery_voltage_uv"][0] * 1e-6) * 100)  # the board has printed since the first try
    lines = range(first, first + table.height)
    assert table["battery_voltage_uv"].to_list() == [round(volts(k) * 1e6) for k in lines]
    assert table["left_current_ua"].to_list() == [round(left(k) * 1e6) for k in lines]
    relative = path.relative_to(tmp_path)
    assert done.stderr.strip().splitlines()[-2:] == [
        f"Stopped: time reached. The run is in {relative}",
        f"Next: amptally report {relative}",
    ]


def test_bytes_that_made_no_sense_are_no_interrupted_recording(machine: Path, tmp_path: Path) -> None:
    """At a rate that was named they are recorded, and the next recording does not call that a run to be recovered."""
    garbage = PrintingBoard(lambda _: "", before=bytes(range(128, 256)) * 4, end="", speed=1)
    with plugged_in(garbage) as port:
        first = subprocess.Popen(
            [sys.executable, "-c", MAIN, "record", port, "--machine", machine.name, "--baud", "9600"],
            cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert first.stderr is not None
        while "no frame or text line is valid" not in first.stderr.readline():
            assert first.poll() is None
        first.send_signal(signal.SIGINT)
        assert first.wait(PATIENCE_S) == 130
        first.stderr.close()
    assert len(list((tmp_path / "runs").glob("*.journal"))) == 1
    with plugged_in(KNOWN) as port:
        second = amptally("record", port, "--machine", machine.name, "--for", "0.5", folder=tmp_path)
    assert second.returncode == 0, second.stderr
    assert "interrupted" not in second.stderr


def test_a_recording_that_heard_nothing_is_none_to_recover(machine: Path, tmp_path: Path) -> None:
    """Killed while it waited for a board: its journal holds no byte."""
    runs = tmp_path / "runs"
    runs.mkdir()
    JournalWriter(runs / "20261129T120000Z-0001.journal", {"run_id": "20261129T120000Z-0001"}).close()
    with plugged_in(KNOWN) as port:
        done = amptally("record", port, "--machine", machine.name, "--for", "0.5", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "interrupted" not in done.stderr


class Terminal:
    """A terminal in which a command runs: what it shows, and a keyboard."""

    def __init__(self, command: list[str], folder: Path) -> None:
        self._master, slave = os.openpty()
        self._shown = b""
        self._read = threading.Thread(target=self._watch, daemon=True)
        self.process = subprocess.Popen(
            command, stdin=slave, stdout=subprocess.PIPE, stderr=slave, cwd=folder, text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)}, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )  # fmt: skip
        self.slave = slave
        self._read.start()

    def _watch(self) -> None:
        while True:
            try:
                if select.select([self._master], [], [], 0.1)[0]:
                    self._shown += os.read(self._master, 4096)
                elif self.process.poll() is not None:
                    return
            except OSError:
                return

    def shows(self, text: str) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while text not in self._shown.decode(errors="replace"):
            assert time.monotonic() < deadline, self._shown.decode(errors="replace")[-2000:]
            time.sleep(0.01)

    def press(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()
        self._read.join(5)
        os.close(self.slave)
        os.close(self._master)


@contextmanager
def recording_on_terminal(port: str, folder: Path, *more: str) -> Iterator[Terminal]:
    command = [sys.executable, "-c", MAIN, "record", port, "--machine", "my cart.toml", *more]
    terminal = Terminal(command, folder)
    try:
        yield terminal
    finally:
        terminal.close()


def test_laps_and_notes_by_a_key(machine: Path, tmp_path: Path) -> None:
    assert machine.exists()
    with plugged_in(KNOWN) as port, recording_on_terminal(port, tmp_path, "--keep-journal") as terminal:
        terminal.shows("Keys: m marks a lap, n writes a note, q stops.")
        terminal.shows("samples/s")
        terminal.press("m")
        terminal.shows("mark 1.")
        pressed = [time.monotonic()]
        time.sleep(1.2)
        terminal.press("m")
        pressed.append(time.monotonic())
        terminal.shows("mark 2.")
        terminal.press("nslipperyx\x7f at the door µ\r")
        terminal.shows("note stored.")
        terminal.press("q")
        out, _ = terminal.process.communicate(timeout=PATIENCE_S)
        terminal.shows("Stopped: key q. The run is in ")
        terminal.shows("Next: amptally report ")
        assert terminal.process.returncode == 0
        modes = termios.tcgetattr(terminal.slave)[3]
        assert modes & termios.ECHO, "the terminal is as it was"
    path = tmp_path / out.strip().splitlines()[-1]
    run = Run.open(path)
    presses, lost = press_times([run.series("mark")])
    assert lost == 0
    assert len(presses) == 2
    assert presses[1] - presses[0] == pytest.approx(pressed[1] - pressed[0], abs=0.3)
    (note,) = run.metadata.notes
    assert note.startswith("at 0:0")
    assert note.endswith(": slippery at the door µ")
    again, metadata = recover(path.with_suffix(".journal"), tmp_path / "again.parquet")
    assert metadata.notes == run.metadata.notes
    recovered, _ = press_times([Run.open(again).series("mark")])
    # The journal may hold a press before or after lines that arrived at the same time.
    assert recovered == pytest.approx(presses, abs=0.15)


def test_without_a_terminal_there_are_no_keys(machine: Path, tmp_path: Path) -> None:
    with plugged_in(KNOWN) as port:
        done = amptally("record", port, "--machine", machine.name, "--for", "0.5", folder=tmp_path)
    assert done.returncode == 0
    assert "Keys:" not in done.stderr
    assert "mark" not in open_run(tmp_path / done.stdout.strip().splitlines()[-1]).columns


def test_the_terminal_is_as_it_was_after_ctrl_c(machine: Path, tmp_path: Path) -> None:
    assert machine.exists()
    with plugged_in(KNOWN) as port, recording_on_terminal(port, tmp_path) as terminal:
        terminal.shows("samples/s")
        terminal.press("\x03")
        terminal.process.communicate(timeout=PATIENCE_S)
        assert terminal.process.returncode == 130

        assert termios.tcgetattr(terminal.slave)[3] & (termios.ECHO | termios.ICANON) == termios.ECHO | termios.ICANON
