"""Everything the logger raises on purpose.

LoggerError
├── MachineFileError (ValueError)   a machine description that cannot be used
├── RunFileError (ValueError)       a run file, or its metadata, that cannot be read
│   └── NewerSchemaError            written by a later program than this one
├── JournalError (ValueError)       a journal whose header cannot be read
├── ImportDataError (ValueError)    a CSV or Parquet file that does not hold what was asked of it
├── PortError (OSError)             a port that cannot be opened, or is in use
└── StorageError (OSError)          a place that cannot be written, or must not be overwritten
    └── SegmentError                a sealed segment that is gone or damaged; the journal still has its samples

Damage on the wire is not an error: it is a counted `Fault`, see `frames.py`.
Every message says what, where and what next, in one line.
"""

from __future__ import annotations


class LoggerError(Exception):
    """The root: a plain, one-line message for the person at the machine."""


class MachineFileError(LoggerError, ValueError):
    """A machine description that cannot be used."""


class RunFileError(LoggerError, ValueError):
    """A run file, or its metadata, that cannot be read."""


class NewerSchemaError(RunFileError):
    """A run file written by a later program than this one."""


class JournalError(LoggerError, ValueError):
    """A journal whose header cannot be read."""


class ImportDataError(LoggerError, ValueError):
    """A CSV or Parquet file that does not hold what was asked of it."""


class PortError(LoggerError, OSError):
    """A port that cannot be opened, or that another recorder holds."""


class StorageError(LoggerError, OSError):
    """A place that cannot be written, or a file that must not be overwritten."""


class SegmentError(StorageError):
    """A sealed segment that is gone or damaged; the journal still has its samples."""
