"""A whole import as asked for on the command line, and the command that would work where it cannot be done."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from amptally.logger.errors import Correction, ImportDataError
from amptally.logger.importing.plausible import judge
from amptally.logger.importing.reader import Imported, read_columns
from amptally.logger.importing.specs import parse_map, parse_time

_MAX_CORRECTIONS = 12


@dataclass(frozen=True, slots=True)
class Request:
    """The arguments of `amptally import`."""

    file: Path
    time: str
    """COLUMN[:UNIT]."""
    maps: tuple[str, ...]
    """CHANNEL=COLUMN[:UNIT] each."""
    out: Path
    discharge: Literal["positive", "negative"] | None = None
    """None where it was not said: positive."""
    as_read: bool = False
    """Take units, signs and times as they are read."""
    rest: tuple[str, ...] = ()
    """Other arguments, as written."""

    @property
    def command(self) -> str:
        """The command line, to be run in the same folder."""
        words = ["amptally", "import", str(self.file), "--time", self.time, "--map", *self.maps]
        if self.discharge is not None:
            words += ["--discharge", self.discharge]
        return shlex.join([*words, *self.rest, *["--as-read"] * self.as_read, "--out", str(self.out)])

    def corrected(self, correction: Correction) -> Request:
        """The same with what was probably meant."""
        maps = (correction.maps.get(text.partition("=")[0].strip(), text) for text in self.maps)
        discharge = self.discharge
        if correction.discharge is not None:
            discharge = "negative" if correction.discharge == "negative" else "positive"
        return replace(self, time=correction.time or self.time, maps=tuple(maps), discharge=discharge)

    def read(self) -> Imported:
        """Read the columns. Raises ImportDataError, with the command to run instead where one would work."""
        try:
            return self._read()
        except ImportDataError as error:
            raise _with_command(self, error) from error

    def _read(self) -> Imported:
        imported = read_columns(
            self.file, parse_time(self.time), [parse_map(text) for text in self.maps], self.discharge or "positive"
        )
        if self.as_read:
            return imported
        if imported.doubts:
            raise imported.doubts[0]
        note = judge(
            str(self.file), imported.frame, imported.time, imported.maps,
            time_said=imported.time.column in imported.units_said,
            duplicates=imported.repairs.get("duplicate_time", 0),
            discharge=self.discharge or "positive", discharge_said=self.discharge is not None,
        )  # fmt: skip
        return imported if note is None else replace(imported, notes=(*imported.notes, note))


def _with_command(request: Request, error: ImportDataError) -> ImportDataError:
    """The error with a command that was tried: further corrections it needs are in it, with their reasons."""
    said, correction = [str(error)], error.correction
    for _ in range(_MAX_CORRECTIONS):
        if correction is None or (better := request.corrected(correction)) == request:
            break
        request = better
        try:
            request._read()
        except ImportDataError as further:
            said.append(str(further).removeprefix(f"{request.file}").lstrip(": "))
            correction = further.correction
        else:
            return ImportDataError(f"{' Then: '.join(said)} Run: {request.command}")
    return ImportDataError(" Then: ".join(said[:1] if correction is not None else said))
