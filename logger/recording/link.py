"""The connection to the board, reopened when lost, even under another port name; and the host's commands."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable
from pathlib import Path

from amptally.logger.errors import PortError
from amptally.logger.recording.lock import PortLock
from amptally.logger.recording.ports import Port, PortGone, PortMissing, UsbDevice, open_port, usb_devices
from amptally.logger.wire.frames import Command, Kind, encode

_BACK_OFF_S = (0.2, 0.5, 1.0, 2.0, 5.0)
_TURN_S = 0.05


class Link:
    """One port. `check` is called several times a second while waiting; an exception from it ends the wait."""

    def __init__(
        self, url: str, baud: int, journal: Path, *, check: Callable[[], None], say: Callable[[str], None]
    ) -> None:
        self._url = url
        self.baud = baud
        """Speed at which the port is opened again."""
        self._journal = journal
        self._check = check
        self._say = say
        self._sequence = 0
        self._port: Port | None = None
        self._device: UsbDevice | None = None
        self._twins: set[str] = set()
        """Other ports with the same USB description at the start: never used instead of ours."""
        self._locks = [PortLock(url, journal)]
        self._attempts = 0
        """Attempts since the port was lost."""
        self._deadline = 0.0

    def open(self, within_s: float) -> Port:
        """Open the port, waiting for it to appear. Raises PortError."""
        self._attempts, self._deadline = 0, time.monotonic() + within_s
        port = self._search(lambda: [self._url], "Waiting for it.")
        devices = usb_devices()
        own = os.path.realpath(self._url)
        self._device = devices.get(own)
        self._twins = {name for name, device in devices.items() if device == self._device and name != own}
        return port

    def reopen(self, within_s: float, *, silent: bool) -> Port:
        """Find the lost port again, by its name or by the USB description of the device. Raises PortError.

        `silent`: it was lost again before a sample arrived. It then counts as never reopened: the pauses go on growing
        and `within_s` still runs from the first loss.
        """
        self.close()
        if not silent:
            self._attempts, self._deadline = 0, time.monotonic() + within_s
        elif time.monotonic() >= self._deadline:
            raise PortMissing(f"{self._url} opens, but is lost again before a sample arrives.")
        else:
            self._pause()
        return self._search(self._candidates, "")

    def _search(self, names: Callable[[], list[str]], waiting: str) -> Port:
        """Try the names until one opens; `waiting` is added to the message about the first failure."""
        while True:
            self._check()
            trouble: PortError = PortMissing(f"The device for {self._url} is not plugged in.")
            for name in names():
                try:
                    self._port = self._open(name)
                    return self._port
                except PortMissing as error:
                    trouble = error
            if time.monotonic() >= self._deadline:
                raise trouble
            if self._attempts == 0 and waiting:
                self._say(f"{trouble} {waiting}")
            self._pause()

    def _pause(self) -> None:
        """Wait before the next attempt, a little longer each time."""
        again = time.monotonic() + _BACK_OFF_S[min(self._attempts, len(_BACK_OFF_S) - 1)]
        self._attempts += 1
        while time.monotonic() < min(again, self._deadline):
            self._check()
            time.sleep(_TURN_S)

    def _open(self, name: str) -> Port:
        if name == self._url:
            return open_port(name, self.baud)
        try:
            lock = PortLock(name, self._journal)
        except PortError as error:
            raise PortMissing(str(error)) from error
        try:
            port = open_port(name, self.baud)
        except PortError:
            lock.release()
            raise
        self._locks.append(lock)
        self._say(f"{self._url} is back as {name}.")
        return port

    def _candidates(self) -> list[str]:
        """Names under which our device is present now, the original first; only that where devices are not listed."""
        devices = usb_devices()
        if self._device is None or not devices:
            return [self._url]
        own = os.path.realpath(self._url)
        same = [name for name, device in devices.items() if device == self._device and name not in self._twins]
        others = [name for name in same if name != own]
        if self._device.serial_number is None and len(others) > 1:
            others = []  # nothing tells them apart
        return [self._url] * (own in same) + others

    def send(self, *kinds: Kind) -> None:
        """Send commands. A lost connection is detected on reading."""
        if self._port is None:
            return
        with contextlib.suppress(PortGone):
            for kind in kinds:
                self._port.write(encode(Command(kind), self._sequence))
                self._sequence += 1

    def close(self) -> None:
        """Close the port but keep its name locked. Safe to call twice."""
        if self._port is not None:
            self._port.close()
            self._port = None

    def release(self) -> None:
        """Close the port and release its locks."""
        self.close()
        for lock in self._locks:
            lock.release()
        self._locks = []
