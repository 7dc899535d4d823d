"""How many of the repetitions that were found make one lap: a loop may have equal sides, or two equal halves.

What differs between equal sides is their floor: what a repetition draws beyond what its pace and the sticks explain
comes back on the same side of the next lap. docs/methods.md, Laps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from amptally.analysis.laps.frames import COUNTS
from amptally.analysis.laps.track import Track, on_the_ring
from amptally.analysis.runs.run import Floats

MAX_COMPARED = 48
MAX_FOLDS = 8
MEMBERS = 3
"""Repetitions in each group, one of them may lack one, so that a chance likeness does not look like a rule."""
SHOWN = 5.0
"""Where every k-th repetition is nearer by so many standard errors, a lap is k of them."""
SHOWN_OPEN = 4.5
"""The same where by the wheels a repetition does not lead back to where it began."""
SHOWN_BY_FEW, FEW = 8.0, 8
"""The same of fewer repetitions than the second: two or three of them are soon alike by chance."""
DOUBTED, DOUBTED_BY_FEW = 3.5, 4.5
"""From here on it is perhaps so."""
SLIGHT = 0.12
"""Nearer by less than this correlation is not looked at. Where a lap is no whole number of frames, every second or
third falls alike between them, and of many repetitions so little looks sure."""
PAIRED = 3.0
"""Every second must remain nearer by as much as this where pace is left out: fast and slow laps may alternate."""
LONGER, PERHAPS_LONGER, PERHAPS_SHARE = 3.0, 1.5, 0.4
"""Among the pairs k apart those a multiple of k apart are nearer by so many standard errors: a lap is that multiple.
From the second on, and by this part of what k itself makes nearer, it perhaps is."""
LAGS = (-2, 0, 2)
"""Bins by which pace and sticks may act earlier or later: a filter, a motor that takes its time."""
WIDTH = 7
"""Bins over which what is compared is smoothed."""
CLIP = 3.0
SLOW = 0.5
"""Below this part of its usual speed the machine creeps or waits."""
TINY = 1e-12
STRAIGHT = 0.25
"""Turning by less than this part of the sharpest bends is noise of driving straight on."""
STEERED = 0.5
"""Where left and right turns cancel to less than this part, how often a lap turns round cannot be told."""
ROUNDS = (1, 2, 3)
MAX_OPEN = 0.35
"""What ends further from its beginning than this part of its length, by the wheels, is a part of a lap."""
TURNED = 0.06
"""Heading along a repetition counts as a part of a full turn, or as whole turns, within this part."""


@dataclass(frozen=True, slots=True)
class Folds:
    """How many repetitions make a lap."""

    times: int
    doubt: int | None = None
    """Perhaps it is this many times as long."""


def folds_of(track: Track, marks: list[Floats], *, is_open: bool) -> Folds:
    """From the repetitions between `marks`, phases piece by piece; `is_open` where they do not lead back."""
    like = likeness(track, marks)
    found = folds_by(like, is_open=is_open)
    if 2 in (found.times, found.doubt) and not is_open and len(like) >= FEW:
        nearer = _nearer(likeness(track, marks, without_pace=True), 2)
        if nearer is None or nearer[1] < PAIRED:
            return Folds(1)
    return found


def folds_by(like: Floats, *, is_open: bool) -> Folds:
    """From the likeness of any two repetitions, shape (repetitions, repetitions)."""
    count = len(like)
    each = {times: _nearer(like, times) for times in range(2, MAX_FOLDS + 1) if count >= MEMBERS * times - 1}
    known = {times: nearer for times, nearer in each.items() if nearer is not None and nearer[0] > SLIGHT}
    if not known:
        return Folds(1)
    best = max(known, key=lambda times: known[times][1])
    shown = SHOWN_OPEN if is_open else SHOWN if count >= FEW else SHOWN_BY_FEW
    if known[best][1] < (DOUBTED if is_open or count >= FEW else DOUBTED_BY_FEW):
        return Folds(1)
    for times in range(2 * best, min(MAX_FOLDS, count // 2) + 1, best):
        more = _nearer(like, times, best)
        if more is None:
            continue
        if more[1] > LONGER and times in known:
            best = times
        elif more[1] > PERHAPS_LONGER and more[0] > PERHAPS_SHARE * known[best][0]:
            return Folds(1, times)
    return Folds(best) if known[best][1] >= shown else Folds(1, best)


def _nearer(like: Floats, times: int, among: int = 1) -> tuple[float, float] | None:
    """By how much repetitions a multiple of `times` apart are more alike than others, and in standard errors.

    Only of pairs a multiple of `among` apart. None with fewer than two such pairs or others.
    """
    first, second = np.triu_indices(len(like), 1)
    apart = second - first
    used = apart % among == 0
    values, same = like[first, second][used], apart[used] % times == 0
    near, other = values[same], values[~same]
    if min(len(near), len(other)) < 2:
        return None
    more = float(near.mean() - other.mean())
    scatter = (len(near) * near.var() + len(other) * other.var()) / (len(values) - 2)
    error = float(np.sqrt(scatter * (1 / len(near) + 1 / len(other))))
    return more, more / max(error, TINY)


def likeness(track: Track, marks: list[Floats], *, without_pace: bool = False) -> Floats:
    """Correlation of any two repetitions in what sets them apart, shape (repetitions, repetitions).

    Compared is what currents and voltages show beyond the mean of all repetitions, a steady growth, and what speed
    along the way (by the wheels) and sticks explain; small shifts along the way too; and where it waits or creeps.
    Without currents and voltages the sticks are compared. `without_pace` also leaves out what goes with how long a
    repetition takes.
    """
    sticks = [name.startswith("pulse_") for name in track.names]
    signals = [not stick and name not in COUNTS for name, stick in zip(track.names, sticks, strict=True)]
    drivers = list(track.values[sticks]) if any(signals) else []
    waits = []
    if track.by_distance and len(track.time_s) > 1:
        speed = 1.0 / np.maximum(np.gradient(track.time_s), 1e-6)
        drivers += [speed, np.gradient(speed**2)]
        waits.append(np.log(np.maximum(SLOW * float(np.median(speed)) / speed, 1.0)))
    shown = track.values[signals if any(signals) else sticks]
    rows = on_the_ring(track, marks, np.array([track.time_s, *shown, *drivers, *waits]), MAX_COMPARED)
    count, taken = len(rows), np.log(np.maximum(rows[:, 0, -1] - rows[:, 0, 0], 1e-3)) if len(rows) else np.empty(0)
    if count < 4 or not len(shown):
        return np.zeros((0, 0))
    rows = _smoothed(rows[:, 1:])
    common = rows[:, : len(shown)].mean(axis=0)
    common = common - common.mean(axis=1, keepdims=True)
    known = [
        np.ones(count),
        *([np.arange(count, dtype=float)] if count >= FEW else []),
        *([taken] if without_pace else []),
    ]
    basis = np.linalg.qr(np.stack(known, axis=1))[0]
    rows = rows - np.tensordot(basis, np.tensordot(basis.T, rows, 1), 1)
    rows = rows - rows.mean(axis=2, keepdims=True)
    causes = [
        np.roll(row, lag, axis=1)
        for row in rows[:, len(shown) : len(shown) + len(drivers)].swapaxes(0, 1)
        for lag in LAGS
    ]
    own = [
        _unexplained(row, causes, np.stack((np.gradient(shape), shape), axis=1))
        for row, shape in zip(rows[:, : len(shown)].swapaxes(0, 1), common, strict=True)
    ]
    if waits:
        own.append(_unexplained(rows[:, -1], [], np.ones((rows.shape[2], 1))))
    compared = np.concatenate(own, axis=1)
    compared = compared - compared.mean(axis=0)
    compared = compared / np.maximum(np.linalg.norm(compared, axis=1, keepdims=True), TINY)
    return np.asarray(compared @ compared.T)


def _unexplained(row: Floats, causes: list[Floats], shape: Floats) -> Floats:
    """A channel of shape (repetitions, bins) less what causes of the same shape explain, in units of its scatter.

    `shape`, shape (bins, 2): what a shift and a stretch of a single repetition would add.
    """
    scatter = (row**2).mean(axis=0)
    weight = 1.0 / np.sqrt(scatter + np.median(scatter) + TINY)
    table = np.stack([(cause * weight).ravel() for cause in causes], axis=1) if causes else np.zeros((row.size, 0))
    whole, single = _least_squares(table), _least_squares(shape * weight[:, None])
    for _ in range(2):
        weighed = row * weight
        weighed = weighed - (table @ (whole @ weighed.ravel())).reshape(row.shape)
        row = (weighed - (shape * weight[:, None] @ (single @ weighed.T)).T) / weight
    scatter = (row**2).mean(axis=0)
    return np.asarray(np.clip(row / np.sqrt(scatter + np.median(scatter) + TINY), -CLIP, CLIP))


def _least_squares(table: Floats) -> Floats:
    """The matrix that gives the coefficients of the columns of a table, by its normal equations, for any right side."""
    return np.asarray(np.linalg.pinv(table.T @ table, hermitian=True) @ table.T)


def _smoothed(rows: Floats) -> Floats:
    """Weighted moving mean over about half of WIDTH bins; the ends stand for what lies beyond."""
    weight = np.hanning(WIDTH + 2)[1:-1] / np.hanning(WIDTH + 2).sum()
    wide = np.pad(rows, [(0, 0), (0, 0), (WIDTH // 2, WIDTH // 2)], mode="edge")
    bins = rows.shape[2]
    return np.asarray(sum(each * wide[:, :, shift : shift + bins] for shift, each in enumerate(weight)))


def mean_squares(laps: Floats) -> Floats:
    """Mean square difference between any two of the laps, of shape (laps, channels, bins); shape (laps, laps)."""
    rows = laps.reshape(len(laps), -1)
    square = (rows**2).sum(axis=1)
    return np.asarray((square[:, None] + square - 2 * rows @ rows.T) / rows.shape[1])


def turning(track: Track) -> Floats | None:
    """Difference of both wheels, right less left, as part of their mean along the ring, shape (bins,).

    A difference all along, of wheels that are not alike, is left out. None where the wheels do not tell.
    """
    if not track.by_distance or not all(name in track.names for name in COUNTS):
        return None
    bins = track.bins
    place = np.floor((track.alignment.phase % 1.0) * bins + 1e-6).astype(np.int64) % bins
    left, right = (np.bincount(place, weights=track.values[track.names.index(name)], minlength=bins) for name in COUNTS)
    mean = 0.5 * (left + right)
    if mean.min() <= 0:
        return None
    found = (right - left) / mean
    found = found - np.median(found)
    # The bends draw the median towards their side: once more without them.
    straight = np.abs(found) <= STRAIGHT * np.quantile(np.abs(found), 0.95)
    return np.asarray(found - np.median(found[straight]))


def open_by(turned: Floats) -> float | None:
    """How far from its beginning a repetition ends, as part of its length, from `turning` along it.

    It turns once round, twice or three times; whichever closes it best is taken, so that neither track nor wheels need
    be known. None where left and right turns cancel, as on a figure of eight.
    """
    total = float(turned.sum())
    if abs(total) <= STEERED * float(np.abs(turned).sum()):  # both 0 where it goes straight
        return None
    heading = 2 * np.pi * np.cumsum(turned) / total
    return min(float(np.abs(np.exp(1j * times * heading).mean())) for times in ROUNDS)


def folds_by_heading(turned: Floats, length_per_track: float) -> int | None:
    """How many repetitions make full turns: 1 where one turns round once, twice or three times, 4 on a square.

    `length_per_track` is the way of one repetition over the track width. None where the heading fits no number, as
    where left and right turns cancel.
    """
    rounds = abs(float(turned.mean())) * length_per_track / (2 * np.pi)
    for times in range(1, MAX_FOLDS + 1):
        if abs(times * rounds - 1) < TURNED:
            return times
    return 1 if any(abs(rounds / whole - 1) < TURNED for whole in ROUNDS) else None
