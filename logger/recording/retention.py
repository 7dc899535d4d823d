"""Retention of runs up to a total size: the oldest are removed, so that an onboard computer never fills its card.

Only run files of this program are removed, with the edits beside them: never a journal, never the run that is being
recorded, never a file that cannot be read as a run. A computer without a battery-backed clock does not know the date,
so the order of the runs is stored in a list beside them.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

from amptally.logger.errors import RunFileError
from amptally.logger.ordinary_files import read_file
from amptally.logger.storage.durable import write_text_atomically
from amptally.logger.storage.edits import edits_path
from amptally.logger.storage.runfile import open_run, run_files

LIST_NAME = ".ring"
MAX_LISTED = 100_000
MAX_LIST_BYTES = 1 << 24


class Retention:
    """Keeps the runs, journals and segments in `folder` within `size` bytes."""

    def __init__(self, folder: Path, size: int, say: Callable[[str], None]) -> None:
        self._folder = folder
        self._size = size
        self._say = say
        self._unreadable: set[Path] = set()
        """Files named like runs that cannot be read as runs: left alone, and opened only once."""

    def add_newest(self, run: Path) -> None:
        """Put `run` at the end of the list."""
        names = [name for name in self._listed() if name != run.name and (self._folder / name).exists()]
        with contextlib.suppress(OSError):
            write_text_atomically(self._folder / LIST_NAME, "\n".join([*names, run.name]) + "\n")

    def trim(self, more: int = 0) -> None:
        """Remove the oldest runs until `more` bytes fit within the size."""
        self.free(self._used() + more - self._size)

    def free(self, wanted: int) -> None:
        """Remove the oldest runs until `wanted` bytes are free or no run is left."""
        for run in self._oldest_first():
            if wanted <= 0:
                return
            wanted -= self._remove(run)

    def _used(self) -> int:
        """Bytes used by runs, their edits, journals and segments."""
        total = 0
        for path in {found for kind in ("parquet", "edits.json", "journal", "part") for found in self._all(kind)}:
            with contextlib.suppress(OSError):
                total += path.stat().st_size
        return total

    def _all(self, ending: str) -> list[Path]:
        return list(self._folder.glob(f"*.{ending}"))

    def _listed(self) -> list[str]:
        try:
            text = read_file(self._folder / LIST_NAME, MAX_LIST_BYTES).decode()
        except (OSError, ValueError):
            return []
        return text.split("\n")[:MAX_LISTED]

    def _oldest_first(self) -> list[Path]:
        """Complete runs: first those missing from the list, by name, then those in it."""
        place = {name: number for number, name in enumerate(self._listed(), start=1)}
        found = [run for run in run_files(self._folder) if run not in self._unreadable]
        return sorted(found, key=lambda run: (place.get(run.name, 0), run.name))

    def _remove(self, run: Path) -> int:
        """Remove a run; return the bytes freed, 0 where the file is not a run or cannot be removed."""
        edits = edits_path(run)
        try:
            open_run(run)
            size = run.stat().st_size + (edits.stat().st_size if edits.exists() else 0)
            run.unlink()
            edits.unlink(missing_ok=True)
        except (RunFileError, OSError):
            self._unreadable.add(run)
            return 0
        self._say(f"{run.name} was removed to free space for newer runs ({size / 1e6:.1f} MB).")
        return size
