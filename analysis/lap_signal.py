"""Laps from the signals themselves: the run resembles itself one lap later. docs/methods.md, Laps.

Three steps: the lag at which it does (lap_period), which part of the lap each moment is (lap_align), and the place on
the lap from which most complete laps can be counted and where they agree best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.lap_align import Alignment, align
from analysis.lap_frames import Frames, Pieces, Places, filled, pieces
from analysis.lap_period import LEAST_LAG, Period, Singles, features, find_period, smoothed
from analysis.run import Flags, Floats

SEARCH_S = 0.2
"""Frames for the search of the lag, for laps up to some minutes; four times as long for each coarser level."""
COARSER = 4
WINDOW = 4000
"""Frames searched at once; of a longer run three windows."""
MOST_BINS = 300
LONG_REST_S, SHORT_REST_S = 30.0, 10.0
"""For the search of the lag a rest longer than the first lasts the second: a pause is no part of a lap's rhythm."""
GLIMPSE_S = 0.3
"""For the alignment every rest lasts so long: laps differ most in how long the machine stands."""
START_S, STOP_S = 1.0, 2.0
"""Driving off at the start of the run and coming to rest at its end are compared with nothing."""
COMPLETE = 0.02
"""A lap that lacks less than this part at the ends of the run counts as complete."""
STRANGE = 0.8
"""Mean cost above which the ends of a piece are the way to the loop and back, not laps."""
UNLIKE = 0.5
"""A lap that correlates less with the mean of the others is not one, at either end of a piece."""
SURE = 0.65
"""Least confidence with which laps are reported. Set on simulated drives, docs/methods.md."""
RAMPS = {
    "likeness": (0.55, 0.9),
    "contrast": (0.15, 0.4),
    "agreement": (0.75, 0.93),
    "regularity": (0.78, 0.90),
}
"""Each measure counts nothing up to its first value, fully from its second. Set on simulated drives."""
FOLDED = 0.6
"""Every k-th lap lies so much nearer than the others that the lap is k times as long."""
HALVES = 0.85


@dataclass(frozen=True, slots=True)
class SignalLaps:
    """Laps found in the signals, or why there are none."""

    boundaries_s: tuple[tuple[float, ...], ...]
    """Run times of one place on the lap, for each stretch without a break; n of them make n − 1 laps."""
    confidence: float
    """0 to 1; laps are given from SURE on."""
    reason: str | None
    """Why there are no laps, or which doubt remains."""
    measures: dict[str, float]
    """likeness, contrast, agreement and regularity of the best candidate."""
    driven_s: tuple[float, float] | None = None
    """First and last moment at which the machine moves."""
    time_s: Floats | None = None
    """Moments at which the phase is known, shape (n,)."""
    phase: Floats | None = None
    """Laps since the start of the stretch, growing; shape (n,)."""


@dataclass(frozen=True, slots=True)
class _Track:
    """Frames on their way round the lap, pieces of the run one behind the other."""

    time_s: Floats
    """Run time of each frame's middle."""
    starts: Places
    table: Singles
    alignment: Alignment
    free: Flags

    def each(self) -> list[slice]:
        """The frames of each piece."""
        return [slice(a, b) for a, b in zip(self.starts[:-1].tolist(), self.starts[1:].tolist(), strict=True)]


def none_found(reason: str, measures: dict[str, float] | None = None, confidence: float = 0.0) -> SignalLaps:
    """No laps, and why."""
    return SignalLaps((), confidence, reason, measures or {})


def find_laps(frames: Frames) -> SignalLaps:
    """Laps of a run from the shape of its signals alone.

    The machine must repeat itself: at least two complete laps of at least 5 s. Where each half of a lap looks like
    the other in every channel nobody can tell the two apart; such halves are reported as laps.
    """
    whole = pieces(frames, LONG_REST_S, SHORT_REST_S)
    if len(whole.kept) * frames.interval_s < 2 * LEAST_LAG * max(SEARCH_S, frames.interval_s):
        return none_found("too short: the signals must show at least two laps of 5 s or longer")
    values = filled(frames.values)
    if not len(features(values[:, whole.kept], len(whole.kept))):
        return none_found("the signals do not change")
    best: SignalLaps | None = None
    group = max(1, round(SEARCH_S / frames.interval_s))
    while True:
        period = _search(values[:, whole.kept], whole.starts, group)
        if period is not None:
            found = _judge(frames, values, whole, period)
            if found.confidence >= SURE:
                return found
            best = found if best is None or found.confidence > best.confidence else best
        if WINDOW * group >= len(whole.kept):
            return best or none_found("the signals do not repeat themselves")
        group *= COARSER


