"""All exceptions that the logger raises on purpose.

LoggerError
├── MachineFileError (ValueError)   a machine description that cannot be used
├── RunFileError (ValueError)       a run file, or its metadata, that cannot be read
│   └── NewerSchemaError            written by a newer version of this program
├── JournalError (ValueError)       a journal whose header cannot be read
├── ImportDataError (ValueError)    a CSV or Parquet file that cannot be imported as asked
│   └── ImportRequestError      the request itself is incomplete
├── BoardTextError (ValueError)     lines of a board that cannot be recorded as asked
├── PortError (OSError)             a port that cannot be opened, or is in use
└── StorageError (OSError)          a file or folder that cannot be written, or must not be overwritten
    └── SegmentError                a sealed segment that is missing or damaged; the journal still has its samples

Damage on the wire is not an error: it is a `Fault`, which is counted (`wire/frames.py`).
Every message is one line: what is wrong, where, and what to do next.
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import dataclass, field


class LoggerError(Exception):
    """The root: a plain, one-line message for the person at the machine."""


class MachineFileError(LoggerError, ValueError):
    """A machine description that cannot be used."""


class RunFileError(LoggerError, ValueError):
    """A run file, or its metadata, that cannot be read."""


class NewerSchemaError(RunFileError):
    """A run file written by a newer version of this program."""


class JournalError(LoggerError, ValueError):
    """A journal whose header cannot be read."""


@dataclass(frozen=True, slots=True)
class Correction:
    """What was probably meant by an import; what is None or not named stays as it was asked."""

    time: str | None = None
    """Text of `--time`."""
    maps: Mapping[str, str] = field(default_factory=dict)
    """Text of `--map` for a channel, by the name under which it was asked for."""
    discharge: str | None = None
    """positive or negative."""


class ImportDataError(LoggerError, ValueError):
    """A CSV or Parquet file that cannot be imported as asked."""

    def __init__(self, message: str, correction: Correction | None = None) -> None:
        super().__init__(message)
        self.correction = correction
        """What was probably meant; None where that cannot be seen."""


class ImportRequestError(ImportDataError):
    """An import that does not say which columns hold the time and the channels."""


class BoardTextError(LoggerError, ValueError):
    """Lines of a board that cannot be recorded as asked."""

    def __init__(self, what: str, maps: tuple[str, ...] = (), time: str | None = None) -> None:
        self.what = what
        """The question alone."""
        self.maps = maps
        """What to write after `--map`."""
        self.time = time
        """What to write after `--time`."""
        words = (["--map", *maps] if maps else []) + (["--time", time] if time else [])
        super().__init__(f"{what} Write: {shlex.join(words)}" if words else what)


class PortError(LoggerError, OSError):
    """A port that cannot be opened, or that another recorder holds."""


class StorageError(LoggerError, OSError):
    """A file or folder that cannot be written, or must not be overwritten."""


class SegmentError(StorageError):
    """A sealed segment that is gone or damaged; the journal still has its samples."""
