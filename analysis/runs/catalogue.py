"""The runs of a folder, and opening one of them by its id, never by a path from outside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from amptally.analysis.errors import RunContentError
from amptally.analysis.runs.folder import OPENING_ERRORS, RunSummary, run_paths, run_stamp, summarise
from amptally.analysis.runs.run import Run

MAX_RUNS = 2000
"""Of a larger folder the newest are listed."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One run file of a folder."""

    path: Path
    stamp: tuple[int, ...]
    """Changes with the file and its edits."""
    about: RunSummary | None
    """None where it cannot be read."""
    problem: str | None
    """Why it cannot be read or opened, in one line without the folder's path."""


def list_runs(folder: Path, known: Mapping[Path, Entry] | None = None) -> list[Entry]:
    """Every run file of a folder, newest first, unreadable ones last; files unchanged since `known` are not read again.

    Of two files with the same run id the first by name can be opened, the other one is listed with that reason.
    """
    entries = []
    taken: dict[str, str] = {}
    for path in run_paths(folder)[-MAX_RUNS:]:
        entry = _entry(path, (known or {}).get(path))
        if entry is None:
            continue
        if entry.about is not None and entry.about.run_id in taken:
            first = taken[entry.about.run_id]
            reason = f"{path.name} has the run id of {first}. Move one of them to another folder."
            entry = Entry(path, entry.stamp, None, reason)
        elif entry.about is not None:
            taken[entry.about.run_id] = path.name
        entries.append(entry)
    return sorted(entries, key=_newest_first, reverse=True)


def _newest_first(entry: Entry) -> tuple[bool, str, str]:
    if entry.about is None:
        return False, "", entry.path.name
    return True, entry.about.started_utc or "", entry.path.name


def _entry(path: Path, known: Entry | None) -> Entry | None:
    """None for a file that vanished meanwhile."""
    try:
        stamp = run_stamp(path)
    except OSError:
        return None
    if known is not None and known.stamp == stamp and known.about is not None:
        return known
    try:
        return Entry(path, stamp, summarise(path), None)
    except OPENING_ERRORS as error:
        return Entry(path, stamp, None, _plain(error, path))
    except Exception as error:  # a defect in one file must not keep the others from the list
        return Entry(path, stamp, None, f"{path.name} cannot be read: unexpected {type(error).__name__}.")


def _plain(error: Exception, path: Path) -> str:
    return " ".join(str(error).replace(str(path), path.name).split())


def find_run(entries: list[Entry], run_id: str) -> Entry:
    """The entry with this id. Raises RunContentError for an id that no readable run here has."""
    for entry in entries:
        if entry.about is not None and entry.about.run_id == run_id:
            return entry
    raise RunContentError("No run with this id is in the folder. Choose one from the list of runs.")


def open_listed(entry: Entry, from_s: float | None = None, to_s: float | None = None) -> Run:
    """Open a listed run, or a part of it. Raises RunContentError in one line, whatever is wrong with the file."""
    try:
        return Run.open(entry.path, from_s=from_s, to_s=to_s)
    except OPENING_ERRORS as error:
        raise RunContentError(_plain(error, entry.path)) from error
