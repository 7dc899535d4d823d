"""Laps of a run: from the operator's marks, else from the signals themselves; and how many a charge gives.

docs/methods.md, Laps. n marks make n − 1 laps.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from analysis.energy import integrate
from analysis.estimate import Estimate, refuse
from analysis.finding import Finding
from analysis.lap_frames import run_frames
from analysis.lap_signal import find_laps
from analysis.propagate import power_of, product
from analysis.run import Floats, Run, Series, together

DOUBLE_SHARE = 0.25
"""A mark closer than this share of the median lap to the one before it is a double press. Our own choice."""
SKIPPED_SHARE = 1.7
"""A lap longer than this many medians looks like a skipped mark. Our own choice."""
STUDENT_T = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228)
"""t for 95 % at 1, 2 … 10 degrees of freedom (JCGM 100, table G.2)."""


@dataclass(frozen=True, slots=True)
class Lap:
    """One complete lap."""

    start_s: float
    end_s: float
    net_wh: float | None
    net_ah: float | None
    peak_a: float | None
    """Greatest |i| of the battery lead."""

    def as_json(self) -> dict[str, float | None]:
        """The report's entry."""
        return {
            "start_s": self.start_s,
            "end_s": self.end_s,
            "duration_s": self.end_s - self.start_s,
            "net_wh": self.net_wh,
            "net_ah": self.net_ah,
            "peak_a": self.peak_a,
        }


@dataclass(frozen=True, slots=True)
class Laps:
    """The complete laps of a run, or why there are none."""

    method: str | None
    """marker or signal; None without laps."""
    each: tuple[Lap, ...]
    reason: str | None
    confidence: float
    """1 for marks; for signals how clearly the run repeats itself, 0 to 1."""
    findings: tuple[Finding, ...] = ()

    def as_json(self) -> dict[str, object]:
        """method, found, each."""
        return {"method": self.method, "found": len(self.each), "each": [lap.as_json() for lap in self.each]}

    def in_charge(self, full_ah: Estimate, left_ah: Estimate) -> tuple[Estimate, Estimate]:
        """Laps that a full charge gives, and that the charge left gives, each lap like those of this run."""
        one = self.charge_of_a_lap()
        if one.value is None:
            return refuse("", one.refused or ""), refuse("", one.refused or "")
        per_ah = power_of(1.0, one, -1, "1/Ah", {})
        return product(full_ah, per_ah, ""), product(left_ah, per_ah, "")

    def charge_of_a_lap(self) -> Estimate:
        """Mean net charge of a lap [Ah] with Student's t: two laps say little, and the interval shows it."""
        charges = np.array([lap.net_ah for lap in self.each if lap.net_ah is not None])
        if len(charges) < 2:
            return refuse("Ah", self.reason or "two complete laps with battery current are needed")
        mean = float(charges.mean())
        if mean <= 0:
            return refuse("Ah", "the laps drew no net charge")
        degrees = len(charges) - 1
        t = STUDENT_T[degrees - 1] if degrees <= len(STUDENT_T) else 1.96 + 2.4 / degrees
        half = t * float(charges.std(ddof=1)) / math.sqrt(len(charges))
        return Estimate(mean, max(mean - half, 0.0), mean + half, "Ah", basis=f"scatter of {len(charges)} laps")


def mark_times(series: Series) -> Floats:
    """Times at which the running count of the marker button rises; a fall is a board that started anew."""
    steps = np.diff(series.value)
    return np.asarray(series.time_s[1:][steps > 0])


def without_doubles(marks_s: Floats) -> tuple[Floats, int]:
    """Marks with double presses left out, and how many those were."""
    if len(marks_s) < 3:
        return marks_s, 0
    limit = DOUBLE_SHARE * float(np.median(np.diff(marks_s)))
    kept = [float(marks_s[0])]
    kept += [float(mark) for before, mark in itertools.pairwise(marks_s) if mark - before > limit]
    return np.array(kept), len(marks_s) - len(kept)


def assess_laps(run: Run) -> Laps:
    """Marks added later, marks of the button, else the signals."""
    added = run.edits.lap_marks_s
    series = run.series("mark")
    if added is not None:
        inside = (run.time_s[0] <= np.array(added)) & (np.array(added) <= run.time_s[-1])
        marks = np.array(added)[inside]
    else:
        marks = np.empty(0) if series is None else mark_times(series)
    if len(marks) >= 2:
        return _from_marks(run, marks)
    frames = run_frames(run)
    if frames is None:
        return Laps(None, (), "no channel that could tell laps apart", 0.0)
    found = find_laps(frames)
    if not found.boundaries_s:
        return Laps(None, (), found.reason or "the signals do not repeat themselves", found.confidence)
    each = tuple(_lap(run, start, end) for stretch in found.boundaries_s for start, end in itertools.pairwise(stretch))
    note = Finding(
        "note",
        "laps_from_signal",
        "Laps were found in the signals, not marked: where a lap begins is arbitrary.",
        f"confidence {found.confidence:.2f}" + (f"; {found.reason}" if found.reason else ""),
        "Press the marker at the same place each lap to have them counted from there.",
    )
    return Laps("signal", each, None, found.confidence, (note,))


def _from_marks(run: Run, marks_s: Floats) -> Laps:
    marks_s, doubles = without_doubles(marks_s)
    each = tuple(_lap(run, float(a), float(b)) for a, b in itertools.pairwise(marks_s))
    lengths = np.diff(marks_s)
    long = np.flatnonzero(lengths > SKIPPED_SHARE * np.median(lengths)) if len(lengths) > 2 else np.empty(0, int)
    findings = []
    if doubles or len(long):
        laps = ", ".join(str(place + 1) for place in long)
        evidence = f"{doubles} double presses left out" + (f"; lap {laps} far longer than the median" if laps else "")
        findings.append(
            Finding(
                "note",
                "lap_marks",
                "Some lap marks look pressed twice or not at all.",
                evidence,
                "Mend them in the run's edits file (lap_marks_s), or take the laps concerned out of comparisons.",
            )
        )
    return Laps("marker", each, None, 1.0, tuple(findings))


def _lap(run: Run, start_s: float, end_s: float) -> Lap:
    """Figures of the battery lead between two times."""
    current, voltage = run.series("battery_current_a"), run.series("battery_voltage_v")
    part = None if current is None else _between(current, start_s, end_s)
    if part is None:
        return Lap(start_s, end_s, None, None, None)
    net_ah = integrate(part.time_s, part.value, part.gap_after).net / 3600
    net_wh = None
    if voltage is not None:
        time_s, amps, volts, gap_after = together(part, voltage)
        if len(time_s) > 1:
            net_wh = integrate(time_s, amps * volts, gap_after).net / 3600
    return Lap(start_s, end_s, net_wh, net_ah, float(np.abs(part.value).max()))


def _between(series: Series, start_s: float, end_s: float) -> Series | None:
    first, last = np.searchsorted(series.time_s, (start_s, end_s), "left")
    stop = min(int(last) + 1, len(series.time_s))
    if stop - first < 2:
        return None
    return Series(series.time_s[first:stop], series.value[first:stop], series.gap_after[first : stop - 1])
