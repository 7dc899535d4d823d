"""Recording over a real pseudo-terminal: kept whatever happens, and said so."""

from __future__ import annotations

import binascii
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from amptally.logger.errors import JournalError, PortError, StorageError
from amptally.logger.machine.description import parse
from amptally.logger.recording import recorder as recorder_module
from amptally.logger.recording.lock import PortLock, lock_folder
from amptally.logger.recording.recorder import Options, Outcome, Recorder
from amptally.logger.recording.recovery import recover
from amptally.logger.storage.journal import JournalReader, Record
from amptally.logger.storage.runfile import open_run
from amptally.logger.wire.frames import cobs_encode
from tests.logger.bench_board import BenchBoard, bench_board
from tests.processes import running

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
MACHINE = parse('[machine]\nname = "bench"\n', "bench.toml")


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[BenchBoard]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    with bench_board() as board:
        yield board


def options(board: BenchBoard, out: Path, **more: object) -> Options:
    return Options(port=board.path, baud=115_200, out=out, machine=MACHINE, **more)  # type: ignore[arg-type]


class Recording:
    """A recorder in a thread of its own, with everything it said."""

    def __init__(self, wanted: Options) -> None:
        self.said: list[str] = []
        self.seen = 0
        self.recorder = Recorder(wanted, observers=(self._observe,), say=self.said.append)
        self.outcome: Outcome | None = None
        self.error: Exception | None = None
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def _observe(self, _: object, columns: dict[str, object]) -> None:
        self.seen += len(columns["battery_current_ua"])  # type: ignore[arg-type]

    def _run(self) -> None:
        try:
            self.outcome = self.recorder.run()
        except Exception as error:
            self.error = error

    def wait_for(self, ready: Callable[[], bool], timeout_s: float = 120.0) -> None:
        deadline = time.monotonic() + timeout_s
        while not ready():
            assert time.monotonic() < deadline, f"waited in vain; said {self.said}, error {self.error}"
            time.sleep(0.01)

    def result(self) -> Outcome:
        self.thread.join(120)
        assert not self.thread.is_alive()
        assert self.outcome is not None, self.error
        return self.outcome


def ask_to_stop(out: Path) -> None:
    next(out.glob("*.journal")).with_suffix(".stop").touch()


def test_a_run_is_recorded_whole(board: BenchBoard, tmp_path: Path) -> None:
    recording = Recording(options(board, tmp_path, for_s=1.0, notes=("wet floor",), start_charge=1.0, rested_h=9.0))
    board.wait_for_start()
    board.write(board.describe())
    for _ in range(60):
        board.write(board.samples())
    outcome = recording.result()
    assert outcome.exit_code == 0
    assert outcome.path is not None
    run = open_run(outcome.path)
    table = run.read(["battery_current_ua", "battery_voltage_uv"])
    assert run.rows == 501
    assert table["t_us"].to_list() == [place * 2_000 for place in range(501)]
    assert table["battery_current_ua"].to_list() == [place * 1_000 for place in range(501)]
    assert run.metadata.notes == ("wet floor",)
    assert (run.metadata.start_charge, run.metadata.rested_h) == (1.0, 9.0)
    assert run.metadata.faults == {}
    assert run.metadata.stop_reason == "time reached"
    assert run.metadata.machine == MACHINE.text
    assert recording.seen == 501
    assert not list(tmp_path.glob("*.journal"))
    assert not list((tmp_path / "state" / "amptally").glob("*"))


def test_metadata_names_no_host_user_or_path(board: BenchBoard, tmp_path: Path) -> None:
    recording = Recording(options(board, tmp_path, for_s=0.1))
    board.wait_for_start()
    board.write(board.describe() + board.samples(100))
    path = recording.result().path
    assert path is not None
    text = open_run(path).metadata.to_json()
    for word in (os.uname().nodename, str(tmp_path), board.path, str(Path.home())):
        assert word not in text


