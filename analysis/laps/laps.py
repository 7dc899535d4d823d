"""Laps of a run, from marks, distance or the signals: what each took, and how many a charge gives.

docs/methods.md, Laps. n boundaries make n − 1 laps.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from amptally.analysis.controller.pulses import changes_of
from amptally.analysis.laps.circuits import find_laps
from amptally.analysis.laps.frames import run_frames
from amptally.analysis.laps.marks import (
    BOUNCE_S,
    Boundaries,
    Progress,
    from_distance,
    from_marks,
    press_times,
    settled,
    wheel_distance,
)
from amptally.analysis.laps.per_charge import laps_in, trend
from amptally.analysis.laps.signal import LapFacts, SignalLaps
from amptally.analysis.laps.table import Lap, lap_table
from amptally.analysis.quality.doubts import Aspect, Doubts
from amptally.analysis.quality.wheel_counts import most_counts_per_s
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.leads import SIDES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.charging import on_charger
from amptally.analysis.runs.run import Floats, Run

Method = Literal["marker", "distance", "signal"]

SAME_LENGTH = 0.05
"""Laps found in the signals are those of the machine file if the wheels covered its length within this part."""
MAX_GAP = 0.01
"""A lap with a larger unsampled part does not count towards the mean charge of a lap."""
MAX_LAPS = 10_000
"""Laps that are computed: more than any machine of this kind drives on one charge."""
BATTERY, VOLTAGE = "battery_current_a", "battery_voltage_v"


@dataclass(frozen=True, slots=True)
class Laps:
    """The complete laps of a run, or why there are none."""

    method: Method | None
    """What told them apart; None without laps."""
    each: tuple[Lap, ...]
    reasons: tuple[Reason, ...]
    """Why there are no laps; empty where there are."""
    confidence: float
    """1 for marks and distance; for signals how clearly the run repeats itself, 0 to 1."""
    findings: tuple[Reason, ...] = ()
    before_s: tuple[float, float] | None = None
    """From the start of the run to the first boundary: rest and partial lap."""
    after_s: tuple[float, float] | None = None
    """From the last boundary to the end of the run."""
    gain_u: float | None = None
    """Relative error of the battery current's gain, 1 σ, the same on all laps; None where not declared."""
    offset_u_a: float | None = None
    """Error of its offset, 1 σ [A]."""

    def charges_ah(self) -> Floats:
        """Net charge [Ah] of the laps that were sampled throughout and are not doubtful, shape (n,)."""
        good = [lap for lap in self.each if not lap.doubtful and lap.gap_s <= MAX_GAP * lap.duration_s]
        return np.array([lap.net_ah for lap in good if lap.net_ah is not None])

    def trend(self) -> Estimate:
        """How the net charge grows from lap to lap [Ah]."""
        return trend(self.charges_ah(), "Ah")


def laps_per_charge(
    laps: Laps, full_ah: Estimate, left_ah: Estimate, growth: float, doubts: Doubts
) -> tuple[Estimate, Estimate]:
    """Laps that a full charge and the remaining charge give, each lap like those of the run.

    full_ah, left_ah: usable charge at this load [Ah], from analysis/forecast/remaining.py; `growth` is the ratio of a
    later lap's charge to one of this run, as the voltage falls. Refused where a charge is, under a doubt about the
    battery current, or with fewer than two laps.
    """
    rests_on: tuple[tuple[str, Aspect], ...] = ((BATTERY, "ahead"), (VOLTAGE, "ahead"))
    charges = laps.charges_ah()
    offset_ah = None
    if laps.offset_u_a is not None and laps.each:
        offset_ah = laps.offset_u_a * float(np.mean([lap.duration_s for lap in laps.each])) / 3600
    against = doubts.against(*rests_on)

    def given_by(charge_ah: Estimate) -> Estimate:
        # A doubt that refuses these has emptied the table of laps too: it is the reason, not the missing laps.
        if against is not None and charge_ah.value is not None:
            return refuse("", against)
        return doubts.hold(laps_in(charge_ah, charges, laps.gain_u, offset_ah, growth), *rests_on)

    return given_by(full_ah), given_by(left_ah)


