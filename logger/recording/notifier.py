"""Messages to the operator, from a separate thread, so that a recording never waits for a terminal.

A terminal can block for any length of time: Ctrl-S, a frozen remote session, a selection in a console window.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable

from amptally.logger.recording.progress import Status

MAX_MESSAGES = 1000


class Notifier:
    """Passes on messages and the newest status. A listener that raises is ignored."""

    def __init__(self, on_status: Callable[[Status], None], say: Callable[[str], None]) -> None:
        self._on_status = on_status
        self._say = say
        self._messages: deque[str] = deque(maxlen=MAX_MESSAGES)
        self._newest: Status | None = None
        self._ended = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, daemon=True, name="notifier")
        self._thread.start()

    def say(self, text: str) -> None:
        """Queue a message; all messages are passed on, in order."""
        with self._changed:
            self._messages.append(text)
            self._changed.notify()

    def show(self, status: Status) -> None:
        """Set the status; only the newest is passed on."""
        with self._changed:
            self._newest = status
            self._changed.notify()

    def end(self, patience_s: float = 2.0) -> None:
        """Pass on the queue, waiting at most `patience_s` for a listener that blocks."""
        with self._changed:
            self._ended = True
            self._changed.notify()
        self._thread.join(patience_s)

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._messages and self._newest is None:
                    if self._ended:
                        return
                    self._changed.wait()
                message = self._messages.popleft() if self._messages else None
                status, self._newest = (self._newest, None) if message is None else (None, self._newest)
            with contextlib.suppress(Exception):
                if message is not None:
                    self._say(message)
                elif status is not None:
                    self._on_status(status)