def grouped(values: Floats, group: int) -> Floats:
    """Means of `group` frames each; the last frames that make no full group are left out."""
    count = values.shape[1] // group
    return np.asarray(values[:, : count * group].reshape(len(values), count, group).mean(axis=2))


def _search(values: Floats, starts: Places, group: int) -> Period | None:
    """The clearest lag in up to three windows of the longest piece; its frames count from the first piece on."""
    lengths = np.diff(starts)
    piece = int(lengths.argmax())
    begin, length = int(starts[piece]), int(lengths[piece])
    span = min(length, WINDOW * group)
    best: tuple[Period, int] | None = None
    for offset in sorted({0, (length - span) // 2, length - span}):
        window = grouped(values[:, begin + offset : begin + offset + span], group)
        found = find_period(window)
        if found is not None and (best is None or _clear(found) > _clear(best[0])):
            best = found, begin + offset
    if best is None:
        return None
    period, first = best
    return Period(
        period.lag * group,
        period.likeness,
        period.contrast,
        first + period.start * group,
        period.start_lag * group,
    )


def _clear(period: Period) -> float:
    return _ramp("likeness", period.likeness) * _ramp("contrast", period.contrast)


def _ramp(name: str, value: float) -> float:
    low, high = RAMPS[name]
    return min(max((value - low) / (high - low), 0.0), 1.0)


def _judge(frames: Frames, values: Floats, whole: Pieces, period: Period) -> SignalLaps:
    """Align with this lag, and say how sure the laps are."""
    measures = {"likeness": period.likeness, "contrast": period.contrast}
    if _clear(period) == 0.0:
        return none_found(_weakest(measures), measures)
    moving = pieces(frames, GLIMPSE_S, GLIMPSE_S)
    begin, end = np.searchsorted(moving.kept, whole.kept[[period.start, _within(period, whole)]])
    group = max(1, -(-int(end - begin) // MOST_BINS))
    track = _track(frames, values, moving, group, int(begin), int(end - begin), 1)
    folds = _folds(track)
    if folds[0] > 1:
        track = _track(frames, values, moving, group, int(begin), int(end - begin), folds[0])
    return _report(track, measures, folds[1])


def _within(period: Period, whole: Pieces) -> int:
    return min(period.start + period.start_lag, len(whole.kept) - 1)


def _track(frames: Frames, values: Floats, moving: Pieces, group: int, begin: int, lag: int, times: int) -> _Track:
    """Frames in groups, their features, and the alignment with laps of `times` lags."""
    middles, rows, starts = [], [], [0]
    free: list[Flags] = []
    length_s = group * frames.interval_s
    for place, (first, last) in enumerate(zip(moving.starts[:-1].tolist(), moving.starts[1:].tolist(), strict=True)):
        kept = moving.kept[first:last]
        count = len(kept) // group
        middles.append(frames.time_s(kept[: count * group].reshape(count, group).mean(axis=1) + 0.5))
        rows.append(grouped(values[:, kept], group))
        unsure = np.zeros(count, bool)
        if moving.rests_before[place]:
            unsure[: round(START_S / length_s)] = True
        if moving.rests_after[place] and round(STOP_S / length_s):
            unsure[-round(STOP_S / length_s) :] = True
        free.append(unsure)
        starts.append(starts[-1] + count)
    bins = max(2, round(lag / group))
    table = features(np.concatenate(rows, axis=1), 6 * bins * times)
    unsure = np.concatenate(free)
    edges = np.array(starts)
    piece = int(np.searchsorted(moving.starts, begin, "right")) - 1
    start = int(edges[piece] + (begin - moving.starts[piece]) // group)
    room = int(edges[piece + 1]) - start
    start -= max(0, min(bins * times - room, start - int(edges[piece])))
    alignment = align(table, edges, unsure, bins * times, start, min(bins * times, int(edges[piece + 1]) - start))
    return _Track(np.concatenate(middles), edges, table, alignment, unsure)


def _laps_of(track: _Track, crossings: list[Floats]) -> Floats:
    """Features of each lap on the ring's bins, shape (laps, channels, bins); `crossings` are phases, piece by piece."""
    bins = track.alignment.template.shape[1]
    along = (np.arange(bins) + 0.5) / bins
    laps = []
    for part, marks in zip(track.each(), crossings, strict=True):
        phase = _rising(track.alignment.phase[part])
        laps += [[np.interp(mark + along, phase, row) for row in track.table[:, part]] for mark in marks[:-1]]
    return np.array(laps).reshape(len(laps), len(track.table), bins)


def _rising(phase: Floats) -> Floats:
    """The same, strictly increasing, so that a place has one moment."""
    return np.asarray(np.maximum.accumulate(phase) + 1e-9 * np.arange(len(phase)))


def _folds(track: _Track) -> tuple[int, float]:
    """How many of these laps make one real lap, and how much nearer to each other every such lap is (1: no nearer).

    A lag of half a lap fits nearly as well as a whole one where both halves are alike; then every second lap is nearer
    than the next one.
    """
    laps = _laps_of(track, [np.arange(phase[0], phase[-1], 1.0) for phase in _phases(track) if len(phase)])
    best = (1, 1.0)
    for times in (2, 3):
        if len(laps) < 2 * times:
            break
        apart = [
            float(np.median(((laps[step:] - laps[:-step]) ** 2).mean(axis=(1, 2)))) for step in range(1, times + 1)
        ]
        ratio = apart[-1] / max(min(apart[:-1]), 1e-12)
        if ratio < min(best[1], FOLDED):
            best = (times, ratio)
        elif best[0] == 1:
            best = (1, min(best[1], ratio))
    return best


def _phases(track: _Track) -> list[Floats]:
    return [track.alignment.phase[part] for part in track.each()]


def _report(track: _Track, measures: dict[str, float], alike: float) -> SignalLaps:
    """Boundaries, and how sure they are."""
    crossings = _crossings(track)
    laps = _laps_of(track, crossings)
    crossings, laps = _without_strangers(crossings, laps)
    times = [
        np.interp(marks, _rising(track.alignment.phase[part]), track.time_s[part])
        for part, marks in zip(track.each(), crossings, strict=True)
    ]
    durations = np.concatenate([np.diff(each) for each in times]) if times else np.empty(0)
    if len(durations) < 2:
        return none_found("only one complete lap: nothing to compare it with", measures)
    middle = float(np.median(durations))
    spread = 1.4826 * float(np.median(np.abs(durations - middle))) / middle
    measures = measures | {"agreement": float(np.median(_agreement(laps))), "regularity": 1.0 - spread}
    shares = [_ramp(name, value) for name, value in measures.items()]
    confidence = float(np.prod(shares) ** (1.0 / len(shares)))
    if confidence < SURE:
        return none_found(_weakest(measures), measures, confidence)
    doubt = None
    if alike < HALVES:
        doubt = "every second lap is a little nearer to it than the next: these may be halves of a longer lap"
    breaks = [np.append(phase, np.nan) for phase in map(_rising, _phases(track))]
    moments = [np.append(track.time_s[part], track.time_s[part][-1:]) for part in track.each()]
    return SignalLaps(
        tuple(tuple(each.tolist()) for each in times if len(each) > 1),
        confidence,
        doubt,
        measures,
        (float(track.time_s[0]), float(track.time_s[-1])),
        np.concatenate(moments),
        np.concatenate(breaks),
    )


def _agreement(laps: Floats) -> Floats:
    """Correlation of each lap with the mean of the others, shape (laps,)."""
    others = (laps.sum(axis=0) - laps) / max(len(laps) - 1, 1)
    one = laps - laps.mean(axis=2, keepdims=True)
    rest = others - others.mean(axis=2, keepdims=True)
    scale = np.sqrt((one**2).sum(axis=(1, 2)) * (rest**2).sum(axis=(1, 2)))
    return np.asarray((one * rest).sum(axis=(1, 2)) / np.maximum(scale, 1e-12))


def _without_strangers(crossings: list[Floats], laps: Floats) -> tuple[list[Floats], Floats]:
    """Drop laps at the ends of pieces that are unlike the rest: the way to the loop and back."""
    if len(laps) < 3:
        return crossings, laps
    like = _agreement(laps) >= UNLIKE
    kept: list[Floats] = []
    keep: list[int] = []
    first = 0
    for marks in crossings:
        count = max(len(marks) - 1, 0)
        good = np.flatnonzero(like[first : first + count])
        begin, end = (int(good[0]), int(good[-1]) + 1) if len(good) else (0, 0)
        kept.append(marks[begin : end + 1] if end > begin else marks[:0])
        keep += range(first + begin, first + end)
        first += count
    return kept, laps[keep]


def _crossings(track: _Track) -> list[Floats]:
    """Phases of the boundaries of each piece: one place on the lap, chosen so that most complete laps fit in and,
    among such places, where the laps fit the template best and change most.
    """
    bins = track.alignment.template.shape[1]
    ends = [_matched(track, part) for part in track.each()]
    places = np.arange(bins) / bins
    half = 0.5 * COMPLETE
    first = np.array([[np.ceil(low - half - place) for place in places] for low, _ in ends])
    last = np.array([[np.floor(high + half - place) for place in places] for _, high in ends])
    counts = np.maximum(last - first, 0.0).sum(axis=0)
    most = counts == counts.max()
    score = np.where(most, _sharpness(track) * (0.2 + _inside(most)), -1.0)
    bad = _badness(track)
    for place in np.flatnonzero(most):
        worst = 0.0
        for part, low, high in zip(track.each(), first[:, place], last[:, place], strict=True):
            if high > low:
                phase = _rising(track.alignment.phase[part])
                at = np.interp(np.arange(low, high + 1) + places[place], phase, np.arange(len(phase)))
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


def _edge_frames(track: _Track, lap_share: float, least_s: float) -> int:
    """A short stretch in frames: a share of a lap, but no less than `least_s`."""
    step_s = float(np.median(np.diff(track.time_s))) if len(track.time_s) > 1 else 1.0
    return int(max(round(lap_share * track.alignment.template.shape[1]), round(least_s / step_s), 1))


def _matched(track: _Track, part: slice) -> tuple[float, float]:
    """First and last phase of a piece that belong to laps: what fits the template badly at its ends is left out."""
    phase, cost = track.alignment.phase[part], np.where(track.free[part], 0.0, track.alignment.cost[part])
    if len(phase) < 2:
        return 0.0, -1.0
    good = np.flatnonzero(smoothed(cost, _edge_frames(track, 1 / 6, 2.0)) < STRANGE)
    if not len(good):
        return 0.0, -1.0
    return float(phase[good[0]]), float(phase[good[-1]])


def _badness(track: _Track) -> Floats:
    """How little a frame is to be trusted as a boundary: bad fit, or a phase that runs or halts around it."""
    bins = track.alignment.template.shape[1]
    bad = np.where(track.free, 1.0, track.alignment.cost)
    half = _edge_frames(track, 0.03, 1.5)
    for part in track.each():
        phase = track.alignment.phase[part]
        place = np.arange(len(phase))
        low, high = np.maximum(place - half, 0), np.minimum(place + half, len(phase) - 1)
        pace = (phase[high] - phase[low]) * bins / np.maximum(high - low, 1)
        bad[part] = smoothed(bad[part], 2 * half + 1) + 0.3 * np.abs(np.log2(np.maximum(pace, 0.1)))
    return bad


def _sharpness(track: _Track) -> Floats:
    """How fast the template changes at each bin, shape (bins,); a place where nothing changes has no moment."""
    ring = track.alignment.template
    change = ((np.roll(ring, -1, axis=1) - np.roll(ring, 1, axis=1)) ** 2).mean(axis=0)
    half = _edge_frames(track, 0.01, 0.5)
    around = np.mean([np.roll(change, shift) for shift in range(-half, half + 1)], axis=0)
    return np.asarray(np.minimum(around, 2 * np.median(around)))


_WORDS = {
    "likeness": "no stretch of the run resembles what comes one lap later closely enough",
    "contrast": "the run resembles itself at any distance, not at that of a lap",
    "agreement": "the stretches that repeat are too unlike one another to be laps",
    "regularity": "the stretches that repeat differ too much in length to be laps",
}


def _weakest(measures: dict[str, float]) -> str:
    """The reason in words: the measure that counts least."""
    return _WORDS[min(measures, key=lambda name: _ramp(name, measures[name]))]
