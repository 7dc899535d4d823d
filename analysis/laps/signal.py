"""Laps from the signals themselves: the run resembles itself one lap later. docs/methods.md, Laps.

Three steps: the lag at which it does (period.py), which part of the lap each moment is (align.py), and the place on
the lap from which the most complete laps can be counted and where they agree best (boundaries.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from amptally.analysis.laps.align import align
from amptally.analysis.laps.boundaries import (
    Span,
    Track,
    crossings,
    driven_frames,
    narrowed,
    places_of,
    rising,
    whole_spans,
)
from amptally.analysis.laps.folds import folds_of, mean_squares, open_by
from amptally.analysis.laps.frames import (
    COUNTS,
    Frames,
    Pieces,
    Places,
    at_rest,
    by_distance,
    filled,
    pieces,
    stretches,
)
from amptally.analysis.laps.marks import Progress
from amptally.analysis.laps.period import MIN_LAG, Period, drift, features, find_periods
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Flags, Floats

SEARCH_S = 0.2
"""Frames for the search of the lag, for laps up to some minutes; four times as long for each coarser level."""
COARSER = 4
WINDOW = 3000
"""Frames searched at once; of a longer run three windows."""
MAX_BINS = 300
LONG_REST_S, SHORT_REST_S = 30.0, 10.0
"""For the search of the lag a rest longer than the first lasts the second: a pause is no part of a lap's rhythm."""
MAX_DRIFT_LAPS = 6
"""What changes more slowly than over this many whole laps, or a third of the run, is no part of the lap's shape."""
STIFF_BY_DISTANCE = 4.0
"""How much more than in time it costs to stay or to skip where frames are equal in distance: laps have one length."""
GLIMPSE_S = 0.3
"""For the alignment every rest is cut to this length: laps differ most in how long the machine stands."""
START_S, STOP_S = 1.0, 2.0
"""Driving off at the start of the run and coming to rest at its end are compared with nothing."""
ROUNDS = 4
"""Passes that separate the way to the loop from the laps."""
SURE = 0.75
"""Minimum confidence with which laps are reported. Set on simulated drives, docs/methods.md."""
RAMPS = {
    "likeness": (0.60, 0.95),
    "contrast": (0.12, 0.35),
    "agreement": (0.75, 0.93),
    "regularity": (0.78, 0.93),
}
"""Each measure counts 0 up to its first value, 1 from its second, linearly between. Set on simulated drives."""
OTHER_LAG = 0.02
"""A template whose length differs more than this from that of the laps aligned with it is made anew."""
MAX_OPEN = 0.4
"""A lap that ends further from its beginning than this part of its length, by the wheels, is a part of one."""
AS_TOLD = 0.25
"""Laps are those of the machine file if they last as long as it says within this part."""
LEGS = ("left_current_a", "right_current_a")
MOSTLY = 0.9
"""A battery is charged where this part of its charge, in and out, flows in."""
LOADED, STEADY = 0.25, 0.2
"""Above the first part of its peaks, a current that spans less than the second part of its median drives nothing."""
MAX_CIRCUITS = 4
MAX_SPLIT = 60
REACH = 1.3
"""What is driven beside the laps is looked through where it lasts longer than this many of them."""
MAX_CUTS = 5
"""Standings at which one circuit may give way to another."""
MAX_UNCOVERED = 0.5
"""More time driven outside of the laps than this part of that within: the laps are no account of the drive."""
CHANGED, CHANGED_TIMES = 0.35, 2.5
"""Laps change where those before and after differ by this mean square, and by so many times that among themselves."""