def test_faults_in_the_metadata_equal_what_was_injected(board: BenchBoard, tmp_path: Path) -> None:
    recording = Recording(options(board, tmp_path, for_s=0.5))
    board.wait_for_start()
    board.write(board.describe())
    for place in range(40):
        data = board.samples()
        if place in (5, 6):
            continue  # two frames lost
        if place == 12:
            data = data[:8] + bytes([data[8] ^ 1 or 2]) + data[9:]
        board.write(data + (data if place == 20 else b""))
    path = recording.result().path
    assert path is not None
    run = open_run(path)
    broken = run.metadata.faults.get("crc", 0) + run.metadata.faults.get("cobs", 0)
    assert broken == 1
    assert run.metadata.faults["sequence"] == 3
    assert run.metadata.faults["duplicate"] == 1
    assert [(gap.kind, round(gap.end_s - gap.start_s, 3)) for gap in run.metadata.gaps if gap.end_s] == [
        ("link", 0.042), ("link", 0.022),
    ]  # fmt: skip
    assert run.rows == 251 - 30


def test_unplugged_and_plugged_in_again_is_one_run_with_a_gap(board: BenchBoard, tmp_path: Path) -> None:
    link = tmp_path / "board"
    link.symlink_to(board.path)
    wanted = Options(port=str(link), baud=115_200, out=tmp_path / "runs", machine=MACHINE)
    recording = Recording(wanted)
    board.wait_for_start()
    board.write(board.describe() + board.samples(100))
    recording.wait_for(lambda: recording.seen == 100)
    with bench_board() as again:
        board.unplug()
        recording.wait_for(lambda: any("disconnected" in text for text in recording.said))
        link.unlink()
        link.symlink_to(again.path)
        again.sent, again.sequence = 600, 50
        again.wait_for_start()
        again.write(again.describe() + again.samples(100))
        recording.wait_for(lambda: recording.seen == 200)
        ask_to_stop(tmp_path / "runs")
        outcome = recording.result()
    assert outcome.exit_code == 0
    assert outcome.path is not None
    run = open_run(outcome.path)
    assert run.rows == 200
    assert [(gap.kind, gap.start_s, gap.end_s) for gap in run.metadata.gaps] == [("unplugged", 0.198, 1.2)]


def test_still_missing_after_the_retries_keeps_the_run(
    board: BenchBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.5)
    recording = Recording(options(board, tmp_path))
    board.wait_for_start()
    board.write(board.describe() + board.samples(100))
    recording.wait_for(lambda: recording.seen == 100)
    board.unplug()
    outcome = recording.result()
    assert outcome.exit_code == 4
    assert outcome.path is not None
    assert open_run(outcome.path).rows == 100


def test_board_reset_goes_on_in_the_same_run(board: BenchBoard, tmp_path: Path) -> None:
    recording = Recording(options(board, tmp_path))
    board.wait_for_start()
    board.write(board.describe() + board.samples(100))
    recording.wait_for(lambda: recording.seen == 100)
    time.sleep(0.3)
    board.boot, board.sequence, board.sent = 2, 0, 0
    board.write(board.describe() + board.samples(100))
    recording.wait_for(lambda: recording.seen == 200)
    ask_to_stop(tmp_path)
    path = recording.result().path
    assert path is not None
    run = open_run(path)
    assert run.metadata.faults["reset"] == 1
    (gap,) = run.metadata.gaps
    assert gap.kind == "reset"
    assert gap.end_s is not None
    assert 0.05 < gap.end_s - gap.start_s < 60  # by host time, however slow the host; the board time went back
    assert (run.read([])["t_us"].diff().drop_nulls() > 0).all()


def test_garbage_is_reported_and_stored(board: BenchBoard, tmp_path: Path) -> None:
    recording = Recording(options(board, tmp_path))
    board.wait_for_start()
    for _ in range(30):
        board.write(bytes(range(1, 200)))
    recording.wait_for(lambda: any("baud rate is wrong" in text for text in recording.said))
    ask_to_stop(tmp_path)
    outcome = recording.result()
    assert outcome.path is None
    assert outcome.exit_code == 4
    assert outcome.journal is not None
    kept = b"".join(r.payload for r in JournalReader(outcome.journal) if isinstance(r, Record) and r.kind == "bytes")
    assert kept == bytes(range(1, 200)) * 30
    with pytest.raises(JournalError, match="no sample"):
        recover(outcome.journal, None)


