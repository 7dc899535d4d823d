"""Serial ports and their substitutes, behind one function. The only module that imports pyserial.

| URL | what opens |
|---|---|
| `/dev/ttyUSB0`, `COM5` | a serial port, opened exclusively |
| `socket://host:port` | a TCP connection to a serial server |
| `rfc2217://host:port` | a serial server that also sets the line (RFC 2217) |
| `loop://` | pyserial's loopback |
| `sim://?seed=7&speed=20` | the simulated cart of the demo, on a real pseudo-terminal |
| `replay://FILE?speed=4` | the bytes of a journal, at their recorded pace or a multiple of it |
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol
from urllib.parse import parse_qs, unquote, urlsplit

import serial
import serial.tools.list_ports

from amptally.logger.errors import PortError
from amptally.logger.recording.rfc2217 import ComPortClient
from amptally.logger.storage.journal import JournalReader, Record

READ_WAIT_S = 0.1
MAX_READ = 1 << 16
DEFAULT_BAUD = 115_200
SOCKET_TIMEOUT_S = 10.0
NEGOTIATION_S = 5.0
"""How long an RFC 2217 server may take to set its line."""
_SIMULATOR_START_S = 30.0
_HELD = "Another program is using it: close that program."
_NOT_ALLOWED = {
    "linux": "Your user has no permission: join the group that owns it (often dialout) and log in again.",
    "win32": _HELD,  # Windows reports a port in use as "access denied"
}
_REMEDY = {
    errno.ENOENT: "Check the cable and list the ports with: amptally ports",
    errno.EACCES: _NOT_ALLOWED.get(sys.platform, "Your user has no permission: check its owner and group with: ls -l"),
    errno.EBUSY: _HELD,
    errno.EAGAIN: _HELD,
    errno.ENODEV: "Check the cable and list the ports with: amptally ports",
    errno.ENXIO: "Check the cable and list the ports with: amptally ports",
    errno.EIO: "The device is disconnected: plug it in again.",
}
_QUOTED_ERRNO = re.compile(r"\w+Error\((\d+),")
"""On Windows pyserial gives the system's error only as text."""


class PortMissing(PortError):  # noqa: N818 (a state of the port)
    """The port cannot be opened now, but perhaps later."""


class PortGone(PortError):  # noqa: N818 (a state of the port, met in normal use)
    """The other side disappeared while the port was open."""


class PortEnded(PortError):  # noqa: N818
    """A finite source is at its end."""


class Port(Protocol):
    """A source of bytes that accepts commands."""

    def read(self) -> bytes:
        """Bytes that arrived, after a wait of up to `READ_WAIT_S`; perhaps none. Raises PortGone or PortEnded."""

    def write(self, data: bytes) -> None:
        """Send; raises PortGone."""

    def set_baud(self, baud: int) -> bool:
        """Change the speed of the line; False where it has none, or cannot have this one."""

    def close(self) -> None:
        """Release the port; safe to call twice."""


class SerialPort:
    """A port opened through pyserial."""

    def __init__(self, url: str, baud: int) -> None:
        self._url = url
        options: dict[str, object] = {"baudrate": baud, "timeout": READ_WAIT_S, "write_timeout": 2.0}
        if os.name == "posix" and "://" not in url:
            options["exclusive"] = True
        try:
            self._serial = serial.serial_for_url(url, **options)
        except (OSError, ValueError) as error:
            raise _cannot_open(url, error) from error
        self._handle: int | None = None
        """File descriptor to wait on, so that all bytes that have arrived are read at once, not the first one alone."""
        if os.name == "posix" and "://" not in url:
            self._handle = self._serial.fileno()
        if hasattr(self._serial, "set_low_latency_mode"):
            # Pseudo-terminals and many drivers lack this mode; recording works without it.
            with contextlib.suppress(OSError, ValueError, AttributeError):
                self._serial.set_low_latency_mode(True)

    def read(self) -> bytes:
        try:
            if self._handle is not None and not select.select([self._handle], [], [], READ_WAIT_S)[0]:
                return b""
            return bytes(self._serial.read(min(self._serial.in_waiting, MAX_READ) or 1))
        except _LOST as error:
            raise PortGone(f"{self._url} is disconnected: {error}") from error

    def write(self, data: bytes) -> None:
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException:
            return
        except _LOST as error:
            raise PortGone(f"{self._url} is disconnected: {error}") from error

    def set_baud(self, baud: int) -> bool:
        try:
            self._serial.baudrate = baud
            self._serial.reset_input_buffer()
        except ValueError:
            return False
        except _LOST:
            return False
        return True

    def close(self) -> None:
        self._handle = None  # its number may soon belong to another file
        try:
            self._serial.close()
        except _LOST:
            return