@dataclass(frozen=True, slots=True)
class SignalLaps:
    """Laps found in the signals, or why there are none."""

    boundaries_s: tuple[tuple[float, ...], ...]
    """Run times of one place on the lap, for each stretch without a break; n of them make n − 1 laps."""
    confidence: float
    """0 to 1; laps are given from SURE on."""
    reason: Reason | None
    """Why there are no laps; None where there are."""
    measures: dict[str, float]
    """likeness, contrast, agreement and regularity of the best candidate."""
    driven_s: tuple[float, float] | None = None
    """First and last moment at which the machine moves."""
    progress: Progress | None = None
    """Laps gone at each moment; not known between stretches."""
    changes_s: tuple[float, float] | None = None
    """Between these moments the laps change into others: two circuits, or one the other way round."""
    fits_s: tuple[float, float] | None = None
    """First and last moment that fit in with the laps, partial ones included."""
    circuits: int = 1
    """How many circuits these are laps of."""
    uncovered_s: float = 0.0
    """Time driven outside of all laps, apart from the partial ones before and after them."""
    settled: bool = False
    """Refused although the run clearly repeats itself: another look at it gives no other answer."""

    @property
    def count(self) -> int:
        """Complete laps."""
        return sum(len(part) - 1 for part in self.boundaries_s)


def none_found(code: str, measures: dict[str, float] | None = None, confidence: float = 0.0) -> SignalLaps:
    """No laps, and the code of the reason."""
    return SignalLaps((), confidence, Reason(code), measures or {})


def find_laps(frames: Frames, lap_s: float | None = None) -> SignalLaps:
    """Laps of a run from the shape of its signals; `lap_s` is about how long a lap takes [s], where that is known.

    The machine must repeat itself: at least two complete laps of at least 5 s. Sides of a loop that look alike in
    every channel cannot be told apart from laps; where something hints at them, nothing is given without `lap_s`.
    """
    idle = _idle(frames)
    if idle is not None:
        return none_found(idle)
    moving = np.logical_not(_standing(frames))
    found = _circuits(frames, moving, lap_s, MAX_CIRCUITS)
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


def _circuits(frames: Frames, moving: Flags, lap_s: float | None, most: int) -> SignalLaps:
    """Laps of one circuit after the other: what the laps of one leave is looked through for those of another."""
    found = _one_circuit(frames, lap_s)
    window_s = None
    if found.boundaries_s and most > 1:
        window_s = found.changes_s or _border_s(frames, moving, found)
    if window_s is None:
        return found
    cuts = [_cut(frames, moving, cut_s) for cut_s in _cuts_s(frames, moving, *window_s)]
    best = max(cuts, key=lambda cut: sum(_one_circuit(each, lap_s).count for each, _ in cut))
    parts = [_circuits(each, keep, lap_s, most - 1) for each, keep in best]
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
    usual_s = _usual_s(found)
    middle_s = frames.time_s(np.arange(frames.count) + 0.5)
    (begin_s, end_s), first_s, last_s = found.fits_s, found.boundaries_s[0][0], found.boundaries_s[-1][-1]
    before_s, after_s = (moving[side].sum() * frames.interval_s for side in (middle_s < begin_s, middle_s > end_s))
    if max(before_s, after_s) < REACH * usual_s:
        return None
    if after_s > before_s:
        return last_s - usual_s, last_s + REACH * usual_s, end_s
    return first_s - REACH * usual_s, first_s + usual_s, begin_s


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


def _one_circuit(frames: Frames, lap_s: float | None) -> SignalLaps:
    """Laps of the clearest circuit, by the way the wheels went where they were counted, else in time."""
    best: SignalLaps | None = None
    travelled = by_distance(frames)
    ways = [(frames, LONG_REST_S, SHORT_REST_S)]
    if travelled is not None:
        ways.insert(0, (travelled, 0.0, 0.0))
    for each, longest_rest_s, shortened_s in ways:
        found = _find(each, longest_rest_s, shortened_s, lap_s)
        if found.boundaries_s or found.settled:
            return found
        best = found if best is None or found.confidence > best.confidence else best
    return best or none_found("signals_unrepeating")