def test_disk_nearly_full_stops_cleanly(board: BenchBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recording = Recording(options(board, tmp_path))
    board.wait_for_start()
    board.write(board.describe() + board.samples(100))
    recording.wait_for(lambda: recording.seen == 100)
    monkeypatch.setattr(recorder_module, "free_bytes", lambda _: 300 << 20)
    recording.wait_for(lambda: any("Free some space" in text for text in recording.said))
    monkeypatch.setattr(recorder_module, "free_bytes", lambda _: 5 << 20)
    outcome = recording.result()
    assert outcome.exit_code == 5
    assert outcome.path is not None
    assert open_run(outcome.path).rows == 100


def test_no_port_is_one_line_and_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    wanted = Options(port=str(tmp_path / "ttyNONE"), baud=115_200, out=tmp_path / "runs", machine=MACHINE)
    with pytest.raises(PortError, match="amptally ports"):
        Recorder(wanted).run()
    assert list((tmp_path / "runs").iterdir()) == []


def test_a_second_recorder_is_refused(board: BenchBoard, tmp_path: Path) -> None:
    journal = tmp_path / "first.journal"
    journal.touch()
    code = (
        "import sys, time; from pathlib import Path; from amptally.logger.recording.lock import PortLock;"
        "PortLock(sys.argv[1], Path(sys.argv[2])); print('held', flush=True); time.sleep(60)"
    )
    command = [sys.executable, "-c", code, board.path, str(journal)]
    with running(command, stdout=subprocess.PIPE, text=True) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == "held\n"
        with pytest.raises(PortError, match=str(first.pid)):
            Recorder(options(board, tmp_path)).run()
        first.kill()
        first.wait()
    lock = PortLock(board.path, journal)  # the holder is gone: its lock is stale
    assert json.loads(next(lock_folder().glob("*.lock")).read_text())["pid"] == os.getpid()
    lock.release()


def test_a_folder_that_cannot_be_made(board: BenchBoard, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(StorageError, match="--out"):
        Recorder(options(board, tmp_path / "file" / "runs")).run()


FRAME_S = 0.02
"""Ten samples, 2 ms apart."""


def wait_until(ready: Callable[[], bool], patience_s: float = 120.0) -> None:
    """Only what hangs is waited for so long."""
    end_s = time.monotonic() + patience_s
    while not ready():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.01)


def journalled_bytes(out: Path) -> int:
    """Bytes from the board that the journals in a folder hold by now."""
    records = [found for journal in out.glob("*.journal") for found in JournalReader(journal)]
    return sum(len(found.payload) for found in records if isinstance(found, Record) and found.kind == "bytes")


RECORD = "import sys, amptally; sys.argv = ['amptally', *sys.argv[1:]]; sys.exit(amptally.main())"


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 143)])
def test_signals_keep_the_run(board: BenchBoard, tmp_path: Path, number: int, code: int) -> None:
    (tmp_path / "m.toml").write_text(MACHINE.text)
    command = [sys.executable, "-c", RECORD, "record", board.path, "--machine", str(tmp_path / "m.toml")]
    command += ["--out", str(tmp_path / "runs"), "--keep-journal"]
    # Tests that run under nohup pass on that a hang-up is ignored, and rightly the recorder goes on ignoring it.
    heard = partial(signal.signal, number, signal.SIG_DFL)
    pipe = subprocess.PIPE
    with running(command, stdout=pipe, stderr=pipe, text=True, preexec_fn=heard) as process:
        board.wait_for_start()
        data = board.describe() + board.samples(100)
        board.write(data)
        wait_until(lambda: process.poll() is not None or journalled_bytes(tmp_path / "runs") == len(data))
        process.send_signal(number)
        out, err = process.communicate(timeout=120)
    assert process.returncode == code, err
    path = Path(out.strip().splitlines()[-1])
    assert open_run(path).rows == 100
    assert path.with_suffix(".journal").exists()


