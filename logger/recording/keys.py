"""Keys pressed while recording on a terminal: m marks a lap, n asks for a note, q stops.

Without a terminal, in the background, or on a system without termios, there are no keys. Ctrl-C works as always.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

MAX_NOTE = 400
HELP = "Keys: m marks a lap, n writes a note, q stops."
_ENTER, _BACKSPACE, _ESCAPE = "\r\n", "\x7f\b", "\x1b"


@dataclass(frozen=True, slots=True)
class Pressed:
    """What a key asks for."""

    what: Literal["mark", "note", "quit"]
    text: str = ""
    """The note."""


class KeyReader:
    """Letters → what they ask for. No terminal inside."""

    def __init__(self) -> None:
        self.note: str | None = None
        """The note as far as it is written; None while none is."""

    def feed(self, letters: str) -> list[Pressed]:
        """What these letters ask for, in order."""
        found: list[Pressed] = []
        for letter in letters:
            if self.note is not None:
                self._write(letter, self.note, found)
            elif letter in "mM":
                found.append(Pressed("mark"))
            elif letter in "nN":
                self.note = ""
            elif letter in "qQ":
                found.append(Pressed("quit"))
        return found

    def _write(self, letter: str, note: str, found: list[Pressed]) -> None:
        if letter in _ENTER:
            self.note = None
            found += [Pressed("note", note.strip())] * bool(note.strip())
        elif letter == _ESCAPE:
            self.note = None
        elif letter in _BACKSPACE:
            self.note = note[:-1]
        elif letter.isprintable():
            self.note = (note + letter)[:MAX_NOTE]


class Keys:
    """The keys of the terminal on stdin."""

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self._reader = KeyReader()
        self._bytes = b""

    @property
    def note(self) -> str | None:
        """The note that is being written; None while none is."""
        return self._reader.note

    def poll(self) -> list[Pressed]:
        """What was pressed since the last call; never waits."""
        try:
            if not _in_foreground(self._handle) or not select.select([self._handle], [], [], 0)[0]:
                return []
            self._bytes += os.read(self._handle, 1024)
        except (OSError, ValueError):
            return []
        text = self._bytes.decode("utf-8", "ignore")
        # A letter of several bytes may have arrived in part.
        self._bytes = self._bytes[len(self._bytes.rstrip(bytes(range(0x80, 0x100)))) :]
        with contextlib.suppress(UnicodeDecodeError):
            self._bytes.decode()
            self._bytes = b""
        return self._reader.feed(text)


def _in_foreground(handle: int) -> bool:
    """Reading or setting a terminal from the background would stop the process."""
    return os.tcgetpgrp(handle) == os.getpgrp()


@contextlib.contextmanager
def keys_of_terminal() -> Iterator[Keys | None]:
    """The keys of the terminal while recording, without Enter and echo; None where there is no terminal."""
    handle = _terminal()
    if handle is None:
        yield None
        return
    import termios
    import tty

    before = termios.tcgetattr(handle)
    tty.setcbreak(handle)
    try:
        yield Keys(handle)
    finally:
        with contextlib.suppress(termios.error, OSError):
            if _in_foreground(handle):
                termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _terminal() -> int | None:
    """The terminal that the operator reads and writes; None where there is none, or another program has it."""
    if os.name != "posix":
        return None
    with contextlib.suppress(OSError, ValueError, AttributeError):
        handle = sys.stdin.fileno()
        if sys.stdin.isatty() and sys.stderr.isatty() and _in_foreground(handle):
            return handle
    return None
