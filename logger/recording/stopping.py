"""How a recording is asked to end: Ctrl-C, a signal, a terminal that is closed, a control file."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from pathlib import Path

CTRL_C, TERMINATED = 130, 143
_HEARD = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
"""Those that the system has."""


class Stop(Exception):  # noqa: N818 (the normal end of a recording)
    """Ends the loop; carries the reason and the exit code."""

    def __init__(self, reason: str, exit_code: int) -> None:
        super().__init__(reason)
        self.reason = reason
        self.exit_code = exit_code


class Asked:
    """Listens for the wish to stop; `control` is the file that says so by being there."""

    def __init__(self, control: Path) -> None:
        self._control = control
        self._signal: int | None = None

    @contextlib.contextmanager
    def hearing(self) -> Iterator[None]:
        """Take signals as wishes meanwhile, so that the run is kept.

        A signal that is ignored already stays so: that is how `nohup` says that a closed terminal must not matter.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return

        def ask(number: int, frame: object) -> None:  # noqa: ARG001 (the form that signal needs)
            self._signal = number

        known = [getattr(signal, name) for name in _HEARD if hasattr(signal, name)]
        heard = [number for number in known if signal.getsignal(number) != signal.SIG_IGN]
        before = {number: signal.signal(number, ask) for number in heard}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def check(self) -> None:
        """Raise Stop where somebody has asked for it."""
        if self._signal == signal.SIGINT:
            raise Stop("Ctrl-C", CTRL_C)
        if self._signal is not None:
            raise Stop("terminated", TERMINATED)
        if self._control.exists():
            self._control.unlink(missing_ok=True)
            raise Stop("control file", 0)