def _lost_errors() -> tuple[type[BaseException], ...]:
    """What pyserial raises when a device is unplugged: its own error, plain OSError, TypeError, termios.error."""
    found: list[type[BaseException]] = [serial.SerialException, OSError, TypeError]
    if os.name == "posix":
        import termios

        found.append(termios.error)
    return tuple(found)


_LOST = _lost_errors()


def _cannot_open(url: str, error: Exception) -> PortError:
    if isinstance(error, ValueError):
        form = "Write a device name, socket://host:port, rfc2217://host:port, sim:// or replay://FILE."
        return PortError(f"Cannot open {url}: {error}. {form}")
    number = getattr(error, "errno", None)
    if number is None and (quoted := _QUOTED_ERRNO.search(str(error))):
        number = int(quoted[1])
    remedy = _REMEDY.get(number or 0, "List the ports with: amptally ports")
    return PortMissing(f"Cannot open {url}: {os.strerror(number) if number else error}. {remedy}")


class SocketPort:
    """A TCP connection; those of pyserial may drop bytes on opening and closing, or keep any number of them."""

    def __init__(self, url: str) -> None:
        self._url = url
        parts = urlsplit(url)
        try:
            host, port = parts.hostname, parts.port
        except ValueError as error:
            raise PortError(f"Cannot open {url}: {error}. Write {parts.scheme}://host:port.") from error
        if not host or not port:
            raise PortError(f"Cannot open {url}: host or port is missing. Write {parts.scheme}://host:port.")
        try:
            self._socket = socket.create_connection((host, port), timeout=SOCKET_TIMEOUT_S)
        except OSError as error:
            raise PortMissing(f"Cannot open {url}: {error.strerror or error}. Is the serial server running?") from error
        _notice_silence(self._socket)

    def read(self) -> bytes:
        try:
            ready, _, _ = select.select([self._socket], [], [], READ_WAIT_S)
            if not ready:
                return b""
            data = self._socket.recv(MAX_READ)
        except (OSError, ValueError) as error:
            raise PortGone(f"{self._url} is disconnected: {error}") from error
        if not data:
            raise PortGone(f"{self._url} was closed by the other side")
        return data

    def write(self, data: bytes) -> None:
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise PortGone(f"{self._url} is disconnected: {error}") from error

    def set_baud(self, baud: int) -> bool:  # noqa: ARG002 (the other side sets its line)
        return False

    def close(self) -> None:
        self._socket.close()


class Rfc2217Port:
    """A TCP connection to a serial server whose line is set to our baud rate, 8 data bits, no parity, one stop bit."""

    def __init__(self, url: str, baud: int) -> None:
        _query(url, set())
        self._client = ComPortClient(baud)
        self._sending = threading.Lock()
        """The reader answers the server while commands are sent from another thread."""
        self._line = SocketPort(url)
        try:
            self._negotiate(url)
        except PortGone as error:
            self._line.close()
            raise PortMissing(f"Cannot open {url}: the server hung up. Is its serial port in use?") from error
        except BaseException:
            self._line.close()
            raise

    def _negotiate(self, url: str) -> None:
        deadline = time.monotonic() + NEGOTIATION_S
        self._answer()
        while not self._client.ready:
            other = "If it only passes bytes on, write socket://host:port."
            if self._client.refused is not None:
                raise PortMissing(f"Cannot open {url}: {self._client.refused}. {other}")
            if time.monotonic() > deadline:
                raise PortMissing(f"Cannot open {url}: the server does not confirm the line's settings. {other}")
            self._client.feed(self._line.read())
            self._answer()

    def _answer(self) -> None:
        if self._client.to_send:
            with self._sending:
                self._line.write(bytes(self._client.to_send))
            self._client.to_send.clear()

    def read(self) -> bytes:
        data = self._client.feed(self._line.read())
        self._answer()
        return data

    def write(self, data: bytes) -> None:
        with self._sending:
            self._line.write(ComPortClient.escaped(data))

    def set_baud(self, baud: int) -> bool:  # noqa: ARG002 (the other side sets its line)
        return False

    def close(self) -> None:
        self._line.close()


