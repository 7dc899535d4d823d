"""Laps of one circuit from the signals themselves: the run resembles itself one lap later. docs/methods.md, Laps.

Four steps: the lag at which it does (period.py), which part of the lap each moment is (align.py, track.py), how many
such repetitions are one lap (folds.py), and the place on the lap from which the most complete laps can be counted and
where they agree best (boundaries.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from amptally.analysis.laps.boundaries import Span, crossings, driven_frames, narrowed, whole_spans
from amptally.analysis.laps.folds import MAX_OPEN, Folds, folds_by_heading, folds_of, mean_squares, open_by, turning
from amptally.analysis.laps.frames import COUNTS, Frames, Pieces, Places, by_distance, filled, pieces
from amptally.analysis.laps.marks import Progress
from amptally.analysis.laps.period import MIN_LAG, Period, features, find_periods
from amptally.analysis.laps.track import Track, aligned, grouped, on_the_ring, rising
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Floats

SEARCH_S = 0.2
"""Frames for the search of the lag, for laps up to some minutes; four times as long for each coarser level."""
COARSER = 4
MIN_LAP_S = 5.0
"""What repeats more quickly is no lap."""
WINDOW = 3000
"""Frames searched at once; of a longer run three windows."""
MAX_BINS = 300
LONG_REST_S, SHORT_REST_S = 30.0, 10.0
"""For the search of the lag a rest longer than the first lasts the second: a pause is no part of a lap's rhythm."""
GLIMPSE_S = 0.3
"""For the alignment every rest is cut to this length: laps differ most in how long the machine stands."""
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
AS_TOLD = 0.25
"""Laps are those of the machine file if they last as long as it says within this part."""
LEGS = ("left_current_a", "right_current_a")
MOSTLY = 0.9
"""A battery is charged where this part of its charge, in and out, flows in."""
LOADED, STEADY = 0.25, 0.2
"""Above the first part of its peaks, a current that spans less than the second part of its median drives nothing."""
MAX_SPLIT = 60
CHANGED, CHANGED_TIMES = 0.35, 2.5
"""Laps change where those before and after differ by this mean square, and by so many times that among themselves."""


@dataclass(frozen=True, slots=True)
class LapFacts:
    """What is known of a lap beside the signals."""

    duration_s: float | None = None
    """About how long it takes."""
    track_counts: float | None = None
    """Distance between the two wheels, in counts of a wheel: turning once, they differ by 2π times as many."""


NOTHING_KNOWN = LapFacts()


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


def one_circuit(frames: Frames, facts: LapFacts) -> SignalLaps:
    """Laps of the clearest circuit, by the way the wheels went where they were counted, else in time."""
    best: SignalLaps | None = None
    travelled = by_distance(frames)
    ways = [(frames, LONG_REST_S, SHORT_REST_S)]
    if travelled is not None:
        ways.insert(0, (travelled, 0.0, 0.0))
    for each, longest_rest_s, shortened_s in ways:
        found = _find(each, longest_rest_s, shortened_s, facts)
        if found.boundaries_s or found.settled:
            return found
        best = found if best is None or found.confidence > best.confidence else best
    return best or none_found("signals_unrepeating")


def idle(frames: Frames) -> str | None:
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


def _find(frames: Frames, longest_rest_s: float, shortened_s: float, facts: LapFacts) -> SignalLaps:
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
            found = _judge(frames, values, whole, period, facts)
            if found.confidence >= SURE:
                return found
            best = found if best is None or found.confidence > best.confidence else best
        if WINDOW * group >= len(whole.kept):
            return best or none_found("signals_unrepeating")
        group *= COARSER


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


def _judge(frames: Frames, values: Floats, whole: Pieces, period: Period, facts: LapFacts) -> SignalLaps:
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
    track = aligned(frames, values, moving, group, begin, end - begin, 1)
    lag = round(track.usual_lag(end - begin, group))
    if abs(lag / (end - begin) - 1) > OTHER_LAG:
        track = aligned(frames, values, moving, group, begin, lag, 1)
    if facts.duration_s is not None:
        return _of_time(_report(track, measures), facts.duration_s)
    folds, is_open = _folds(track, facts)
    if folds.times > 1:
        track = aligned(frames, values, moving, group, begin, lag, folds.times)
    found = _report(track, measures)
    if not found.boundaries_s or found.changes_s is not None:
        return found
    lap_s = usual_s(found)
    if lap_s < MIN_LAP_S and folds.doubt is None and not is_open:
        return none_found("contrast_low", found.measures, found.confidence)
    if folds.doubt is not None:
        two = Reason("laps_or_parts", lap_s=lap_s, times=folds.doubt, longer_s=folds.doubt * lap_s)
        return replace(found, boundaries_s=(), reason=two, settled=True)
    if is_open and folds.times == 1:
        return replace(found, boundaries_s=(), reason=Reason("laps_or_sides", lap_s=lap_s), settled=True)
    return found


def _folds(track: Track, facts: LapFacts) -> tuple[Folds, bool]:
    """How many repetitions make a lap, and whether by the wheels a single one does not lead back.

    Where the track width is known the heading decides, else what comes back on every k-th repetition.
    """
    marks = track.whole_laps()
    turned = turning(track)
    if turned is not None and facts.track_counts is not None:
        lengths = driven_frames(track, marks)
        length = track.counts * float(np.median(lengths)) if len(lengths) else 0.0
        times = folds_by_heading(turned, length / facts.track_counts)
        if times is not None:
            return Folds(times), False
    gap = None if turned is None else open_by(turned)
    is_open = gap is not None and gap > MAX_OPEN
    return folds_of(track, marks, is_open=is_open), is_open


def usual_s(found: SignalLaps) -> float:
    """Median duration of the laps."""
    return float(np.median(np.concatenate([np.diff(part) for part in found.boundaries_s])))


def _of_time(found: SignalLaps, lap_s: float) -> SignalLaps:
    """Laps of about a given duration: every one, every second, third … of the repetitions found."""
    if not found.boundaries_s:
        return found
    repetition_s = usual_s(found)
    times = max(1, round(lap_s / repetition_s))
    if abs(times * repetition_s / lap_s - 1) > AS_TOLD:
        other = Reason("laps_of_other_time", lap_s=repetition_s, given_s=lap_s)
        return replace(found, boundaries_s=(), reason=other, settled=True)
    whole = tuple(part[::times] for part in found.boundaries_s if len(part) > times)
    return replace(found, boundaries_s=whole, reason=None if whole else Reason("one_lap"), settled=not whole)


def _report(track: Track, measures: dict[str, float]) -> SignalLaps:
    """Boundaries, and how sure they are."""
    spans = whole_spans(track)
    for _ in range(ROUNDS):
        marks = crossings(track, spans)
        laps = on_the_ring(track, marks, track.table)
        inner = narrowed(track, spans, marks, _agreement(laps)) if len(laps) > 2 else spans
        if inner == spans:
            break
        spans = inner
    times = track.moments_s(marks)
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
    change = _change(on_the_ring(track, marks, track.table))
    changes_s = None
    if change is not None:
        firsts = np.concatenate([each[:-1] for each in times])
        changes_s = float(firsts[change - 1]), float(firsts[min(change + 1, len(firsts) - 1)])
    breaks = [np.append(phase, np.nan) for phase in map(rising, track.phases())]
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
    moments = track.moments_s([np.array(span) for span in spans])
    ends = [each for each, span in zip(moments, spans, strict=True) if span[1] > span[0]]
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
