"""Which run files are whole: the command `verify`. Reads every byte of a run file once, and the edits beside it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from amptally.logger.channels import TIME_COLUMN
from amptally.logger.errors import RunFileError
from amptally.logger.storage.checksums import Part
from amptally.logger.storage.edits import read_edits
from amptally.logger.storage.runfile import RunFile, damaged, open_run, run_files

State = Literal["whole", "no_checksums", "damaged"]


@dataclass(frozen=True, slots=True)
class DamagedSamples:
    """A damaged part of a run whose footer is whole."""

    first_sample: int
    last_sample: int
    """Counted from 1."""
    after_s: float | None
    until_s: float | None
    """Run time of the last sample before it and the first one after it; None where there is none, or damaged too."""


@dataclass(frozen=True, slots=True)
class Verified:
    """What was found in one run file."""

    path: Path
    state: State
    samples: int | None
    """None where the footer cannot be used."""
    damaged: tuple[DamagedSamples, ...] = ()
    problem: str | None = None
    """Why it is not whole and what to do next, in one line."""

    def as_line(self) -> str:
        """The same for people."""
        return f"{self.path}: whole, {self.samples:,} samples" if self.problem is None else self.problem

    def as_json(self) -> dict[str, object]:
        """One entry of `runs`, as docs/json.md has it."""
        parts = [
            {"first_sample": part.first_sample, "last_sample": part.last_sample, "after_s": part.after_s,
             "until_s": part.until_s}
            for part in self.damaged
        ]  # fmt: skip
        return {
            "file": str(self.path), "state": self.state, "samples": self.samples, "damaged": parts,
            "problem": self.problem,
        }  # fmt: skip


def verify(path: Path) -> Iterator[Verified]:
    """Verify a run file, or all those of a folder by name. Raises RunFileError for a folder without any."""
    if not path.is_dir():
        yield verify_run(path)
        return
    found = list(run_files(path))
    if not found:
        raise RunFileError(f"{path} holds no run files (*.parquet). Name the folder given to record --out.")
    yield from map(verify_run, found)


def verify_run(path: Path) -> Verified:
    """Verify one run file and its edits."""
    try:
        run = open_run(path)
    except RunFileError as error:
        return Verified(path, "damaged", None, problem=str(error))
    parts: list[Part] = []
    try:
        if run.proof is not None:
            parts = list(run.proof.damaged())
    except OSError as error:
        return Verified(path, "damaged", run.rows, problem=f"Cannot read {path}: {error.strerror}.")
    if parts:
        return Verified(path, "damaged", run.rows, tuple(_samples(run, part) for part in parts), _advice(run, parts))
    try:
        read_edits(path)
    except RunFileError as error:
        return Verified(path, "damaged", run.rows, problem=str(error))
    if run.proof is None:
        advice = f"{path} has no checksums: it can be read, but damaged data would not be noticed."
        return Verified(path, "no_checksums", run.rows, problem=advice)
    return Verified(path, "whole", run.rows)


def _samples(run: RunFile, part: Part) -> DamagedSamples:
    before, after = _time_s(run, part.first_row - 1), _time_s(run, part.end_row)
    return DamagedSamples(part.first_row + 1, part.end_row, before, after)


def _time_s(run: RunFile, row: int) -> float | None:
    """Board time of a sample; None where there is no such sample, or its part is damaged too."""
    if not 0 <= row < run.rows:
        return None
    try:
        return int(run.read([], row, 1)[TIME_COLUMN][0]) / 1e6
    except RunFileError:
        return None


def _advice(run: RunFile, parts: list[Part]) -> str:
    """What is damaged and what to do next."""
    named = ", ".join(map(str, parts[:3])) + (f" and {len(parts) - 3} more parts" if len(parts) > 3 else "")
    whole = run.rows > sum(part.end_row - part.first_row for part in parts)
    kept = " Until then, report --from --to reads a stretch before the damage." if whole else ""
    return f"{damaged(run.path, f'{named} of {run.rows:,} are not as they were written')}{kept}"
