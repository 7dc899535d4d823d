"""Laps of a run: from marks, from distance, else from the signals; what each took, and how many a charge gives.

docs/methods.md, Laps. n boundaries make n − 1 laps.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np

from amptally.analysis.controller.pulses import changes_of
from amptally.analysis.laps.frames import run_frames
from amptally.analysis.laps.marks import (
    Boundaries,
    Progress,
    from_distance,
    from_marks,
    press_times,
    settled,
    wheel_distance,
)
from amptally.analysis.laps.per_charge import laps_in, trend
from amptally.analysis.laps.signal import SignalLaps, find_laps
from amptally.analysis.laps.table import Lap, lap_table
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.results.finding import Finding
from amptally.analysis.runs.run import Floats, Run

Method = Literal["marker", "distance", "signal"]

SAME_LENGTH = 0.05
"""Laps found in the signals are those of the machine file if the wheels ran its length within this part."""
MOST_GAP = 0.01
"""A lap of which more was not sampled does not count towards the mean charge of a lap."""


@dataclass(frozen=True, slots=True)
class Laps:
    """The complete laps of a run, or why there are none."""

    method: Method | None
    """What told them apart; None without laps."""
    each: tuple[Lap, ...]
    reason: str | None
    """Why there are no laps."""
    confidence: float
    """1 for marks and distance; for signals how clearly the run repeats itself, 0 to 1."""
    findings: tuple[Finding, ...] = ()
    before_s: tuple[float, float] | None = None
    """From the start of the run to the first boundary: rest and partial lap."""
    after_s: tuple[float, float] | None = None
    """From the last boundary to the end of the run."""
    gain_u: float | None = None
    """Relative error of the battery current's gain, 1 σ, the same on all laps; None where not declared."""
    offset_u_a: float | None = None
    """Error of its offset, 1 σ [A]."""

    def charges_ah(self) -> Floats:
        """Net charge of the laps that were sampled throughout and are no doubtful ones, shape (n,)."""
        good = [lap for lap in self.each if not lap.doubtful and lap.gap_s <= MOST_GAP * lap.duration_s]
        return np.array([lap.net_ah for lap in good if lap.net_ah is not None])

    def trend(self) -> Estimate:
        """How the net charge grows from lap to lap [Ah]."""
        return trend(self.charges_ah(), "Ah")

    def in_charge(self, full_ah: Estimate, left_ah: Estimate, growth: float = 1.0) -> tuple[Estimate, Estimate]:
        """Laps that a full charge gives, and that the charge left gives."""
        return laps_per_charge(self, full_ah, left_ah, growth)


def laps_per_charge(laps: Laps, full_ah: Estimate, left_ah: Estimate, growth: float = 1.0) -> tuple[Estimate, Estimate]:
    """Laps that a full charge and the charge left give, each lap like those of the run.

    full_ah, left_ah: usable charge at this load [Ah], from analysis/forecast/remaining.py; `growth` is how much more a
    lap to come takes, as the voltage falls. Refused where a charge is, or with fewer than two laps.
    """
    charges = laps.charges_ah()
    offset_ah = None
    if laps.offset_u_a is not None and laps.each:
        offset_ah = laps.offset_u_a * float(np.mean([lap.duration_s for lap in laps.each])) / 3600
    full, left = (laps_in(charge, charges, laps.gain_u, offset_ah, growth) for charge in (full_ah, left_ah))
    return full, left


def assess_laps(run: Run) -> Laps:
    """Marks put in later; else, as [lap] marked_by says or in this order: presses, distance, the signals."""
    added = run.edits.lap_marks_s
    if added is not None:
        return _from_edits(run, added)
    marked_by = run.machine.lap.marked_by if run.machine and run.machine.lap else None
    if marked_by == "none":
        return Laps(None, (), "the machine file says that its runs have no laps", 0.0)
    ways = {
        "distance": (_from_distance, _from_presses, _from_signals),
        "signal": (_from_signals,),
    }.get(marked_by or "", (_from_presses, _from_distance, _from_signals))
    reasons = []
    for way in ways:
        found = way(run)
        if found.each:
            return found
        reasons.append(found.reason or "")
    # The last way is the one that can always be tried; it says most about the run.
    return Laps(None, (), reasons[-1], found.confidence, found.findings)


def _from_edits(run: Run, added: tuple[float, ...]) -> Laps:
    """The marks as given, without judging them."""
    first, last = run.start_s, run.end_s
    inside = sorted({mark for mark in added if first <= mark <= last})
    if len(inside) < 2:
        return Laps(None, (), f"{len(inside)} lap marks in the run's edits within this part: two make a lap", 1.0)
    return _laps(run, "marker", [Boundaries(tuple(inside))], 1.0, ())


def _from_presses(run: Run) -> Laps:
    if not run.has("mark"):
        return Laps(None, (), "no marker button was recorded", 0.0)
    marks = changes_of(run, "mark")
    presses, lost = press_times([] if marks is None else [marks])
    found = from_marks(presses)
    if found.doubtful:
        found = _settled(run, found)
    if len(found.times_s) < 2:
        return Laps(None, (), f"the marker was pressed {len(found.times_s)} times: two marks make a lap", 0.0)
    return _laps(run, "marker", [found], 1.0, _mark_findings(found, lost))


