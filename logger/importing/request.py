"""A whole import as asked for on the command line, and the command that would work where it cannot be done."""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from amptally.logger.errors import Correction, ImportDataError, ImportRequestError
from amptally.logger.importing.plausible import judge
from amptally.logger.importing.reader import Imported, read_columns
from amptally.logger.importing.source import column_names
from amptally.logger.importing.specs import one_line, parse_map, parse_time
from amptally.logger.unit_words import TIME_UNITS, unit_in_name

_MAX_CORRECTIONS = 12
_TIME_WORDS = {"t", "time", "timestamp", "millis", "micros", "date", "datetime", "clock", "elapsed", "seconds"}
_CURRENT_WORDS = {"i", "a", "ma", "ibat", "ibatt", "amps", "amp", "current", "curr"}
_VOLTAGE_WORDS = {"v", "u", "mv", "vbat", "vbatt", "volts", "volt", "voltage"}
_SIDES = {"left": "left", "l": "left", "right": "right", "r": "right"}


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
        if not (self.time and self.maps):
            raise ImportRequestError(self._what_is_missing())
        try:
            return self._read()
        except ImportDataError as error:
            command, reasons = self._that_works(error)
            raise ImportDataError(" And: ".join(reasons) + (f" Run: {command}" if command else "")) from error

    def _what_is_missing(self) -> str:
        """The answer to a request without time or without channels: the columns there are, and a likely command."""
        names = column_names(self.file)
        times: list[str] = []
        likely: dict[str, str] = {}
        for name in names:
            words = set(re.findall(r"[a-z]+", name.lower()))
            lead = next((_SIDES[word] for word in sorted(words) if word in _SIDES), "battery")
            if words & _TIME_WORDS or unit_in_name(name, ()) in TIME_UNITS:
                times.append(name)
            elif words & _CURRENT_WORDS:
                likely.setdefault(f"{lead}_current_a", name)
            elif words & _VOLTAGE_WORDS and lead == "battery":
                likely.setdefault("battery_voltage_v", name)
        maps = self.maps or tuple(f"{channel}={name}" for channel, name in likely.items())
        missing = " and ".join(["--time COLUMN"] * (not self.time) + ["--map CHANNEL=COLUMN"] * (not self.maps))
        listed = ", ".join(map(repr, names[:20])) + (f" and {len(names) - 20} more" if len(names) > 20 else "")
        asked = [replace(self, time=time, maps=maps) for time in ([self.time] if self.time else times) if maps]
        command = next(filter(None, map(Request._works, asked)), None)
        return one_line(f"say which columns are which: {missing}. {self.file} has {listed}.") + (
            f" Judging by the names, run: {command}" if command else ""
        )

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

    def _works(self) -> str | None:
        """The command, or one that corrects it and works."""
        try:
            self._read()
        except ImportDataError as error:
            return self._that_works(error)[0]
        return self.command

    def _that_works(self, error: ImportDataError) -> tuple[str | None, list[str]]:
        """A command that was tried and works, or None; and the reasons for all that it corrects."""
        request, correction, reasons = self, error.correction, [str(error)]
        for _ in range(_MAX_CORRECTIONS):
            if correction is None or (better := request.corrected(correction)) == request:
                break
            request = better
            try:
                request._read()
            except ImportDataError as further:
                reasons.append(str(further).removeprefix(f"{request.file}: "))
                correction = further.correction
            else:
                return request.command, reasons
        return None, reasons
