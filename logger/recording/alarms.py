"""Observers receive samples as they arrive and return alarms, which are stored in the journal and the run file.

An observer that raises an exception is dropped; the recording continues without it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Alarm = dict[str, Any]
"""The latest state of an alarm: `number` (its position in the run), then the keys of docs/run-file.md."""
Observer = Callable[[Ints, dict[str, Ints]], Sequence[Mapping[str, Any]] | None]
"""Called with run time in µs and columns in storage units (`INT64_NULL` where not measured), in order and without
overlap, about a tenth of a second after they arrived, later if the computer is busy. Returns the alarms that began,
ended or got worse."""

MAX_ALARMS = 1000
MAX_WAITING_ROWS = 4096
_MAX_TEXT = 400
_NUMBERS = ("at_s", "value", "limit", "worst")
_TEXTS = ("code", "severity", "text", "unit")


class Observers:
    """Passes samples on in batches, so that small frames cost no more than large ones."""

    def __init__(self, observers: tuple[Observer, ...]) -> None:
        self._observers = observers
        self._waiting: list[tuple[Ints, dict[str, Ints]]] = []
        self._rows = 0
        self._changed: dict[int, Alarm] = {}
        self.trouble: list[str] = []
        """Errors of the observers that failed and were dropped."""

    def add(self, run_us: Ints, columns: dict[str, Ints]) -> None:
        """Queue samples for the observers."""
        if not self._observers:
            return
        self._waiting.append((run_us, columns))
        self._rows += len(run_us)
        if self._rows >= MAX_WAITING_ROWS:
            self._pass_on()

    def alarms(self) -> list[Alarm]:
        """Pass on the queued samples; return the latest state of the alarms that changed since the last call."""
        self._pass_on()
        changed, self._changed = self._changed, {}
        return [alarm for _, alarm in sorted(changed.items())]

    def _pass_on(self) -> None:
        for run_us, columns in self._batches():
            for observer in self._observers:
                try:
                    for raised in observer(run_us, columns) or ():
                        alarm = alarm_of(raised)
                        if alarm is not None:
                            self._changed[alarm["number"]] = alarm
                except Exception as error:  # the recording continues whatever an observer raises
                    self._observers = tuple(other for other in self._observers if other is not observer)
                    self.trouble.append(f"unexpected {type(error).__name__}: {error}")

    def _batches(self) -> Iterator[tuple[Ints, dict[str, Ints]]]:
        """The queued samples, concatenated as long as the columns stay the same."""
        waiting, self._waiting, self._rows = self._waiting, [], 0
        while waiting:
            names = waiting[0][1].keys()
            count = next((n for n, (_, columns) in enumerate(waiting) if columns.keys() != names), len(waiting))
            joined, waiting = waiting[:count], waiting[count:]
            yield (
                np.concatenate([run_us for run_us, _ in joined]),
                {name: np.concatenate([columns[name] for _, columns in joined]) for name in names},
            )


def alarm_of(note: Mapping[str, Any]) -> Alarm | None:
    """The alarm in an observer's result or a journal note, with known keys only; None where it is not a valid alarm."""
    number, ended_s = note.get("number"), note.get("ended_s")
    if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number < MAX_ALARMS:
        return None
    numbers = {key: note.get(key) for key in _NUMBERS}
    texts = {key: note.get(key) for key in _TEXTS}
    if not all(_finite(value) for value in numbers.values()) or not (ended_s is None or _finite(ended_s)):
        return None
    if not all(isinstance(text, str) and len(text) <= _MAX_TEXT for text in texts.values()):
        return None
    return {"number": number, **texts, **numbers, "ended_s": ended_s}


def _finite(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e15 and math.isfinite(value)