def _settled(run: Run, found: Boundaries) -> Boundaries:
    """Ask the wheels whether long laps hold several, else the signals."""
    distance = _distance(run)
    if distance is not None:
        return settled(found, distance)
    frames = run_frames(run)
    signal = find_laps(frames) if frames is not None else None
    return found if signal is None or signal.progress is None else settled(found, signal.progress)


def _mark_findings(found: Boundaries, lost: int) -> tuple[Finding, ...]:
    laps = ", ".join(str(place + 1) for place in found.doubtful)
    many = len(found.doubtful) > 1
    told = [
        f"{found.doubled} presses left out that follow another at once" if found.doubled else "",
        f"{found.stray} left out in the middle of a lap" if found.stray else "",
        f"{len(found.placed)} boundaries put in where the {found.placed_by} show more than one lap"
        if found.placed
        else "",
        f"{'laps' if many else 'lap'} {laps} may be two or more, and {'are' if many else 'is'} left out of the mean"
        if found.doubtful
        else "",
        f"{lost} presses while nothing was recorded, at no known moment" if lost else "",
    ]
    if not any(told):
        return ()
    return (
        Finding(
            "note",
            "lap_marks",
            "Some lap marks look pressed twice or not at all.",
            "; ".join(filter(None, told)),
            "If that is wrong, put the marks right in the run's edits file (lap_marks_s).",
        ),
    )


def _distance(run: Run) -> Progress | None:
    """Distance by wheel counts, where both wheels count and their geometry is known."""
    machine = run.machine
    per_count = machine.metres_per_count if machine else None
    if per_count is None:
        return None
    if not run.has("left_wheel_count") or not run.has("right_wheel_count"):
        return None
    return wheel_distance(run.paired("left_wheel_count", "right_wheel_count"), per_count)


def _from_distance(run: Run) -> Laps:
    """Every length_m of wheel distance; where the signals show laps of that length, their boundaries are nearer."""
    length_m = run.machine.lap.length_m if run.machine and run.machine.lap else None
    distance = _distance(run)
    if not length_m or distance is None:
        needed = "wheel counts on both sides, wheel_diameter_m, wheel_counts_per_rev and [lap] length_m"
        return Laps(None, (), f"laps by distance need {needed}", 0.0)
    found = from_distance(distance, length_m)
    if len(found.times_s) < 2:
        return Laps(None, (), f"the wheels ran less than one lap of {length_m:g} m", 0.0)
    frames = run_frames(run)
    signal = find_laps(frames) if frames is not None else None
    better = None if signal is None else _of_length(signal, distance, length_m)
    evidence = f"every {length_m:g} m of the mean of both wheels from where they start to turn; slip and error add up"
    if better is not None:
        run_m = [distance.between(a, b) for part in better for a, b in itertools.pairwise(part.times_s)]
        evidence = f"the signals repeat every {np.median(run_m):.1f} m by the wheels: counted at that repetition"
    note = Finding(
        "note",
        "laps_from_distance",
        "Laps were counted by distance, not marked: where a lap begins is arbitrary.",
        evidence,
        "Press the marker at the same place each lap to have them counted from there.",
    )
    return _laps(run, "distance", better or [found], 1.0, (note,))


def _of_length(signal: SignalLaps, distance: Progress, length_m: float) -> list[Boundaries] | None:
    """Boundaries found in the signals, every one, second or third, if that is one lap by the wheels; else None."""
    run_m = [distance.between(a, b) for part in signal.boundaries_s for a, b in itertools.pairwise(part)]
    run_m = [metres for metres in run_m if np.isfinite(metres)]
    if not run_m:
        return None
    usual = float(np.median(run_m))
    for times in (1, 2, 3):
        if abs(times * usual / length_m - 1) < SAME_LENGTH:
            return [Boundaries(part[::times]) for part in signal.boundaries_s if len(part) > times]
    return None


def _from_signals(run: Run) -> Laps:
    frames = run_frames(run)
    if frames is None:
        return Laps(None, (), "no channel that could tell laps apart", 0.0)
    found = find_laps(frames)
    if not found.boundaries_s:
        return Laps(None, (), found.reason or "the signals do not repeat themselves", found.confidence)
    note = Finding(
        "note",
        "laps_from_signal",
        "Laps were found in the signals, not marked: where a lap begins is arbitrary.",
        f"confidence {found.confidence:.2f} of 1" + (f"; {found.reason}" if found.reason else ""),
        "Press the marker at the same place each lap to have them counted from there.",
    )
    return _laps(run, "signal", [Boundaries(part) for part in found.boundaries_s], found.confidence, (note,))


def _laps(run: Run, method: Method, parts: list[Boundaries], confidence: float, findings: tuple[Finding, ...]) -> Laps:
    each = tuple(lap for part in parts for lap in lap_table(run, part.times_s, part.doubtful))
    sensor = run.sensor("battery_current_a")
    before = (run.start_s, each[0].start_s) if each and each[0].start_s > run.start_s else None
    after = (each[-1].end_s, run.end_s) if each and each[-1].end_s < run.end_s else None
    return Laps(
        method if each else None, each, None, confidence, findings, before, after, sensor.gain_u, sensor.offset_u
    )