def _notice_silence(connection: socket.socket) -> None:
    """Turn on keep-alive, to detect that the other side lost power: it then sends nothing, not even a close."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (("TCP_KEEPIDLE", 5), ("TCP_KEEPALIVE", 5), ("TCP_KEEPINTVL", 2), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, name):
            with contextlib.suppress(OSError):
                connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


class SimulatedPort:
    """Starts the simulator as a separate process and opens its port like any other."""

    def __init__(self, url: str, baud: int) -> None:
        query = _query(url, {"seed", "speed"})
        command = [sys.executable, "-m", "amptally.logger.simulator"]
        for name, values in query.items():
            command += [f"--{name}", _number(url, name, values)]
        # The new process must import this same package, from whatever folder it is started.
        path = os.pathsep.join(filter(None, [str(Path(__file__).parent.parent), os.environ.get("PYTHONPATH")]))
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env={**os.environ, "PYTHONPATH": path},
        )
        try:
            self._port = self._connect(url, baud)
        except BaseException:
            self._stop()
            raise

    def _connect(self, url: str, baud: int) -> Port:
        assert self._process.stdout is not None
        ready, _, _ = (
            select.select([self._process.stdout], [], [], _SIMULATOR_START_S) if os.name == "posix" else (1, 0, 0)
        )
        line = self._process.stdout.readline().strip() if ready else ""
        if not line:
            raise PortError(f"Cannot open {url}: the simulator did not start. Run: python -m amptally.logger.simulator")
        return SocketPort(line) if line.startswith("socket://") else SerialPort(line, baud)

    def read(self) -> bytes:
        return self._port.read()

    def write(self, data: bytes) -> None:
        self._port.write(data)

    def set_baud(self, baud: int) -> bool:
        return self._port.set_baud(baud)

    def close(self) -> None:
        self._port.close()
        self._stop()

    def _stop(self) -> None:
        self._process.terminate()
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()


class ReplayPort:
    """The bytes of a journal at `speed` times their recorded pace; speed 0 gives them without delay."""

    def __init__(self, url: str) -> None:
        query = _query(url, {"speed"})
        self._speed = float(_number(url, "speed", query.get("speed", ["1"])))
        name = url.removeprefix("replay://").split("?")[0]
        self._records = self._bytes_of(Path(unquote(name)))
        self._started = time.monotonic()
        self._first_host_us: int | None = None
        self._next: Record | None = None

    @staticmethod
    def _bytes_of(path: Path) -> Iterator[Record]:
        reader = JournalReader(path)
        return (record for record in reader if isinstance(record, Record) and record.kind == "bytes")

    def read(self) -> bytes:
        if self._next is None:
            self._next = next(self._records, None)
            if self._next is None:
                raise PortEnded("the journal has been replayed to its end")
        record = self._next
        if self._first_host_us is None:
            self._first_host_us = record.host_us
        if self._speed > 0:
            due = self._started + (record.host_us - self._first_host_us) / 1e6 / self._speed
            wait = due - time.monotonic()
            if wait > READ_WAIT_S:
                time.sleep(READ_WAIT_S)
                return b""
            time.sleep(max(wait, 0.0))
        self._next = None
        return record.payload

    def write(self, data: bytes) -> None:
        """A journal takes no commands."""

    def set_baud(self, baud: int) -> bool:  # noqa: ARG002 (a journal has none)
        return False

    def close(self) -> None:
        """Nothing to release."""


def _query(url: str, allowed: set[str]) -> dict[str, list[str]]:
    query = parse_qs(urlsplit(url).query, keep_blank_values=True)
    unknown = sorted(set(query) - allowed)
    if unknown:
        raise PortError(
            f"Cannot open {url}: '{unknown[0]}' is not an option here. Allowed: {', '.join(sorted(allowed))}."
        )
    return query


def _number(url: str, name: str, values: list[str]) -> str:
    try:
        value = float(values[-1])
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e9:
        raise PortError(
            f"Cannot open {url}: {name} is '{values[-1]}'. Write a number of 0 or more, for example {name}=7."
        )
    return values[-1]


def open_port(url: str, baud: int = DEFAULT_BAUD) -> Port:
    """Open any of the URLs above. Raises PortError with what, where and what next."""
    scheme = url.split("://")[0].lower() if "://" in url else ""
    opener: dict[str, Callable[[], Port]] = {
        "socket": lambda: SocketPort(url),
        "rfc2217": lambda: Rfc2217Port(url, baud),
        "sim": lambda: SimulatedPort(url, baud),
        "replay": lambda: ReplayPort(url),
    }
    if scheme in opener:
        return opener[scheme]()
    if scheme not in ("", "loop"):
        raise PortError(
            f"Cannot open {url}: '{scheme}://' is unknown. Write a device name, socket://host:port or sim://."
        )
    return SerialPort(url, baud)


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A serial port listed by the system."""

    device: str
    text: str
    """The system's description of it."""


def list_ports() -> list[FoundPort]:
    """Serial ports of this computer, USB ones first."""
    found = sorted(serial.tools.list_ports.comports(), key=lambda port: (port.vid is None, port.device))
    return [FoundPort(port.device, port.description or "") for port in found]


@dataclass(frozen=True, slots=True)
class UsbDevice:
    """Identity of a USB serial device, wherever it is plugged in."""

    vendor: int
    product: int
    serial_number: str | None


def usb_devices() -> dict[str, UsbDevice]:
    """USB serial ports by their present system name; empty where the system gives no list."""
    try:
        found = serial.tools.list_ports.comports()
    except Exception:  # the list is only a help: errors of its many back ends must not end a recording
        return {}
    return {
        os.path.realpath(port.device): UsbDevice(port.vid, port.pid, port.serial_number or None)
        for port in found
        if port.vid is not None and port.pid is not None
    }