@pytest.mark.parametrize("after_s", [0.7, 1.1, 1.6])
def test_kill_and_recover_loses_at_most_half_a_second(board: BenchBoard, tmp_path: Path, after_s: float) -> None:
    """The kill comes once all but the last half second is in the journal: at once, unless the machine is busy."""
    (tmp_path / "m.toml").write_text(MACHINE.text)
    out = tmp_path / "runs"
    command = [sys.executable, "-c", RECORD, "record", board.path, "--machine", str(tmp_path / "m.toml")]
    command += ["--out", str(out), "--note", "killed"]
    with running(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        board.wait_for_start()
        frames = [board.describe()]
        board.write(frames[0])
        for _ in range(round(after_s / FRAME_S)):
            frames.append(board.samples())
            board.write(frames[-1])
            time.sleep(FRAME_S)
        half_a_second = round(0.5 / FRAME_S)
        safe = len(b"".join(frames[:-half_a_second]))
        wait_until(lambda: process.poll() is not None or journalled_bytes(out) >= safe)
        process.kill()
        process.wait()
    (journal,) = out.glob("*.journal")
    path, metadata = recover(journal, None)
    run = open_run(path)
    assert board.sent - run.rows <= 0.5 / 0.002
    assert run.rows > 0
    assert run.read(["battery_current_ua"])["battery_current_ua"].to_list() == [1_000 * k for k in range(run.rows)]
    assert metadata.notes == ("killed",)
    assert metadata.machine == MACHINE.text
    assert journal.exists()
    assert recover(journal, None)[0] == path  # again is harmless
    assert sorted(p.name for p in out.iterdir()) == sorted([journal.name, path.name])


def test_recover_refuses_a_journal_that_is_being_written(board: BenchBoard, tmp_path: Path) -> None:
    recording = Recording(options(board, tmp_path))
    board.wait_for_start()
    board.write(board.describe() + board.samples(100))
    recording.wait_for(lambda: recording.seen == 100)
    with pytest.raises(JournalError, match="still being recorded"):
        recover(next(tmp_path.glob("*.journal")), None)
    ask_to_stop(tmp_path)
    assert recording.result().exit_code == 0


def test_replay_gives_the_same_run(board: BenchBoard, tmp_path: Path) -> None:
    recording = Recording(options(board, tmp_path / "a", keep_journal=True))
    board.wait_for_start()
    board.write(board.describe() + board.samples(100))
    recording.wait_for(lambda: recording.seen == 100)
    ask_to_stop(tmp_path / "a")
    first = recording.result()
    assert first.path is not None
    wanted = Options(f"replay://{first.journal}?speed=0", 115_200, tmp_path / "b", MACHINE)
    outcome = Recorder(wanted).run()
    assert outcome.exit_code == 0
    assert outcome.path is not None
    assert open_run(outcome.path).read(["battery_current_ua"]).equals(open_run(first.path).read(["battery_current_ua"]))


def test_a_board_that_can_only_print(board: BenchBoard, tmp_path: Path) -> None:
    recording = Recording(options(board, tmp_path, for_s=0.4))
    board.wait_for_start()
    lines = ["time_ms,battery_current_a,battery_voltage_v"]
    lines += [f"{20 * place},{place / 10:.1f},24.5" for place in range(25)]
    board.write(("\r\n".join(lines) + "\r\n").encode())
    outcome = recording.result()
    assert outcome.path is not None
    table = open_run(outcome.path).read(["battery_current_ua", "battery_voltage_uv"])
    assert table["t_us"].to_list() == [20_000 * place for place in range(21)]
    assert table["battery_current_ua"].to_list() == [100_000 * place for place in range(21)]
    assert set(table["battery_voltage_uv"]) == {24_500_000}


def test_a_newer_board_is_distinguished_from_a_wrong_baud_rate(board: BenchBoard, tmp_path: Path) -> None:
    recording = Recording(options(board, tmp_path))
    board.wait_for_start()
    body = b"\x02\x01\x00\x00newer"
    board.write(cobs_encode(body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little")) + b"\0")
    recording.wait_for(lambda: any("newer version" in text for text in recording.said))
    ask_to_stop(tmp_path)
    assert recording.result().exit_code == 4
