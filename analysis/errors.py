"""Everything analysis raises on purpose.

AnalysisError
├── ArgumentError (ValueError)     a name or number asked for that cannot be: a channel, a lead, a window
├── CannotWriteError (OSError)      a file asked for that cannot be written
├── ClusterError                   a Dask cluster that cannot be reached, or the optional part that is missing
├── RunContentError (ValueError)   a run that can be read but not used: empty, or of another machine
└── DataSheetError (ValueError)    data-sheet numbers that support no capacity; in forecast, a refusal

A value that the data cannot support is not an error: it is a refused `Estimate`.
"""

from __future__ import annotations


class AnalysisError(Exception):
    """The root: a plain, one-line message for the person at the machine."""


class ArgumentError(AnalysisError, ValueError):
    """A name or number asked for that cannot be: a channel, a lead, a window of no length."""


class CannotWriteError(AnalysisError, OSError):
    """A file asked for that cannot be written, or exists already."""


class ClusterError(AnalysisError):
    """A Dask cluster that cannot be reached, or the optional part that is missing."""


class RunContentError(AnalysisError, ValueError):
    """A run that can be read but not used."""