def _idle(frames: Frames) -> str | None:
    """Why nothing drives: what can move did not, the load is constant, the battery is charged; None where it may."""
    rows = dict(zip(frames.names, frames.values, strict=True))
    counts = [rows[name] for name in COUNTS if name in rows]
    if counts and not any(np.nansum(row) > 0 for row in counts):
        return "machine_standing"
    amps = rows.get("battery_current_a")
    if amps is None:
        return None
    loaded = amps[np.abs(amps) > LOADED * np.nanquantile(np.abs(amps), 0.9)]
    if not len(loaded):
        return None
    low, middle, high = np.quantile(loaded, (0.05, 0.5, 0.95))
    if high - low < STEADY * abs(middle):
        return "load_constant"
    charged = -float(np.minimum(loaded, 0.0).sum()) > MOSTLY * float(np.abs(loaded).sum())
    return "battery_charging" if charged and not any(name in rows for name in (*COUNTS, *LEGS)) else None


def _find(frames: Frames, longest_rest_s: float, shortened_s: float, lap_s: float | None) -> SignalLaps:
    """Laps with one choice of frames and of how much of each rest is looked at."""
    values = filled(frames.values)
    if not len(features(values, frames.count)):
        return none_found("signals_constant")
    whole = pieces(frames, longest_rest_s, shortened_s)
    if len(whole.kept) * frames.interval_s < 2 * MIN_LAG * max(SEARCH_S, frames.interval_s):
        return none_found("signals_short")
    best: SignalLaps | None = None
    group = max(1, round(SEARCH_S / frames.interval_s))
    while True:
        for period in _search(values[:, whole.kept], whole.starts, group):
            found = _judge(frames, values, whole, period, lap_s)
            if found.confidence >= SURE:
                return found
            best = found if best is None or found.confidence > best.confidence else best
        if WINDOW * group >= len(whole.kept):
            return best or none_found("signals_unrepeating")
        group *= COARSER


def grouped(values: Floats, group: int) -> Floats:
    """Means of `group` frames each; the last frames that make no full group are left out."""
    count = values.shape[1] // group
    return np.asarray(values[:, : count * group].reshape(len(values), count, group).mean(axis=2))