def assess_laps(run: Run, doubts: Doubts) -> Laps:
    """Laps from marks added later; else, as [lap] marked_by says or in this order: presses, distance, the signals.

    `doubts` take away the figures that rest on a doubted channel; the boundaries stand.
    """
    return _under(_assess(run), doubts)


def _under(laps: Laps, doubts: Doubts) -> Laps:
    """The same laps without the figures that the doubts refuse."""

    def stands(*rests_on: tuple[str, Aspect]) -> bool:
        return doubts.against(*rests_on) is None

    charge, peak = stands((BATTERY, "lap_net")), stands((BATTERY, "lap_peak"))
    energy, voltage = charge and stands((VOLTAGE, "lap_energy")), stands((VOLTAGE, "lap_voltage"))
    left, right = (stands((f"{side}_current_a", "channel_charge")) for side in SIDES)
    each = tuple(
        replace(
            lap,
            net_ah=lap.net_ah if charge else None,
            net_wh=lap.net_wh if energy else None,
            peak_a=lap.peak_a if peak else None,
            min_voltage_v=lap.min_voltage_v if voltage else None,
            sag_v=lap.sag_v if voltage else None,
            left_ah=lap.left_ah if left else None,
            right_ah=lap.right_ah if right else None,
        )
        for lap in laps.each
    )
    return replace(laps, each=each)


def _assess(run: Run) -> Laps:
    added = run.edits.lap_marks_s
    if added is not None:
        return _from_edits(run, added)
    marked_by = run.machine.lap.marked_by if run.machine and run.machine.lap else None
    if marked_by == "none":
        return _none("laps_unwanted")
    ways = {
        "distance": (_from_distance, _from_presses, _from_signals),
        "signal": (_from_signals,),
    }.get(marked_by or "", (_from_presses, _from_distance, _from_signals))
    for way in ways:
        found = way(run)
        if found.each:
            return found
    # The last way can always be tried; its reason says most about the run.
    return found


def _none(code: str, /, confidence: float = 0.0, **facts: float) -> Laps:
    """No laps, and the code of the reason with its facts."""
    return Laps(None, (), (Reason(code, **facts),), confidence)


def _from_edits(run: Run, added: tuple[float, ...]) -> Laps:
    """The marks as given, without judging them."""
    first, last = run.start_s, run.end_s
    inside = sorted({mark for mark in added if first <= mark <= last})
    if len(inside) < 2:
        return _none("lap_marks_few", 1.0, marks=len(inside))
    return _laps(run, "marker", [Boundaries(tuple(inside))], 1.0, ())


def _from_presses(run: Run) -> Laps:
    if not run.has("mark"):
        return _none("marker_unrecorded")
    marks = changes_of(run, "mark")
    presses, lost = press_times([] if marks is None else [marks])
    found = from_marks(presses)
    if found.doubtful:
        found = _settled(run, found)
    if len(found.times_s) < 2:
        return _none("marker_presses_few", presses=len(found.times_s))
    return _laps(run, "marker", [found], 1.0, _mark_findings(found, lost))


def _settled(run: Run, found: Boundaries) -> Boundaries:
    """Settle by the wheels whether long laps hold several, else by the signals."""
    distance = _distance(run)
    if distance is not None:
        return settled(found, distance)
    frames = run_frames(run)
    signal = find_laps(frames) if frames is not None else None
    return found if signal is None or signal.progress is None else settled(found, signal.progress)


