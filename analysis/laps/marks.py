"""Lap boundaries from the operator's marks and from wheel counts. docs/methods.md, Laps."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from amptally.analysis.quality.wheel_counts import CountSteps
from amptally.analysis.runs.run import Flags, Floats, Series

Source = Literal["wheel_counts", "signals"]
DOUBLE_SHARE = 0.3
"""A mark closer to the previous one than this part of a typical lap is the same press. Our own choice, as all here."""
BOUNCE_S = 1.0
"""No lap is this short: a press that follows sooner is the same press, however short the laps are."""
STRAY_SHARE = 0.2
"""A mark is stray if the lap without it has the typical length within this part, and neither half comes near it."""
NEAR_SHARE = 0.75
SKIPPED_SHARE = 1.6
"""A lap longer than this many typical ones looks like a mark that was not pressed."""
WHOLE_SHARE = 0.15
"""Laps gone between two marks count as a whole number when they are this near to one."""
COMPLETE = 0.02
"""By distance: a last lap that lacks less than this part counts as complete."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the machine has come at each moment, in any unit that grows alike on every lap."""

    time_s: Floats
    """Shape (n,), never falling."""
    amount: Floats
    """Shape (n,), never falling; NaN where it is not known."""
    source: Source
    """What it was read from."""

    def at(self, moment_s: float) -> float:
        """Amount at a moment; NaN outside and across what is not known."""
        if not len(self.time_s) or not self.time_s[0] <= moment_s <= self.time_s[-1]:
            return math.nan
        return float(np.interp(moment_s, self.time_s, self.amount))

    def between(self, start_s: float, end_s: float) -> float:
        """Growth between two moments; NaN where something between them is not known."""
        first, last = np.searchsorted(self.time_s, (start_s, end_s))
        if not np.isfinite(self.amount[first:last]).all():
            return math.nan
        return self.at(end_s) - self.at(start_s)

    def when(self, amount: float, start_s: float, end_s: float) -> float:
        """The first moment within a stretch at which the amount is reached."""
        inside = (self.time_s >= start_s) & (self.time_s <= end_s)
        time_s, grown = self.time_s[inside], np.maximum.accumulate(self.amount[inside])
        return float(np.interp(amount, grown + 1e-12 * np.arange(len(grown)), time_s))


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Moments that bound laps, one behind the other; n of them make n − 1 laps."""

    times_s: tuple[float, ...]
    """Increasing."""
    doubled: int = 0
    """Marks left out because they repeat the previous press."""
    stray: int = 0
    """Marks left out in the middle of a lap of typical length."""
    placed: tuple[float, ...] = ()
    """Boundaries put where a mark was not pressed, because the machine came round more than once."""
    placed_by: Source | None = None
    """What showed it."""
    doubtful: tuple[int, ...] = field(default=())
    """Laps, counted from 0, that may be two or more and could not be settled."""


def press_times(stretches: Iterable[Series]) -> tuple[Floats, int]:
    """When the running count of the marker button rose, and how many presses fell into gaps, at no known moment.

    Each stretch begins with the last sample of the one before. A count that falls is a board that started anew at 0;
    it may start anywhere, so its first value is no press.
    """
    lost, presses = 0.0, [np.empty(0)]
    for part in stretches:
        changed = np.flatnonzero(part.value[1:] != part.value[:-1])
        count, in_gap = part.value[changed + 1], part.gap_after[changed]
        steps = count - part.value[changed]
        rose = steps > 0
        # After a restart the count stands at what was pressed since.
        lost += float(count[steps < 0].clip(min=0.0).sum()) + float(steps[rose & in_gap].sum())
        presses.append(part.time_s[changed + 1][rose & ~in_gap])
    return np.concatenate(presses), round(lost)


def typical_s(times_s: Floats) -> float:
    """The weighted median interval, each weighted by its length: many double presses weigh little."""
    lengths = np.sort(np.diff(times_s))
    if not len(lengths):
        return 0.0
    share = np.cumsum(lengths)
    return float(lengths[np.searchsorted(share, 0.5 * share[-1])])


def without_doubles(times_s: Floats) -> tuple[Floats, int]:
    """Marks without those that follow another too soon, and how many those were."""
    limit = max(DOUBLE_SHARE * typical_s(times_s), BOUNCE_S)
    kept: list[float] = []
    for mark in times_s.tolist():
        if not kept or mark - kept[-1] >= limit:
            kept.append(mark)
    return np.array(kept), len(times_s) - len(kept)


def without_strays(times_s: Floats) -> tuple[Floats, int]:
    """Marks without those pressed in the middle of a lap, and how many those were; needs three typical laps."""
    marks = times_s.tolist()
    if len(marks) < 5:
        return times_s, 0
    typical = typical_s(times_s)
    kept = marks[:1]
    for mark, following in itertools.pairwise(marks[1:]):
        before, after = mark - kept[-1], following - mark
        whole = abs(before + after - typical) < STRAY_SHARE * typical
        if not (whole and max(before, after) < NEAR_SHARE * typical):
            kept.append(mark)
    kept.append(marks[-1])
    return np.array(kept), len(times_s) - len(kept)


def from_marks(times_s: Floats) -> Boundaries:
    """Boundaries from presses: double and stray ones left out, long laps listed as doubtful."""
    single, doubled = without_doubles(times_s)
    kept, stray = without_strays(single)
    typical = typical_s(kept)
    lengths = np.diff(kept)
    doubtful = np.flatnonzero(lengths > SKIPPED_SHARE * typical) if len(lengths) > 2 else np.empty(0, np.int64)
    return Boundaries(tuple(kept.tolist()), doubled, stray, doubtful=tuple(doubtful.tolist()))


def settled(found: Boundaries, progress: Progress) -> Boundaries:
    """Settle the doubtful laps by how far the machine came in them, against the median of the others.

    Near one lap: a slow lap, no longer doubtful. Near a whole number above one: boundaries are added. Otherwise
    unchanged.
    """
    unsure = frozenset(found.doubtful)
    grown = [progress.between(start, end) for start, end in itertools.pairwise(found.times_s)]
    usual = [amount for place, amount in enumerate(grown) if place not in unsure and math.isfinite(amount)]
    one = float(np.median(usual)) if usual else math.nan
    if not (unsure and one > 0):
        return found
    times, placed, doubtful = list(found.times_s[:1]), [], []
    for place, (start, end) in enumerate(itertools.pairwise(found.times_s)):
        laps = grown[place] / one
        count = round(laps) if math.isfinite(laps) else 0
        impossible = count < 1 or count > (end - start) / BOUNCE_S
        if place in unsure and (impossible or abs(laps - count) > WHOLE_SHARE):
            doubtful.append(len(times) - 1)
        elif place in unsure:
            base = progress.at(start)
            new = [progress.when(base + grown[place] * part / count, start, end) for part in range(1, count)]
            times += new
            placed += new
        times.append(end)
    return Boundaries(
        tuple(times), found.doubled, found.stray, tuple(placed), progress.source if placed else None, tuple(doubtful)
    )


def wheel_distance(
    counts: Iterable[tuple[Floats, Floats, Floats, Flags]], metres_per_count: float, most_per_s: float = math.inf
) -> Progress | None:
    """Mean distance of both wheels since the start [m]; None without two samples. A count that falls was reset.

    Steps faster than `most_per_s` are left out. `counts` are stretches of times and both counts, each beginning with
    the last sample of the one before. Kept are the samples beside which a wheel turns, and the ends of stretches.
    """
    times_s, metres, gone = [np.empty(0)], [np.empty(0)], 0.0
    wheels = CountSteps(most_per_s), CountSteps(most_per_s)
    for time_s, left, right, _ in counts:
        if not len(time_s):
            continue
        steps = wheels[0].of(time_s, left) + wheels[1].of(time_s, right)
        turned = np.flatnonzero(steps) + 1
        amount = gone + np.concatenate(([0.0], np.cumsum(0.5 * metres_per_count * steps[turned - 1])))
        kept = np.unique(np.concatenate(([0], turned - 1, turned, [len(time_s) - 1])))
        kept = kept[1:] if len(times_s[-1]) else kept
        times_s.append(time_s[kept])
        metres.append(amount[np.searchsorted(turned, kept, "right")])
        gone = float(amount[-1])
    if sum(map(len, times_s)) < 2:
        return None
    return Progress(np.concatenate(times_s), np.concatenate(metres), "wheel_counts")


def from_distance(distance: Progress, length_m: float) -> Boundaries:
    """A boundary where the wheels start to turn and every `length_m` from there."""
    total = float(distance.amount[-1])
    moving = np.flatnonzero(distance.amount > distance.amount[0])
    laps = math.floor((total - float(distance.amount[0])) / length_m + COMPLETE) if len(moving) else 0
    if laps < 1:
        return Boundaries(())
    first = int(moving[0]) - 1
    goals = np.minimum(distance.amount[first] + length_m * np.arange(1, laps + 1), total)
    reached = np.searchsorted(distance.amount, goals, "left")
    return Boundaries((float(distance.time_s[first]), *distance.time_s[reached].tolist()))
