"""A run on its way round the lap: frames in groups, what they show, and the part of the lap that each of them is.

docs/methods.md, Laps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.analysis.laps.align import Alignment, align
from amptally.analysis.laps.frames import Frames, Pieces, Places
from amptally.analysis.laps.period import Singles, drift, features
from amptally.analysis.runs.run import Flags, Floats

MAX_DRIFT_LAPS = 6
"""What changes more slowly than over this many whole laps, or a third of the run, is no part of the lap's shape."""
STIFF_BY_DISTANCE = 4.0
"""How much more than in time it costs to stay or to skip where frames are equal in distance: laps have one length."""
START_S, STOP_S = 1.0, 2.0
"""Driving off at the start of the run and coming to rest at its end are compared with nothing."""


@dataclass(frozen=True, slots=True)
class Track:
    """Frames on their way round the lap, pieces of the run one behind the other."""

    names: tuple[str, ...]
    """SI names of the channels; wheel counts appear as counts per frame."""
    time_s: Floats
    """Run time of each frame's middle."""
    starts: Places
    """Index of the first frame of each piece, and the number of frames at the end."""
    values: Floats
    """Channels as they were recorded, shape (channels, frames)."""
    table: Singles
    """Their features, shape (features, frames)."""
    alignment: Alignment
    free: Flags
    counts: float
    """Counts that each wheel gives along a frame where frames are equal in distance; 0 where they are in time."""

    @property
    def by_distance(self) -> bool:
        """Whether the frames are equal in distance; else in time."""
        return self.counts > 0

    @property
    def bins(self) -> int:
        """Bins of the ring that stands for a lap."""
        return int(self.alignment.template.shape[1])

    def each(self) -> list[slice]:
        """The frames of each piece."""
        return [slice(a, b) for a, b in zip(self.starts[:-1].tolist(), self.starts[1:].tolist(), strict=True)]

    def phases(self) -> list[Floats]:
        """Laps gone at each frame of each piece."""
        return [self.alignment.phase[part] for part in self.each()]

    def whole_laps(self) -> list[Floats]:
        """Phases of boundaries one lap apart from the first frame of each piece on."""
        return [np.arange(phase[0], phase[-1], 1.0) for phase in self.phases() if len(phase)]

    def moments_s(self, marks: list[Floats]) -> list[Floats]:
        """Run times at which the phases `marks` are reached, piece by piece."""
        return [
            np.interp(each, rising(self.alignment.phase[part]), self.time_s[part])
            for part, each in zip(self.each(), marks, strict=True)
        ]

    def usual_lag(self, lag: int, group: int) -> float:
        """Median length of the laps of the alignment, in frames before grouping; `lag` where it has none complete."""
        each = [
            np.diff(places_of(self, part, np.arange(np.ceil(phase[0]), phase[-1])))
            for part, phase in zip(self.each(), self.phases(), strict=True)
            if len(phase)
        ]
        lengths = np.concatenate(each) if each else np.empty(0)
        return float(np.median(lengths)) * group if len(lengths) else float(lag)


def rising(phase: Floats) -> Floats:
    """The same, strictly increasing, so that a place has one moment."""
    return np.asarray(np.maximum.accumulate(phase) + 1e-9 * np.arange(len(phase)))


def places_of(track: Track, part: slice, marks: Floats) -> Floats:
    """Frames of a piece at which its phase reaches the marks."""
    phase = rising(track.alignment.phase[part])
    return np.asarray(np.interp(marks, phase, np.arange(len(phase))))


def on_the_ring(track: Track, marks: list[Floats], values: npt.NDArray[np.floating], most: int | None = None) -> Floats:
    """Values of shape (rows, frames) lap by lap on the ring's bins, shape (laps, rows, bins); at most `most` laps.

    `marks` are phases of boundaries, piece by piece.
    """
    along = (np.arange(track.bins) + 0.5) / track.bins
    laps: list[list[Floats]] = []
    for part, each in zip(track.each(), marks, strict=True):
        phase, table = rising(track.alignment.phase[part]), values[:, part]
        for mark in each[:-1].tolist()[: None if most is None else most - len(laps)]:
            first, last = np.searchsorted(phase, (mark, mark + 1.0))
            near = slice(max(int(first) - 1, 0), int(last) + 1)
            laps.append([np.interp(mark + along, phase[near], row) for row in table[:, near]])
    return np.array(laps).reshape(len(laps), len(values), track.bins)


def grouped(values: Floats, group: int) -> Floats:
    """Means of `group` frames each; the last frames that make no full group are left out."""
    count = values.shape[1] // group
    return np.asarray(values[:, : count * group].reshape(len(values), count, group).mean(axis=2))


def aligned(frames: Frames, values: Floats, moving: Pieces, group: int, begin: int, lag: int, times: int) -> Track:
    """Frames in groups, their features, and the alignment with laps of `times` lags from kept frame `begin` on."""
    middles, rows, starts = [], [], [0]
    free: list[Flags] = []
    start = 0
    length_s = group * frames.interval_s
    for place, (first, last) in enumerate(zip(moving.starts[:-1].tolist(), moving.starts[1:].tolist(), strict=True)):
        kept = moving.kept[first:last]
        count = len(kept) // group
        if count < 2:
            continue
        if first <= begin < last:
            start = starts[-1] + min((begin - first) // group, count - 1)
        middles.append(frames.time_s(kept[: count * group].reshape(count, group).mean(axis=1) + 0.5))
        rows.append(grouped(values[:, kept], group))
        unsure = np.zeros(count, bool)
        unsure[: round(START_S / length_s) * bool(moving.rests_before[place])] = True
        unsure[count - round(STOP_S / length_s) * bool(moving.rests_after[place]) :] = True
        free.append(unsure)
        starts.append(starts[-1] + count)
    edges = np.array(starts)
    bins = times * max(2, round(lag / group))
    # An even number, so that halves of a lap stay as different as they are.
    laps = min(MAX_DRIFT_LAPS, 2 * max(1, round(starts[-1] / bins / MAX_DRIFT_LAPS)))
    signals = np.concatenate(rows, axis=1)
    table = features(signals, laps * bins, drift)
    # The first template must lie in one piece.
    piece = int(np.searchsorted(edges, start, "right")) - 1
    start = max(int(edges[piece]), min(start, int(edges[piece + 1]) - bins))
    length = min(bins, int(edges[piece + 1]) - start)
    unlike = np.concatenate(free)
    stiffness = STIFF_BY_DISTANCE if frames.counts > 0 else 1.0
    alignment = align(table, edges, unlike, bins, start, length, stiffness=stiffness)
    counts = frames.counts * group
    return Track(frames.names, np.concatenate(middles), edges, signals, table, alignment, unlike, counts)
