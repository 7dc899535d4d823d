"""Tells the operator how things stand without ever waiting for the operator.

A terminal can stop taking text for as long as somebody likes: Ctrl-S, a frozen remote session, a selection in a
console window. The recording must not notice.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable

from amptally.logger.recording.progress import Status

MOST_SENTENCES = 1000


class Teller:
    """Passes sentences and the newest status on from a thread of its own. A listener that fails is passed over."""

    def __init__(self, on_status: Callable[[Status], None], say: Callable[[str], None]) -> None:
        self._on_status = on_status
        self._say = say
        self._sentences: deque[str] = deque(maxlen=MOST_SENTENCES)
        self._newest: Status | None = None
        self._ended = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, daemon=True, name="teller")
        self._thread.start()

    def say(self, text: str) -> None:
        """A sentence; all of them are told, in order."""
        with self._changed:
            self._sentences.append(text)
            self._changed.notify()

    def show(self, status: Status) -> None:
        """How the recording stands now; only the newest is told."""
        with self._changed:
            self._newest = status
            self._changed.notify()

    def end(self, patience_s: float = 2.0) -> None:
        """Tell what is left, but do not wait for a listener that does not listen."""
        with self._changed:
            self._ended = True
            self._changed.notify()
        self._thread.join(patience_s)

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._sentences and self._newest is None:
                    if self._ended:
                        return
                    self._changed.wait()
                sentence = self._sentences.popleft() if self._sentences else None
                status, self._newest = (self._newest, None) if sentence is None else (None, self._newest)
            with contextlib.suppress(Exception):
                if sentence is not None:
                    self._say(sentence)
                elif status is not None:
                    self._on_status(status)
