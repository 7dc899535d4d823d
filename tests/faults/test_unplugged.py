"""The cable pulled and plugged in again, under the same name or another one; a serial server that hangs up."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial.tools.list_ports

from amptally.logger.recording import recorder as recorder_module
from amptally.logger.recording.ports import SocketPort
from tests.faults.checks import numbers, sound
from tests.faults.harness import SocketBoard, ThreadRecorder, options
from tests.logger.bench_board import BenchBoard, bench_board


class Bus:
    """What the system lists as USB serial ports, and boards plugged into them."""

    def __init__(self, stack: ExitStack) -> None:
        self._stack = stack
        self._listed: dict[str, SimpleNamespace] = {}

    def comports(self, include_links: bool = False) -> list[SimpleNamespace]:  # noqa: ARG002 (pyserial's own form)
        return list(self._listed.values())

    def plug_in(self, serial_number: str | None, vendor: int = 0x1234, sent: int = 0) -> BenchBoard:
        board = self._stack.enter_context(bench_board())
        board.sent, board.sequence = sent, sent // 10
        entry = SimpleNamespace(device=board.path, vid=vendor, pid=1, serial_number=serial_number, description="x")
        self._listed[board.path] = entry
        return board

    def pull(self, board: BenchBoard) -> None:
        del self._listed[board.path]
        board.unplug()


@pytest.fixture
def bus(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bus]:
    with ExitStack() as stack:
        found = Bus(stack)
        monkeypatch.setattr(serial.tools.list_ports, "comports", found.comports)
        yield found


def begin(board: BenchBoard, out: Path, port: str | None = None) -> ThreadRecorder:
    recorder = ThreadRecorder(options(port or board.path, out))
    board.wait_for_start()
    board.write(board.describe() + board.samples(100))
    recorder.wait_for(lambda: recorder.seen == 100)
    return recorder


def go_on(board: BenchBoard, recorder: ThreadRecorder) -> None:
    board.wait_for_start()
    board.write(board.describe() + board.samples(100))
    recorder.wait_for(lambda: recorder.seen == 200)


def one_run_with_a_gap(recorder: ThreadRecorder, out: Path) -> None:
    outcome = recorder.stop(out)
    assert outcome.exit_code == 0
    assert outcome.path is not None
    run = sound(outcome.path)
    assert numbers(run) == [*range(100), *range(600, 700)]
    assert [(gap.kind, gap.start_s, gap.end_s) for gap in run.metadata.gaps] == [("unplugged", 0.198, 1.2)]


def test_the_same_name(bus: Bus, tmp_path: Path) -> None:
    board = bus.plug_in("A1")
    link = tmp_path / "by-id"
    link.symlink_to(board.path)
    recorder = begin(board, tmp_path / "runs", str(link))
    again = bus.plug_in("A1", sent=600)
    bus.pull(board)
    recorder.wait_for(lambda: any("Waiting up to ten minutes" in text for text in recorder.said))
    link.unlink()
    link.symlink_to(again.path)
    go_on(again, recorder)
    one_run_with_a_gap(recorder, tmp_path / "runs")


def test_another_name(bus: Bus, tmp_path: Path) -> None:
    board = bus.plug_in("A1")
    recorder = begin(board, tmp_path)
    bus.plug_in("B2")
    bus.pull(board)
    again = bus.plug_in("A1", sent=600)
    go_on(again, recorder)
    assert any(f"is back as {again.path}" in text for text in recorder.said)
    one_run_with_a_gap(recorder, tmp_path)


def test_another_name_without_a_serial_number(bus: Bus, tmp_path: Path) -> None:
    """Vendor and product must do then; an adapter of the same kind that was there all along is not ours."""
    board = bus.plug_in(None)
    twin = bus.plug_in(None)
    recorder = begin(board, tmp_path)
    bus.pull(board)
    time.sleep(1.0)
    twin.listen()
    assert twin.commands == []
    again = bus.plug_in(None, sent=600)
    go_on(again, recorder)
    twin.listen()
    assert twin.commands == []
    one_run_with_a_gap(recorder, tmp_path)


def test_two_new_ones_that_nothing_tells_apart_are_left_alone(
    bus: Bus, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 1.0)
    board = bus.plug_in(None)
    recorder = begin(board, tmp_path)
    new = [bus.plug_in(None), bus.plug_in(None)]
    bus.pull(board)
    outcome = recorder.result()
    assert [each.commands for each in new] == [[], []]
    assert outcome.exit_code == 4
    assert outcome.path is not None
    assert numbers(sound(outcome.path)) == list(range(100))


def test_another_device_under_the_old_name_is_not_read(
    bus: Bus, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "RETRY_S", 1.0)
    board = bus.plug_in("A1")
    link = tmp_path / "ttyUSB0"
    link.symlink_to(board.path)
    recorder = begin(board, tmp_path / "runs", str(link))
    other = bus.plug_in("B2")
    link.unlink()
    link.symlink_to(other.path)
    bus.pull(board)
    outcome = recorder.result()
    other.listen()
    assert other.commands == []
    assert outcome.exit_code == 4


def test_a_serial_server_that_hangs_up(tmp_path: Path) -> None:
    server = SocketBoard()
    recorder = ThreadRecorder(options(server.url, tmp_path))
    board = server.accept()
    recorder.wait_for(lambda: recorder.seen > 100)
    server.hang_up()
    assert board.written <= board.taken
    recorder.wait_for(lambda: any("closed by the other side" in text for text in recorder.said))
    server.accept(taken=2000, sequence=300)
    seen = recorder.seen
    recorder.wait_for(lambda: recorder.seen > seen + 100)
    outcome = recorder.stop(tmp_path)
    server.close()
    assert outcome.path is not None
    run = sound(outcome.path)
    assert [gap.kind for gap in run.metadata.gaps] == ["unplugged"]
    found = numbers(run)
    assert found[:100] == list(range(100))
    assert found[-100:] == list(range(found[-1] - 99, found[-1] + 1))


def test_a_serial_server_without_power_is_noticed() -> None:
    """No goodbye comes then. Only the system can find out: it asks the other side after a silence of seconds."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = SocketPort(f"socket://127.0.0.1:{server.getsockname()[1]}")
        found = port._socket
        assert found.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        if hasattr(socket, "TCP_KEEPIDLE"):
            idle, every, tries = (
                found.getsockopt(socket.IPPROTO_TCP, getattr(socket, f"TCP_KEEP{what}"))
                for what in ("IDLE", "INTVL", "CNT")
            )
            assert idle + every * tries <= 15
        port.close()
