"""Laps of a whole run: of one circuit, or of several one after the other, and what of the drive they do not cover.

docs/methods.md, Laps.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from amptally.analysis.laps.frames import Frames, at_rest, by_distance, filled, stretches
from amptally.analysis.laps.signal import NOTHING_KNOWN, LapFacts, SignalLaps, idle, none_found, one_circuit, usual_s
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Flags

MAX_CIRCUITS = 4
REACH = 1.3
"""What is driven beside the laps is looked through where it lasts longer than this many of them."""
MAX_CUTS = 5
"""Standings at which one circuit may give way to another."""
MAX_UNCOVERED = 0.5
"""More time driven outside of the laps than this part of that within: the laps are no account of the drive."""


def find_laps(frames: Frames, facts: LapFacts = NOTHING_KNOWN) -> SignalLaps:
    """Laps of a run from the shape of its signals.

    The machine must repeat itself: at least two complete laps of at least 5 s. Sides of a loop that look alike in every
    channel cannot be told apart from laps; where something hints at them, nothing is given unless `facts` decide.
    """
    nothing = idle(frames)
    if nothing is not None:
        return none_found(nothing)
    moving = np.logical_not(_standing(frames))
    found = _circuits(frames, moving, facts, MAX_CIRCUITS)
    if not found.boundaries_s:
        return found
    covered_s, uncovered_s = _covered(frames, moving, found)
    if uncovered_s > MAX_UNCOVERED * covered_s:
        reason = Reason("laps_uncovered", covered_s=covered_s, uncovered_s=uncovered_s)
        return replace(found, boundaries_s=(), reason=reason)
    return replace(found, uncovered_s=uncovered_s)


def _standing(frames: Frames) -> Flags:
    """Frames in which the machine stands, by its wheels or else by the signals."""
    travelled = by_distance(frames)
    if travelled is None or travelled.edges_s is None or travelled.resting is None:
        return at_rest(filled(frames.values), frames.interval_s)
    middle_s = frames.time_s(np.arange(frames.count) + 0.5)
    at = np.clip(np.searchsorted(travelled.edges_s, middle_s, "right") - 1, 0, travelled.count - 1)
    return np.asarray(travelled.resting[at])


def _circuits(frames: Frames, moving: Flags, facts: LapFacts, most: int) -> SignalLaps:
    """Laps of one circuit after the other: what the laps of one leave is looked through for those of another."""
    found = one_circuit(frames, facts)
    window_s = None
    if found.boundaries_s and most > 1:
        window_s = found.changes_s or _border_s(frames, moving, found)
    if window_s is None:
        return found
    cuts = [_cut(frames, moving, cut_s) for cut_s in _cuts_s(frames, moving, *window_s)]
    best = max(cuts, key=lambda cut: sum(one_circuit(each, facts).count for each, _ in cut))
    parts = [_circuits(each, keep, facts, most - 1) for each, keep in best]
    given = [part for part in parts if part.boundaries_s]
    if found.changes_s is None and sum(part.count for part in given) < found.count:
        return found
    return _together(given) if given else replace(found, boundaries_s=(), reason=Reason("laps_change"))


def _border_s(frames: Frames, moving: Flags, found: SignalLaps) -> tuple[float, ...] | None:
    """Two moments between which the laps found give way to the longest other drive beside them, and a guess when.

    None without such a drive.
    """
    if found.fits_s is None:
        return None
    lap_s = usual_s(found)
    middle_s = frames.time_s(np.arange(frames.count) + 0.5)
    (begin_s, end_s), first_s, last_s = found.fits_s, found.boundaries_s[0][0], found.boundaries_s[-1][-1]
    before_s, after_s = (moving[side].sum() * frames.interval_s for side in (middle_s < begin_s, middle_s > end_s))
    if max(before_s, after_s) < REACH * lap_s:
        return None
    if after_s > before_s:
        return last_s - lap_s, last_s + REACH * lap_s, end_s
    return first_s - REACH * lap_s, first_s + lap_s, begin_s


def _cuts_s(frames: Frames, moving: Flags, low_s: float, high_s: float, *guesses_s: float) -> list[float]:
    """Where two circuits may meet: the longest standings between two moments, their middle, and the guesses."""
    rests = np.array(stretches(~moving), dtype=np.float64).reshape(-1, 2)
    middle_s = frames.time_s(rests.mean(axis=1))
    inside = np.flatnonzero((middle_s >= low_s) & (middle_s <= high_s))
    longest = inside[np.argsort(rests[inside, 0] - rests[inside, 1])][:MAX_CUTS]
    return [*middle_s[longest].tolist(), 0.5 * (low_s + high_s), *guesses_s]


def _cut(frames: Frames, moving: Flags, cut_s: float) -> list[tuple[Frames, Flags]]:
    """The frames before and behind a moment."""
    at = min(max(round((cut_s - frames.start_s) / frames.interval_s), 1), frames.count - 1)
    return [
        (
            replace(frames, start_s=frames.start_s + begin * frames.interval_s, values=frames.values[:, begin:end]),
            moving[begin:end],
        )
        for begin, end in ((0, at), (at, frames.count))
    ]


def _together(parts: list[SignalLaps]) -> SignalLaps:
    """Laps found in parts of a run, in the order of time; how far the machine came compares within one part only."""
    if len(parts) == 1:
        return parts[0]
    unsure = min(parts, key=lambda part: part.confidence)
    reasons = [part.reason for part in parts if part.reason is not None]
    return SignalLaps(
        tuple(sorted(each for part in parts for each in part.boundaries_s)),
        unsure.confidence,
        reasons[0] if reasons else None,
        unsure.measures,
        circuits=sum(part.circuits for part in parts),
    )


def _covered(frames: Frames, moving: Flags, found: SignalLaps) -> tuple[float, float]:
    """Time driven [s] within the laps, and beside them; the partial laps at both ends of the laps are beside none."""
    middle_s = frames.time_s(np.arange(frames.count) + 0.5)
    inside, near = np.zeros(frames.count, bool), np.zeros(frames.count, bool)
    gone_s = np.cumsum(moving) * frames.interval_s
    for part in found.boundaries_s:
        within = (middle_s >= part[0]) & (middle_s <= part[-1])
        inside |= within
        if within.any():
            driven_s = gone_s[within]
            lap_s = float(driven_s[-1] - driven_s[0]) / (len(part) - 1)
            near |= (gone_s >= driven_s[0] - lap_s) & (gone_s <= driven_s[-1] + lap_s)
    covered, beside = moving & inside, moving & ~inside & ~near
    return float(covered.sum() * frames.interval_s), float(beside.sum() * frames.interval_s)
