"""Requests to end a recording: Ctrl-C, a signal, a closed terminal, a control file."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from pathlib import Path

CTRL_C, TERMINATED = 130, 143
_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
"""Each operating system has some of these."""


class Stop(Exception):  # noqa: N818 (the normal end of a recording)
    """Ends the recording loop; carries the reason and the exit code."""

    def __init__(self, reason: str, exit_code: int) -> None:
        super().__init__(reason)
        self.reason = reason
        self.exit_code = exit_code


class StopRequests:
    """Watches for requests to stop: signals, and the file `control`."""

    def __init__(self, control: Path) -> None:
        self._control = control
        self._signal: int | None = None

    @contextlib.contextmanager
    def listening(self) -> Iterator[None]:
        """Treat signals as requests to stop within the block, so that the run is written.

        A signal that is already ignored stays ignored: `nohup` relies on this when the terminal closes.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return

        def ask(number: int, frame: object) -> None:  # noqa: ARG001 (signature of a signal handler)
            self._signal = number

        known = [getattr(signal, name) for name in _SIGNALS if hasattr(signal, name)]
        handled = [number for number in known if signal.getsignal(number) != signal.SIG_IGN]
        before = {number: signal.signal(number, ask) for number in handled}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def check(self) -> None:
        """Raise Stop if there is a request."""
        if self._signal == signal.SIGINT:
            raise Stop("Ctrl-C", CTRL_C)
        if self._signal is not None:
            raise Stop("terminated", TERMINATED)
        if self._control.exists():
            with contextlib.suppress(OSError):  # the request counts, whatever kind of file it is
                self._control.unlink()
            raise Stop("control file", 0)