def _search(values: Floats, starts: Places, group: int) -> list[Period]:
    """The lags of the clearest of up to three windows of the longest piece; frames count from the first piece on."""
    lengths = np.diff(starts)
    piece = int(lengths.argmax())
    begin, length = int(starts[piece]), int(lengths[piece])
    span = min(length, WINDOW * group)
    best: list[Period] = []
    for offset in sorted({0, (length - span) // 2, length - span}):
        found = [
            Period(
                period.lag * group,
                period.likeness,
                period.contrast,
                begin + offset + period.start * group,
                period.start_lag * group,
            )
            for period in find_periods(grouped(values[:, begin + offset : begin + offset + span], group))
        ]
        if found and (not best or _clear(found[0]) > _clear(best[0])):
            best = found
    return best


def _clear(period: Period) -> float:
    return _ramp("likeness", period.likeness) * _ramp("contrast", period.contrast)


def _ramp(name: str, value: float) -> float:
    low, high = RAMPS[name]
    return min(max((value - low) / (high - low), 0.0), 1.0)


def _judge(frames: Frames, values: Floats, whole: Pieces, period: Period, lap_s: float | None) -> SignalLaps:
    """Align with this lag, and say how sure the laps are."""
    measures = {"likeness": period.likeness, "contrast": period.contrast}
    if _clear(period) == 0.0:
        return none_found(_weakest(measures), measures)
    moving = pieces(frames, GLIMPSE_S, GLIMPSE_S)
    lap = whole.kept[[period.start, min(period.start + period.start_lag, len(whole.kept) - 1)]]
    begin, end = np.searchsorted(moving.kept, lap).tolist()
    group = max(1, -(-(end - begin) // MAX_BINS))
    if len(moving.kept) < 4 * group or end - begin < 2:
        return none_found("machine_standing", measures)
    track = _track(frames, values, moving, group, begin, end - begin, 1)
    lag = round(_usual_lag(track, end - begin, group))
    if abs(lag / (end - begin) - 1) > OTHER_LAG:
        track = _track(frames, values, moving, group, begin, lag, 1)
    folds = folds_of(_laps_of(track, [np.arange(phase[0], phase[-1], 1.0) for phase in _phases(track) if len(phase)]))
    if lap_s is not None:
        return _of_time(_report(track, measures), lap_s)
    if folds.times > 1:
        track = _track(frames, values, moving, group, begin, lag, folds.times)
    found = _report(track, measures)
    if not found.boundaries_s or found.changes_s is not None:
        return found
    usual_s = _usual_s(found)
    if folds.doubt is not None:
        two = Reason("laps_or_parts", lap_s=usual_s, times=folds.doubt, longer_s=folds.doubt * usual_s)
        return replace(found, boundaries_s=(), reason=two, settled=True)
    gap = open_by(frames.names, track.alignment.phase, track.values, track.alignment.template.shape[1])
    if track.by_distance and gap is not None and gap > MAX_OPEN:
        return replace(found, boundaries_s=(), reason=Reason("laps_or_sides", lap_s=usual_s), settled=True)
    return found


def _usual_s(found: SignalLaps) -> float:
    """Median duration of the laps."""
    return float(np.median(np.concatenate([np.diff(part) for part in found.boundaries_s])))


def _of_time(found: SignalLaps, lap_s: float) -> SignalLaps:
    """Laps of about a given duration: every one, every second, third … of the repetitions found."""
    if not found.boundaries_s:
        return found
    usual_s = _usual_s(found)
    times = max(1, round(lap_s / usual_s))
    if abs(times * usual_s / lap_s - 1) > AS_TOLD:
        other = Reason("laps_of_other_time", lap_s=usual_s, given_s=lap_s)
        return replace(found, boundaries_s=(), reason=other, settled=True)
    whole = tuple(part[::times] for part in found.boundaries_s if len(part) > times)
    return replace(found, boundaries_s=whole, reason=None if whole else Reason("one_lap"), settled=not whole)


def _usual_lag(track: Track, lag: int, group: int) -> float:
    """Median length of the laps of an alignment, in frames before grouping; `lag` where it has none complete."""
    each = [
        np.diff(places_of(track, part, np.arange(np.ceil(phase[0]), phase[-1])))
        for part, phase in zip(track.each(), _phases(track), strict=True)
        if len(phase)
    ]
    lengths = np.concatenate(each) if each else np.empty(0)
    return float(np.median(lengths)) * group if len(lengths) else float(lag)


def _track(frames: Frames, values: Floats, moving: Pieces, group: int, begin: int, lag: int, times: int) -> Track:
    """Frames in groups, their features, and the alignment with laps of `times` lags."""
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
    by_wheels = frames.edges_s is not None
    stiffness = STIFF_BY_DISTANCE if by_wheels else 1.0
    alignment = align(table, edges, np.concatenate(free), bins, start, length, stiffness=stiffness)
    return Track(np.concatenate(middles), edges, signals, table, alignment, np.concatenate(free), by_wheels)


def _laps_of(track: Track, marks: list[Floats]) -> Floats:
    """Features of each lap on the ring's bins, shape (laps, channels, bins); `marks` are phases, piece by piece."""
    bins = track.alignment.template.shape[1]
    along = (np.arange(bins) + 0.5) / bins
    laps = []
    for part, each in zip(track.each(), marks, strict=True):
        phase, table = rising(track.alignment.phase[part]), track.table[:, part]
        for mark in each[:-1].tolist():
            first, last = np.searchsorted(phase, (mark, mark + 1.0))
            near = slice(max(int(first) - 1, 0), int(last) + 1)
            laps.append([np.interp(mark + along, phase[near], row) for row in table[:, near]])
    return np.array(laps).reshape(len(laps), len(track.table), bins)


def _phases(track: Track) -> list[Floats]:
    return [track.alignment.phase[part] for part in track.each()]


def _report(track: Track, measures: dict[str, float]) -> SignalLaps:
    """Boundaries, and how sure they are."""
    spans = whole_spans(track)
    for _ in range(ROUNDS):
        marks = crossings(track, spans)
        laps = _laps_of(track, marks)
        inner = narrowed(track, spans, marks, _agreement(laps)) if len(laps) > 2 else spans
        if inner == spans:
            break
        spans = inner
    times = [
        np.interp(each, rising(track.alignment.phase[part]), track.time_s[part])
        for part, each in zip(track.each(), marks, strict=True)
    ]
    durations = np.concatenate([np.diff(each) for each in times]) if times else np.empty(0)
    if len(durations) < 2:
        return none_found("one_lap", measures)
    # By distance standing is left out. In time it counts: equal bursts with unequal pauses are no laps.
    lengths = driven_frames(track, marks) if track.by_distance else durations
    middle = float(np.median(lengths))
    spread = 1.4826 * float(np.median(np.abs(lengths - middle))) / middle
    measures = measures | {"agreement": float(np.median(_agreement(laps))), "regularity": 1.0 - spread}
    shares = [_ramp(name, value) for name, value in measures.items()]
    confidence = float(np.prod(shares) ** (1.0 / len(shares)))
    if confidence < SURE:
        return none_found(_weakest(measures), measures, confidence)
    change = _change(_laps_of(track, marks))
    changes_s = None
    if change is not None:
        firsts = np.concatenate([each[:-1] for each in times])
        changes_s = float(firsts[change - 1]), float(firsts[min(change + 1, len(firsts) - 1)])
    breaks = [np.append(phase, np.nan) for phase in map(rising, _phases(track))]
    moments = [np.append(track.time_s[part], track.time_s[part][-1:]) for part in track.each()]
    return SignalLaps(
        tuple(tuple(each.tolist()) for each in times if len(each) > 1),
        confidence,
        None,
        measures,
        (float(track.time_s[0]), float(track.time_s[-1])),
        Progress(np.concatenate(moments), np.concatenate(breaks), "signals"),
        changes_s,
        _ends_s(track, spans),
    )


def _ends_s(track: Track, spans: list[Span]) -> tuple[float, float]:
    """Run times of the first and the last phase of the spans."""
    ends = [
        np.interp(span, rising(track.alignment.phase[part]), track.time_s[part])
        for part, span in zip(track.each(), spans, strict=True)
        if span[1] > span[0]
    ]
    return float(ends[0][0]), float(ends[-1][-1])


def _change(laps: Floats) -> int | None:
    """The lap from which on they are others than before; None where they are not."""
    count = min(len(laps), MAX_SPLIT)
    if count < 4:
        return None
    # Of many laps some, evenly: what changes among them is narrowed down by the parts.
    some = np.unique(np.linspace(0, len(laps) - 1, count).astype(np.int64))
    distance = mean_squares(laps[some])
    best, found = 0.0, None
    for place in range(2, len(some) - 1):
        before, after = (np.triu_indices(length, 1) for length in (place, len(some) - place))
        within = np.median(np.concatenate((distance[:place, :place][before], distance[place:, place:][after])))
        between = float(np.median(distance[:place, place:]))
        if between > max(CHANGED, CHANGED_TIMES * float(within), best):
            best, found = between, int(some[place])
    return found


def _agreement(laps: Floats) -> Floats:
    """Correlation of each lap with the mean of the others, shape (laps,)."""
    others = (laps.sum(axis=0) - laps) / max(len(laps) - 1, 1)
    one = laps - laps.mean(axis=2, keepdims=True)
    rest = others - others.mean(axis=2, keepdims=True)
    scale = np.sqrt((one**2).sum(axis=(1, 2)) * (rest**2).sum(axis=(1, 2)))
    return np.asarray((one * rest).sum(axis=(1, 2)) / np.maximum(scale, 1e-12))


_TOO_LOW = {
    "likeness": "likeness_low",
    "contrast": "contrast_low",
    "agreement": "agreement_low",
    "regularity": "regularity_low",
}


def _weakest(measures: dict[str, float]) -> str:
    """The code of the reason: the measure with the lowest score."""
    return _TOO_LOW[min(measures, key=lambda name: _ramp(name, measures[name]))]
