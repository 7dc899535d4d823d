"""Journals of recordings ended by a kill or a power cut: find them and recover their runs.

`python -m amptally.logger.recording.unfinished_journals FOLDER` recovers them all. It runs at the lowest priority, so
that a recording started meanwhile never waits for it.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from amptally.logger.errors import JournalError, LoggerError
from amptally.logger.ordinary_files import open_file
from amptally.logger.recording.lock import holders
from amptally.logger.recording.recovery import recover
from amptally.logger.recording.retention import Retention
from amptally.logger.storage.journal import MAGIC, SHORTEST_HEADER, JournalReader, Record, last_note

_RUN_NAME = re.compile(r"\d{8}T\d{6}Z-[0-9a-f]{4}")
"""What the recorder calls a run."""


def unfinished_journals(folder: Path) -> list[Path]:
    """Journals without a run file beside them and without a recorder writing them, oldest first.

    Only those of this program: a stranger may name anything so. One whose recording ended by itself and understood
    nothing was not interrupted.
    """
    held = {os.path.realpath(holder.journal) for holder in holders()}
    return [
        path
        for path in sorted(folder.glob("*.journal"))
        if os.path.realpath(path) not in held
        and not path.with_suffix(".parquet").exists()
        and _ours(path)
        and not _understood_nothing(path)
    ]


def _ours(path: Path) -> bool:
    """An ordinary file that begins like a journal, or has the name of one."""
    try:
        with open_file(path) as file:
            return bool(_RUN_NAME.fullmatch(path.stem)) or file.read(len(MAGIC)) == MAGIC
    except OSError:
        return False


def _understood_nothing(path: Path) -> bool:
    try:
        note = last_note(path)
    except OSError:
        return False
    return note is not None and note.get("what") == "stop" and note.get("understood") is False


def recover_unfinished(journal: Path, keep_journal: bool) -> str:
    """Recover one journal; returns the message for the operator.

    The journal is removed once its run has been written and re-read, or if it holds no byte from a board. One that
    cannot be read is not removed.
    """
    try:
        path, metadata = recover(journal, None)
    except LoggerError as error:
        if isinstance(error, JournalError) and holds_nothing(journal):
            journal.unlink(missing_ok=True)
            return f"{journal.name} contained nothing from a board and was removed."
        return f"{journal.name} was not removed: {error}"
    except Exception as error:  # a defect in one recovery must not keep the others from theirs
        return f"{journal.name} was not removed: unexpected {type(error).__name__}, a defect. Please report it."
    Retention(journal.parent, 0, lambda _: None).add_newest(path)
    if not keep_journal:
        journal.unlink(missing_ok=True)
    faults = ", ".join(f"{kind} {count}" for kind, count in metadata.faults.items()) or "no faults"
    return f"{path.name} was recovered from an interrupted recording ({faults})."


def holds_nothing(journal: Path) -> bool:
    """Whether no byte from a board is in it: there is no run to recover."""
    try:
        reader = JournalReader(journal)
        return all(isinstance(found, Record) and found.kind != "bytes" for found in reader)
    except LoggerError:
        # Interrupted before the header was written: the board had not been started yet. Others' files are left alone.
        return bool(_RUN_NAME.fullmatch(journal.stem)) and journal.stat().st_size < SHORTEST_HEADER


class BackgroundRecovery:
    """A process that recovers unfinished journals while a recording runs; its lines are passed on as they appear."""

    def __init__(self, folder: Path, keep_journal: bool, say: Callable[[str], None]) -> None:
        command = [sys.executable, "-m", "amptally.logger.recording.unfinished_journals", str(folder)]
        command += ["--keep-journal"] * keep_journal
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
        )
        self._thread = threading.Thread(target=self._pass_on, args=(say,), daemon=True, name="background recovery")
        self._thread.start()

    def _pass_on(self, say: Callable[[str], None]) -> None:
        assert self._process.stdout is not None
        with contextlib.suppress(ValueError):  # closed meanwhile
            for line in self._process.stdout:
                say(line.strip())

    def end(self) -> None:
        """Stop it; the next recording continues with the rest."""
        self._process.terminate()
        self._process.wait()
        self._thread.join(timeout=2)
        assert self._process.stdout is not None
        self._process.stdout.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Recover all unfinished journals of a folder; one line for each on stdout."""
    parser = argparse.ArgumentParser(
        prog="python -m amptally.logger.recording.unfinished_journals", description="Recover interrupted recordings."
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep-journal", action="store_true")
    options = parser.parse_args(arguments)
    with contextlib.suppress(OSError, AttributeError):
        os.nice(19)
    for journal in unfinished_journals(options.folder):
        print(recover_unfinished(journal, options.keep_journal), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
