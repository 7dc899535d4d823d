"""Serial servers of RFC 2217: pyserial's own server end, and servers that negotiate for ever, refuse or hang up."""

from __future__ import annotations

import socket
import struct
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
import serial
from serial.rfc2217 import PortManager

from amptally.logger.recording import ports as ports_module
from amptally.logger.recording import recorder as recorder_module
from amptally.logger.recording.ports import PortGone, PortMissing, open_port
from amptally.logger.recording.rfc2217 import MAX_SUBNEGOTIATION, ComPortClient
from tests.faults.checks import numbers, sound
from tests.faults.harness import PATIENCE_S, ThreadRecorder, live_board, options
from tests.logger.bench_board import bench_board

IAC, SB, SE, WILL, DO, DONT = 255, 250, 240, 251, 253, 254  # RFC 854
COM_PORT = 44  # RFC 2217


class _Connection:
    """What PortManager writes to."""

    def __init__(self, peer: socket.socket) -> None:
        self._peer = peer
        self._lock = threading.Lock()

    def write(self, data: bytes) -> None:
        with self._lock:
            self._peer.sendall(data)


class SerialServer:
    """A serial device behind pyserial's server end, one reader at a time, as its example of such a server does it."""

    def __init__(self, device: str) -> None:
        self._line = serial.Serial(device, 9600, timeout=0.02)
        # A pseudo-terminal has no modem lines.
        self._line.__class__ = type(
            "Line", (serial.Serial,), dict.fromkeys(("cts", "dsr", "ri", "cd", "dtr", "rts"), False)
        )
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.1)
        self.url = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self._over = threading.Event()
        self._hang_up = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    @property
    def baud(self) -> int:
        return int(self._line.baudrate)

    def hang_up(self) -> None:
        self._hang_up.set()

    def _serve(self) -> None:
        while not self._over.is_set():
            try:
                peer, _ = self._listener.accept()
            except TimeoutError:
                continue
            with peer:
                self._hang_up.clear()
                self._talk(peer)

    def _talk(self, peer: socket.socket) -> None:
        connection = _Connection(peer)
        manager = PortManager(self._line, connection)
        peer.settimeout(0.01)
        while not (self._over.is_set() or self._hang_up.is_set()):
            sent = self._line.read(self._line.in_waiting or 1)
            try:
                if sent:
                    connection.write(b"".join(manager.escape(sent)))
                asked = peer.recv(1024)
            except TimeoutError:
                continue
            except OSError:
                return
            if not asked:
                return
            self._line.write(b"".join(manager.filter(asked)))

    def close(self) -> None:
        self._over.set()
        self._thread.join(5)
        self._listener.close()
        self._line.close()


@contextmanager
def server_of(talk: Callable[[socket.socket], None]) -> Iterator[tuple[str, list[float]]]:
    """A server on loopback that treats each reader with `talk`; its address, and when readers came."""
    listener = socket.create_server(("127.0.0.1", 0))
    came: list[float] = []

    def serve() -> None:
        while True:
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            came.append(time.monotonic())
            with peer:
                try:
                    talk(peer)
                    peer.shutdown(socket.SHUT_WR)
                    while peer.recv(4096):
                        continue
                except OSError:
                    continue

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"127.0.0.1:{listener.getsockname()[1]}", came
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        thread.join(5)
        listener.close()


def test_a_recording_through_a_serial_server(tmp_path: Path) -> None:
    """Every byte value passes, 255 among them: sample 255 has 255,000 µA, and the CRCs have all values."""
    with live_board() as (board, device), closing(SerialServer(device)) as server:
        recorder = ThreadRecorder(options(server.url, tmp_path))
        recorder.wait_for(lambda: recorder.seen > 1000)
        outcome = recorder.stop(tmp_path)
        assert server.baud == 115_200
    assert outcome.path is not None
    run = sound(outcome.path)
    assert run.metadata.faults == {} or board.lost
    assert numbers(run)[:1000] == list(range(1000))


def test_commands_reach_the_board(tmp_path: Path) -> None:
    with bench_board() as board, closing(SerialServer(board.path)) as server:
        recorder = ThreadRecorder(options(server.url, tmp_path))
        board.wait_for_start()
        board.write(board.describe() + board.samples(100))
        recorder.wait_for(lambda: recorder.seen == 100)
        assert recorder.stop(tmp_path).exit_code == 0


def test_a_serial_server_that_hangs_up_is_reached_again(tmp_path: Path) -> None:
    with live_board() as (_, device), closing(SerialServer(device)) as server:
        recorder = ThreadRecorder(options(server.url, tmp_path))
        recorder.wait_for(lambda: recorder.seen > 100)
        server.hang_up()
        recorder.wait_for(lambda: any("Waiting up to ten minutes" in text for text in recorder.said))
        seen = recorder.seen
        recorder.wait_for(lambda: recorder.seen > seen + 300)
        outcome = recorder.stop(tmp_path)
    assert outcome.path is not None
    assert [gap.kind for gap in sound(outcome.path).metadata.gaps] == ["unplugged"]


def _negotiating(peer: socket.socket) -> None:
    """Says everything there is to say, again and again, and begins a subnegotiation that never ends."""
    every = bytes(byte for option in range(255) for code in (WILL, DO) for byte in (IAC, code, option))
    peer.settimeout(0.05)
    while True:
        peer.sendall(every * 20 + bytes([IAC, SB, COM_PORT]) + b"x" * 60_000)
        try:
            if not peer.recv(1 << 16):
                return
        except TimeoutError:
            continue


def test_an_endless_negotiation_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports_module, "NEGOTIATION_S", 1.0)
    with server_of(_negotiating) as (place, _):
        began = time.monotonic()
        with pytest.raises(PortMissing, match="does not confirm the line's settings"):
            open_port(f"rfc2217://{place}")
        assert time.monotonic() - began < 30


