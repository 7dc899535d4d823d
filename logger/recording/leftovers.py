"""Journals that a kill or a power cut left behind, found and turned into runs.

`python -m amptally.logger.recording.leftovers FOLDER` does it for one folder.

Run at the lowest priority beside a recording, so that a drive that begins at once is not kept waiting by the last one.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from amptally.logger.errors import JournalError, LoggerError
from amptally.logger.recording.lock import holders
from amptally.logger.recording.recovery import recover
from amptally.logger.recording.ring import Ring
from amptally.logger.storage.journal import JournalReader, Record


def leftovers(folder: Path) -> list[Path]:
    """Journals without a run file beside them that nobody is writing, oldest first."""
    held = {holder.journal.resolve() for holder in holders()}
    found = sorted(folder.glob("*.journal"))
    return [path for path in found if path.resolve() not in held and not path.with_suffix(".parquet").exists()]


def clear(journal: Path, keep_journal: bool) -> str:
    """Turn one into a run; what to tell. The journal goes as after any recording: once its run was written and re-read.

    One that holds no byte from a board is removed; one that cannot be read is kept.
    """
    try:
        path, metadata = recover(journal, None)
    except LoggerError as error:
        if isinstance(error, JournalError) and _holds_nothing(journal):
            journal.unlink(missing_ok=True)
            return f"{journal.name} held nothing from a board, and was removed."
        return f"{journal.name} is kept: {error}"
    Ring(journal.parent, 0, lambda _: None).note(path)
    if not keep_journal:
        journal.unlink(missing_ok=True)
    faults = ", ".join(f"{kind} {count}" for kind, count in metadata.faults.items()) or "no faults"
    return f"{path.name} was recovered from a recording that was cut off ({faults})."


def _holds_nothing(journal: Path) -> bool:
    try:
        reader = JournalReader(journal)
        return all(isinstance(found, Record) and found.kind != "bytes" for found in reader)
    except LoggerError:
        # Cut off before even the header was safe: nothing had been asked of a board yet.
        return journal.stat().st_size < len(b"AMPJRNL1") + 4


class Clearing:
    """The process that clears a folder while a recording runs; its lines are said as they come."""

    def __init__(self, folder: Path, keep_journal: bool, say: Callable[[str], None]) -> None:
        command = [sys.executable, "-m", "amptally.logger.recording.leftovers", str(folder)] + [
            "--keep-journal"
        ] * keep_journal
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
        )
        self._thread = threading.Thread(target=self._tell, args=(say,), daemon=True, name="leftovers")
        self._thread.start()

    def _tell(self, say: Callable[[str], None]) -> None:
        assert self._process.stdout is not None
        with contextlib.suppress(ValueError):  # closed meanwhile
            for line in self._process.stdout:
                say(line.strip())

    def end(self) -> None:
        """Break off what is not done; the next recording goes on with it."""
        self._process.terminate()
        self._process.wait()
        self._thread.join(timeout=2)
        assert self._process.stdout is not None
        self._process.stdout.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Clear a folder; one line for each journal on stdout."""
    parser = argparse.ArgumentParser(
        prog="python -m amptally.logger.recording.leftovers", description="Recover what was cut off."
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep-journal", action="store_true")
    options = parser.parse_args(arguments)
    with contextlib.suppress(OSError, AttributeError):
        os.nice(19)
    for journal in leftovers(options.folder):
        print(clear(journal, options.keep_journal), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
