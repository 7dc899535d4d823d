"""The place on the lap from which laps are counted: where the most complete ones fit in, and where they agree best.

In a run without marks the start of a lap is arbitrary. docs/methods.md, Laps.
"""

from __future__ import annotations

import numpy as np

from amptally.analysis.laps.period import smoothed
from amptally.analysis.laps.track import Track, places_of
from amptally.analysis.runs.run import Flags, Floats

COMPLETE = 0.03
"""A lap that lacks less than this part at the ends of the run counts as complete."""
EDGE = 0.05
"""Weight of a place at the edge of the possible ones, against 0.5 in their middle: the ends of a run mislead most."""
UNLIKE = 0.8
"""A lap at the end of a piece whose agreement is below this part of the median is the way to the loop."""
OTHER_LENGTH = 1.6
"""So is one that is longer or shorter than the median by this factor, standing excluded."""
MIN_COST = 0.12
"""Limit of a frame's mean cost within a lap, unless twice the cost within the laps found is more."""


Span = tuple[float, float]
"""First and last phase of a piece that belong to laps."""
NOTHING: Span = (0.0, -1.0)


def driven_frames(track: Track, marks: list[Floats]) -> Floats:
    """Length of each lap in frames, long standing left out; `marks` are phases, piece by piece."""
    lengths = [np.diff(places_of(track, part, each)) for part, each in zip(track.each(), marks, strict=True)]
    return np.concatenate(lengths) if lengths else np.empty(0)


def whole_spans(track: Track) -> list[Span]:
    """Each piece from its first phase to its last."""
    return [(float(phase[0]), float(phase[-1])) if len(phase) > 1 else NOTHING for phase in track.phases()]


def narrowed(track: Track, spans: list[Span], marks: list[Floats], like: Floats) -> list[Span]:
    """Spans without the way to the loop and back: the laps at their ends that are unlike the others, `like` for each.

    From its first good lap a span reaches back as far as the frames still fit, at most one lap.
    """
    frames = driven_frames(track, marks)
    ratio = np.maximum(frames, 1e-3) / max(float(np.median(frames)), 1e-3)
    strange = (like < UNLIKE * float(np.median(like))) | (np.abs(np.log(ratio)) > np.log(OTHER_LENGTH))
    out = []
    first = 0
    for part, span, each in zip(track.each(), spans, marks, strict=True):
        count = max(len(each) - 1, 0)
        good = np.flatnonzero(~strange[first : first + count])
        first += count
        if not len(good):
            out.append(NOTHING if count else span)
            continue
        low, high = span
        phase, cost = track.alignment.phase[part], np.where(track.free[part], 0.0, track.alignment.cost[part])
        begin, end = float(each[good[0]]), float(each[good[-1] + 1])
        usual = max(2 * float(cost[(phase >= begin) & (phase <= end)].mean()), MIN_COST)
        if good[0] > 0:
            before = (phase < begin) & (phase >= begin - 1)
            low = begin - _reach(np.abs(phase[before] - begin)[::-1], cost[before][::-1], usual)
        if good[-1] < count - 1:
            after = (phase > end) & (phase <= end + 1)
            high = end + _reach(phase[after] - end, cost[after], usual)
        out.append((low, high))
    return out


def _reach(away: Floats, cost: Floats, usual: float) -> float:
    """How far the frames fit: up to the maximum of the cumulative gain."""
    gain = np.cumsum(usual - np.minimum(cost, 2 * usual))
    return float(away[gain.argmax()]) if len(gain) and gain.max() > 0 else 0.0


def crossings(track: Track, spans: list[Span]) -> list[Floats]:
    """Phases of the boundaries of each piece: one place on the lap, chosen so that most complete laps fit in and,
    among such places, where the laps fit the template best and change most.
    """
    bins = track.bins
    places = np.arange(bins) / bins
    half = 0.5 * COMPLETE
    first = np.array([[np.ceil(low - half - place) for place in places] for low, _ in spans])
    last = np.array([[np.floor(high + half - place) for place in places] for _, high in spans])
    counts = np.maximum(last - first, 0.0).sum(axis=0)
    most = counts == counts.max()
    score = np.where(most, _sharpness(track) * (EDGE + _inside(most)), -1.0)
    bad = _badness(track)
    for place in np.flatnonzero(most):
        worst = 0.0
        for part, low, high in zip(track.each(), first[:, place], last[:, place], strict=True):
            if high > low:
                at = places_of(track, part, np.arange(low, high + 1) + places[place])
                worst = max(worst, float(bad[part][np.rint(at).astype(np.int64)].max()))
        score[place] /= worst + 0.05
    chosen = int(score.argmax())
    return [
        np.arange(low, high + 1) + places[chosen] if high > low else np.empty(0)
        for low, high in zip(first[:, chosen], last[:, chosen], strict=True)
    ]


def _inside(most: Flags) -> Floats:
    """How far each place lies inside the stretch of the ring that it belongs to: 0 at its ends, 0.5 in its middle."""
    if most.all():
        return np.full(len(most), 0.5)
    distance, inside = np.zeros(len(most)), most
    while inside.any():
        inside = inside & np.roll(inside, 1) & np.roll(inside, -1)
        distance += inside
    return np.asarray(0.5 * distance / max(distance.max(), 1.0))


def _edge_frames(track: Track, lap_share: float, min_s: float) -> int:
    """A short stretch in frames: a share of a lap, but at least `min_s`."""
    step_s = float(np.median(np.diff(track.time_s))) if len(track.time_s) > 1 else 1.0
    return int(max(round(lap_share * track.bins), round(min_s / step_s), 1))


def _badness(track: Track) -> Floats:
    """How unreliable each frame is as a boundary: a bad fit, or a phase that jumps or halts around it."""
    bins = track.bins
    bad = np.where(track.free, 1.0, track.alignment.cost)
    half = _edge_frames(track, 0.03, 1.5)
    for part in track.each():
        phase = track.alignment.phase[part]
        place = np.arange(len(phase))
        low, high = np.maximum(place - half, 0), np.minimum(place + half, len(phase) - 1)
        pace = (phase[high] - phase[low]) * bins / np.maximum(high - low, 1)
        bad[part] = smoothed(bad[part], 2 * half + 1) + 0.3 * np.abs(np.log2(np.maximum(pace, 0.1)))
    return bad


def _sharpness(track: Track) -> Floats:
    """How fast the template changes at each bin, shape (bins,): where nothing changes, a boundary has no clear time."""
    ring = track.alignment.template
    change = ((np.roll(ring, -1, axis=1) - np.roll(ring, 1, axis=1)) ** 2).mean(axis=0)
    half = _edge_frames(track, 0.01, 0.5)
    around = np.mean([np.roll(change, shift) for shift in range(-half, half + 1)], axis=0)
    return np.asarray(np.minimum(around, 2 * np.median(around)))