def test_an_endless_negotiation_keeps_nothing() -> None:
    client = ComPortClient(115_200)
    client.to_send.clear()
    every = bytes(byte for option in range(255) for code in (WILL, DO) for byte in (IAC, code, option))
    piece = every * 20 + bytes([IAC, SB, COM_PORT]) + b"x" * 60_000 + b"data"
    client.feed(piece)
    tracemalloc.start()
    try:
        for _ in range(10):
            assert client.feed(piece) == b""
        kept, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept < 10_000
    assert peak < 1_000_000
    assert len(client.to_send) < 2 * 3 * 256 + 100  # one refusal of each option on each side, and the settings


def answer(setting: int, value: bytes) -> bytes:
    return bytes([IAC, SB, COM_PORT, setting + 100]) + value.replace(b"\xff", b"\xff\xff") + bytes([IAC, SE])


AGREED = (
    bytes([IAC, DO, COM_PORT])
    + answer(1, struct.pack(">I", 115_200))
    + answer(2, bytes([8]))
    + answer(3, bytes([1]))
    + answer(4, bytes([1]))
)


@pytest.mark.parametrize("size", [1, 2, 3, 7, 1000])
def test_data_are_told_from_commands_however_they_are_cut(size: int) -> None:
    """RFC 854: a data byte 255 is sent twice; commands may stand between any two bytes of data."""
    data = bytes(range(256)) * 3
    stream = AGREED
    for place, byte in enumerate(data):
        stream += bytes([byte, byte]) if byte == IAC else bytes([byte])
        if place % 10 == 0:
            stream += bytes([IAC, 241]) if place % 20 else bytes([IAC, WILL, 1]) + answer(7, b"\x30")
    client = ComPortClient(115_200)
    assert b"".join(client.feed(stream[at : at + size]) for at in range(0, len(stream), size)) == data


def test_the_settings_are_those_of_the_rfc() -> None:
    """RFC 2217: SET-BAUDRATE 1 with four bytes, SET-DATASIZE 2, SET-PARITY 3 NONE = 1, SET-STOPSIZE 4 ONE = 1."""
    client = ComPortClient(115_200)
    assert bytes([IAC, WILL, COM_PORT]) in client.to_send
    client.to_send.clear()
    client.feed(bytes([IAC, DO, COM_PORT]))
    for setting in (b"\x01\x00\x01\xc2\x00", b"\x02\x08", b"\x03\x01", b"\x04\x01"):
        assert bytes([IAC, SB, COM_PORT]) + setting + bytes([IAC, SE]) in client.to_send


def test_a_server_that_refuses_is_told_apart() -> None:
    def plain(peer: socket.socket) -> None:
        peer.sendall(bytes([IAC, DONT, COM_PORT]))
        peer.recv(4096)
        time.sleep(0.2)

    def slow(peer: socket.socket) -> None:
        peer.sendall(bytes([IAC, DO, COM_PORT]) + answer(1, struct.pack(">I", 9600)))
        peer.recv(4096)
        time.sleep(0.2)

    with server_of(plain) as (place, _), pytest.raises(PortMissing, match="no RFC 2217 server") as found:
        open_port(f"rfc2217://{place}")
    assert "socket://host:port" in str(found.value)
    with server_of(slow) as (place, _), pytest.raises(PortMissing, match="sets baud rate 9600, not 115200"):
        open_port(f"rfc2217://{place}")
    with server_of(lambda _: None) as (place, _), pytest.raises(PortMissing, match="hung up"):
        open_port(f"rfc2217://{place}")


@pytest.mark.parametrize("banner", [b"", b"Port in use. Good bye.\r\n"])
@pytest.mark.parametrize("scheme", ["socket", "rfc2217"])
def test_a_server_that_accepts_and_closes_is_retried_ever_more_rarely(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, scheme: str, banner: bytes
) -> None:
    """One line, and pauses of 0.2, 0.5, 1, 2 s between the tries; not thousands of connections."""
    monkeypatch.setattr(recorder_module, "RETRY_S", 3.0)

    def talk(peer: socket.socket) -> None:
        if scheme == "rfc2217" and len(came) == 1:
            peer.sendall(AGREED)
        peer.sendall(banner)

    with server_of(talk) as (place, came):
        recorder = ThreadRecorder(options(f"{scheme}://{place}", tmp_path))
        outcome = recorder.result(PATIENCE_S)
        assert outcome.exit_code == 4
    assert 3 <= len(came) <= 7
    assert sum("Waiting" in text for text in recorder.said) == 1
    assert len(recorder.said) <= 3  # and that nothing arrives, and what the recording came to
    assert "other side. Waiting" in recorder.said[0]


def test_a_server_that_closes_is_a_lost_port() -> None:
    def talk(peer: socket.socket) -> None:
        peer.sendall(AGREED + b"abc")

    with (
        server_of(talk) as (place, _),
        closing(open_port(f"rfc2217://{place}")) as port,
        pytest.raises(PortGone, match="closed by the other side"),
    ):
        list(iter(port.read, None))


@pytest.mark.parametrize("url", ["rfc2217://host", "rfc2217://:99", "rfc2217://h:99?logging=debug", "rfc2217://h:x"])
def test_addresses_that_cannot_be_used(url: str) -> None:
    with pytest.raises(OSError, match="Cannot open rfc2217"):
        open_port(url)


def test_the_bound_of_a_subnegotiation_holds_the_longest_answer() -> None:
    assert len(answer(1, b"\xff\xff\xff\xff")) < MAX_SUBNEGOTIATION