def _mark_findings(found: Boundaries, lost: int) -> tuple[Reason, ...]:
    if not (found.doubled or found.stray or found.placed or found.doubtful or lost):
        return ()
    return (
        Reason(
            "lap_marks",
            doubled=found.doubled,
            stray=found.stray,
            placed=len(found.placed),
            placed_by=found.placed_by,
            doubtful_laps=tuple(place + 1 for place in found.doubtful),
            lost=lost,
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
    return wheel_distance(run.paired("left_wheel_count", "right_wheel_count"), per_count, most_counts_per_s(machine))


def _from_distance(run: Run) -> Laps:
    """Every length_m of wheel distance; at the signals' own boundaries where they show laps of that length."""
    length_m = run.machine.lap.length_m if run.machine and run.machine.lap else None
    distance = _distance(run)
    if not length_m or distance is None:
        return _none("lap_distance_undescribed")
    covered = float(distance.amount[-1] - distance.amount[0]) / length_m
    if covered > _most_laps(run):
        return _too_many(run, covered)
    found = from_distance(distance, length_m)
    if len(found.times_s) < 2:
        return _none("lap_distance_short", length_m=length_m)
    frames = run_frames(run)
    signal = find_laps(frames) if frames is not None else None
    better = None if signal is None else _of_length(signal, distance, length_m)
    repeat_m = None
    if better is not None:
        run_m = [distance.between(a, b) for part in better for a, b in itertools.pairwise(part.times_s)]
        repeat_m = float(np.median(run_m))
    note = Reason("laps_from_distance", length_m=length_m, repeat_m=repeat_m)
    return _laps(run, "distance", better or [found], 1.0, (note,))


def _of_length(signal: SignalLaps, distance: Progress, length_m: float) -> list[Boundaries] | None:
    """Boundaries found in the signals: every one, every second or every third, where that is one lap by the wheels."""
    run_m = [distance.between(a, b) for part in signal.boundaries_s for a, b in itertools.pairwise(part)]
    run_m = [metres for metres in run_m if np.isfinite(metres)]
    if not run_m:
        return None
    usual = float(np.median(run_m))
    for times in (1, 2, 3):
        if abs(times * usual / length_m - 1) < SAME_LENGTH:
            return [Boundaries(part[::times]) for part in signal.boundaries_s if len(part) > times]
    return None


def _facts(run: Run) -> LapFacts:
    """What the machine file says of a lap and of the wheels."""
    machine = run.machine
    if machine is None:
        return LapFacts()
    per_count, track_m = machine.metres_per_count, machine.track_m
    track_counts = track_m / per_count if track_m and per_count else None
    return LapFacts(machine.lap.duration_s if machine.lap else None, track_counts)


def _from_signals(run: Run) -> Laps:
    charged = on_charger(run)
    if charged is not None and charged["alone"]:
        return _none("battery_charging")
    frames = run_frames(run)
    if frames is None:
        return _none("lap_channels_absent")
    found = find_laps(frames, _facts(run))
    if not found.boundaries_s:
        return Laps(None, (), (found.reason or Reason("signals_unrepeating"),), found.confidence)
    note = Reason(
        "laps_from_signal", confidence=found.confidence, circuits=found.circuits, uncovered_s=found.uncovered_s
    )
    return _laps(run, "signal", [Boundaries(part) for part in found.boundaries_s], found.confidence, (note,))


def _most_laps(run: Run) -> float:
    return min(run.duration_s / BOUNCE_S, MAX_LAPS)


def _too_many(run: Run, laps: float) -> Laps:
    return _none("laps_too_many", laps=round(laps), most=math.floor(_most_laps(run)), duration_s=run.duration_s)


def _laps(run: Run, method: Method, parts: list[Boundaries], confidence: float, findings: tuple[Reason, ...]) -> Laps:
    count = sum(len(part.times_s) - 1 for part in parts if part.times_s)
    if count > _most_laps(run):
        return _too_many(run, count)
    each = tuple(lap for part in parts for lap in lap_table(run, part.times_s, part.doubtful))
    sensor = run.sensor("battery_current_a")
    before = (run.start_s, each[0].start_s) if each and each[0].start_s > run.start_s else None
    after = (each[-1].end_s, run.end_s) if each and each[-1].end_s < run.end_s else None
    return Laps(method if each else None, each, (), confidence, findings, before, after, sensor.gain_u, sensor.offset_u)
