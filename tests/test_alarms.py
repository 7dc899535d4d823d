"""An alarm from the wire to the run file: told once, kept in the journal, there after a kill; and never in the way."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally import commands
from amptally.analysis.alarms.limits import watch_limits
from amptally.analysis.alarms.watch import WATCHED
from amptally.logger.channels import BY_SI_NAME
from amptally.logger.machine.description import load, parse
from amptally.logger.recording.alarms import MAX_ALARMS, MAX_WAITING_ROWS, Observers, alarm_of
from amptally.logger.recording.progress import Status
from amptally.logger.recording.recovery import recover
from amptally.logger.recording.run_builder import RunBuilder
from amptally.logger.recording.status_line import StatusLine
from amptally.logger.storage.journal import JournalReader, Record
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import open_run
from amptally.logger.wire.frames import INT64_NULL, Samples
from tests.logger.bench_board import INTERVAL_US, BenchBoard, bench_board
from tests.processes import running

CART = Path(__file__).parent.parent / "sample_runs" / "cart.toml"
MACHINE = """[machine]
name = "bench"
[fuse.left]
family = "blade_large"
rating_a = 40
ambient_c = 25
position = "supply_leg"
[controller]
minimum_v = 18
sensed = "supply_leg"
"""
RECORD = "import sys, amptally; sys.argv = ['amptally', *sys.argv[1:]]; sys.exit(amptally.main())"
posix = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[BenchBoard]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    with bench_board() as board:
        yield board


def drive(board: BenchBoard, seconds: float, left_a: float, volts: float = 24.0) -> bytes:
    """Frames of a steady stretch: right 5 A, battery their sum."""
    data = b""
    for _ in range(round(seconds * 1e6 / INTERVAL_US / 50)):
        row = np.array([(left_a + 5) * 1e6, volts * 1e6, left_a * 1e6, 5e6], "<i4")
        rows = np.tile(row, (50, 1))
        data += board.frame(Samples(1, board.boot, board.sent * INTERVAL_US, INTERVAL_US, rows.tobytes(), 50))
        board.sent += 50
    return data


def recording(board: BenchBoard, tmp_path: Path, *more: str) -> AbstractContextManager[subprocess.Popen[str]]:
    (tmp_path / "m.toml").write_text(MACHINE)
    command = [sys.executable, "-c", RECORD, "record", board.path, "--machine", str(tmp_path / "m.toml")]
    return running(
        [*command, "--out", str(tmp_path / "runs"), *more], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def spike(board: BenchBoard) -> None:
    """Two quiet seconds, half a second of 130 A in the left leg, fifteen more seconds."""
    board.wait_for_start()
    board.write(board.describe() + drive(board, 2.0, 10.0) + drive(board, 0.5, 130.0) + drive(board, 15.0, 10.0))


def check_the_spike(alarms: tuple[dict[str, Any], ...]) -> None:
    assert [alarm["code"] for alarm in alarms] == ["fuse_near", "fuse_inside"]
    for alarm in alarms:
        assert set(alarm) == {"at_s", "code", "severity", "text", "value", "limit", "unit", "worst", "ended_s"}
        # How fast a fuse cools its rows hardly say: what they allow falls slowly.
        assert 2.0 < alarm["at_s"] < 2.5 < alarm["ended_s"] < (16 if alarm["code"] == "fuse_near" else 5.5)
        assert alarm["worst"] >= alarm["value"] >= alarm["limit"]
        # 130 A for 0.5 s on 39.33 A: the rows promise 2.2136 × that (TM5), the network 2.70 ×; 10 A before and after
        allowed_a = (2.2136 if alarm["code"] == "fuse_near" else 2.70) * 39.33
        assert alarm["worst"] == pytest.approx(130 / allowed_a, rel=0.05)
        assert "Left fuse" in alarm["text"]


@posix
def test_a_spike_is_told_once_and_is_in_the_run_file(board: BenchBoard, tmp_path: Path) -> None:
    with recording(board, tmp_path, "--for", "17") as process:
        spike(board)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    told = [line for line in err.splitlines() if line.startswith("Alarm at ")]
    assert len(told) == 2, err
    assert "fuse may open" in told[1]
    assert "\a" not in err  # no terminal, no bell
    metadata = open_run(Path(out.strip().splitlines()[-1])).metadata
    check_the_spike(metadata.alarms)
    assert metadata.faults == {}


@posix
def test_a_killed_recording_keeps_its_alarms(board: BenchBoard, tmp_path: Path) -> None:
    with recording(board, tmp_path) as process:
        spike(board)
        deadline = time.monotonic() + 10
        while len(ended_notes(tmp_path / "runs")) < 2:
            assert time.monotonic() < deadline
            time.sleep(0.05)
        process.kill()
        process.wait()
    (journal,) = (tmp_path / "runs").glob("*.journal")
    path, metadata = recover(journal, None)
    check_the_spike(metadata.alarms)
    assert open_run(path).metadata.alarms == metadata.alarms


def ended_notes(folder: Path) -> list[dict[str, Any]]:
    """Notes of alarms that have ended, in the journals of a folder."""
    records = [record for journal in folder.glob("*.journal") for record in JournalReader(journal)]
    notes = [json.loads(r.payload) for r in records if isinstance(r, Record) and r.kind == "note"]
    return [note for note in notes if note["what"] == "alarm" and note["ended_s"] is not None]


@posix
def test_a_quiet_drive_has_none(board: BenchBoard, tmp_path: Path) -> None:
    with recording(board, tmp_path, "--for", "2") as process:
        board.wait_for_start()
        board.write(board.describe() + drive(board, 2.2, 30.0))
        out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert "Alarm" not in err
    assert open_run(Path(out.strip().splitlines()[-1])).metadata.alarms == ()


def bytes_of(board: BenchBoard) -> Record:
    return Record("bytes", 0, board.describe() + drive(board, 1.0, 10.0))


def header() -> Metadata:
    return Metadata("bench-1")


def test_an_observer_that_fails_costs_nothing_but_itself(tmp_path: Path) -> None:
    seen: list[int] = []

    def broken(run_us: Any, columns: Any) -> None:  # noqa: ARG001 (the form of an observer)
        raise ZeroDivisionError("one over none")

    def sound(run_us: Any, columns: Any) -> None:  # noqa: ARG001 (the same)
        seen.extend(run_us.tolist())

    builder = RunBuilder(tmp_path, "bench-1", observers=(broken, sound))
    board = BenchBoard(-1, -1, "")
    builder.accept([bytes_of(board)])
    assert builder.observe() == []
    builder.accept([Record("bytes", 1, drive(board, 1.0, 10.0))])
    metadata = builder.finish(tmp_path / "run.parquet", header(), "test")
    assert metadata is not None
    assert metadata.faults == {"observer": 1}
    assert builder.trouble == ["unexpected ZeroDivisionError: one over none"]
    assert open_run(tmp_path / "run.parquet").rows == 1000
    assert seen == [number * INTERVAL_US for number in range(1000)]


def alarm(number: int, **more: Any) -> dict[str, Any]:
    base = {"number": number, "at_s": 1.0, "code": "receiver_low", "severity": "danger", "text": "Low", "unit": "V"}
    return {**base, "value": 3.9, "limit": 4.0, "worst": 3.9, "ended_s": None, **more}


def test_the_latest_note_of_an_alarm_stands_and_what_is_none_is_passed_over(tmp_path: Path) -> None:
    builder = RunBuilder(tmp_path, "bench-1")
    builder.accept([bytes_of(BenchBoard(-1, -1, ""))])
    for note in (alarm(1, at_s=5.0), alarm(0), alarm(0, worst=3.1, ended_s=2.0), {"number": 3}, alarm(2, value=None)):
        builder.accept([Record("note", 0, json.dumps({"what": "alarm", **note}).encode())])
    builder.accept([Record("note", 0, json.dumps(alarm(4)).encode())])
    builder.accept([Record("note", 0, b'{"what": "alarm", "number": 5, "at_s": NaN}')])
    metadata = builder.finish(tmp_path / "run.parquet", header(), "test")
    assert metadata is not None
    assert [(found["at_s"], found["worst"], found["ended_s"]) for found in metadata.alarms] == [
        (1.0, 3.1, 2.0), (5.0, 3.9, None),
    ]  # fmt: skip
    assert open_run(tmp_path / "run.parquet").metadata.alarms == metadata.alarms


VALUES = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from(["", "é\n\0", "x" * 400, "x" * 401, [], {}])
)


@given(st.dictionaries(st.sampled_from([*alarm(0), "other"]), VALUES))
def test_whatever_a_note_holds_gives_an_alarm_that_can_be_written_or_none(note: dict[str, Any]) -> None:
    for candidate in (note, {**alarm(7), **note}):
        found = alarm_of(candidate)
        if found is not None:
            assert found.keys() == alarm(0).keys()
            assert 0 <= found["number"] < MAX_ALARMS
            text = Metadata("bench-1", alarms=(found,)).to_json()
            assert len(text) < 10_000
    assert alarm_of(alarm(7)) == alarm(7)


def test_samples_wait_for_their_observers_but_not_without_bound() -> None:
    seen: list[int] = []

    def count(run_us: Any, columns: Any) -> None:  # noqa: ARG001 (the form of an observer)
        seen.append(len(run_us))

    observers = Observers((count,))
    for start in range(10 * MAX_WAITING_ROWS // 50):
        observers.add(np.arange(start * 50, start * 50 + 50), {"mark": np.zeros(50, np.int64)})
    assert sum(seen) >= 9 * MAX_WAITING_ROWS
    assert max(seen) < MAX_WAITING_ROWS + 50
    observers.add(np.arange(3), {"mark": np.zeros(3, np.int64), "left_current_ua": np.zeros(3, np.int64)})
    observers.alarms()
    assert sum(seen) == 10 * MAX_WAITING_ROWS // 50 * 50 + 3
    assert seen[-1] == 3  # other columns, another batch


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def status(alarms: int) -> Status:
    return Status(1.0, 1.0, 500, 500.0, {}, {}, 0, 0, alarms, "receiver_low" if alarms else "")


def test_the_bell_rings_once_for_each_new_alarm_and_only_on_a_terminal() -> None:
    terminal = Terminal()
    line = StatusLine(parse(MACHINE, "m.toml"), terminal)
    for alarms, rung in ((0, 0), (1, 1), (1, 1), (3, 2), (3, 2)):
        line.show(status(alarms))
        assert terminal.getvalue().count("\a") == rung
    assert "3 alarms, last receiver_low" in terminal.getvalue()
    plain = io.StringIO()
    StatusLine(parse(MACHINE, "m.toml"), plain).show(status(1))
    assert "\a" not in plain.getvalue()


def test_what_is_watched_comes_from_the_machine_file_alone() -> None:
    limits = watch_limits(load(CART))
    # sample_runs/cart.toml: 40, 40 and 80 A type E, at 25 °C usable to 39.33 / 40 (data sheet p 3, second-hand)
    assert {fuse.place: round(fuse.derated_a, 2) for fuse in limits.fuses} == {
        "left": 39.33, "right": 39.33, "main": 78.67,
    }  # fmt: skip
    assert [(limit.supply, limit.minimum_v) for limit in limits.voltages] == [
        ("battery", 21.0), ("lower_block", 10.5), ("upper_block", 10.5), ("controller_supply", 18.0),
        ("controller_supply", 19.0), ("receiver_supply", 4.0),
    ]  # fmt: skip
    assert limits.balance is not None
    assert limits.full_scale_a == {"battery": 200.0, "left": 200.0, "right": 200.0}
    empty = watch_limits(parse("", "m.toml"))
    assert (empty.fuses, empty.voltages, empty.balance, dict(empty.full_scale_a)) == ((), (), None, {})
    parallel = parse(
        '[battery]\nblocks = 2\narrangement = "parallel"\ncutoff_v = 10.5\n[bms]\ncutoff_v = 10.8\n'
        '[controller]\nsensed = "motor_lead"\n[sensors.battery_current]\noffset = 0.2\n',
        "m.toml",
    )
    limits = watch_limits(parallel)
    assert [(limit.supply, limit.minimum_v) for limit in limits.voltages] == [("battery", 10.5), ("battery", 10.8)]
    assert limits.balance is None
    assert limits.corrections == {"battery_current_a": (0.2, 0.0)}


def test_the_observer_reads_storage_units_and_nulls() -> None:
    assert set(WATCHED) <= set(BY_SI_NAME)
    (see,) = commands.observers(load(CART))
    run_us = np.arange(1000, dtype=np.int64) * 2000
    volts = np.full(1000, 5_000_000, np.int64)
    volts[500:520] = 3_700_000
    volts[100:200] = INT64_NULL
    found = see(run_us, {"receiver_voltage_uv": volts, "mark": np.zeros(1000, np.int64)})
    assert found is not None
    (raised,) = (alarm_of(entry) for entry in found)
    assert raised is not None
    assert (raised["code"], raised["value"], raised["at_s"]) == ("receiver_low", pytest.approx(3.7), 1.02)


def test_a_fuse_that_cannot_be_watched_is_said_with_the_reason(capsys: pytest.CaptureFixture[str]) -> None:
    text = """
[fuse.main]
family = "blade_large"
rating_a = 60
[fuse.left]
family = "blade_medium"
position = "motor_lead"
[fuse.right]
family = "blade_medium"
position = "supply_leg"
[controller]
sensed = "supply_leg"
"""
    commands.observers(parse(text, "m.toml"))
    assert capsys.readouterr().err == (
        "Not watched by alarms: fuse left (its current is measured elsewhere), fuse right (its rating is not given).\n"
    )
    commands.observers(load(CART))
    commands.observers(parse("", "m.toml"))
    assert capsys.readouterr().err == ""
