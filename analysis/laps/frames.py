"""A run's channels as a few frames a second, the input of the lap finder. docs/methods.md, Laps.

A frame is the mean over a tenth of a second (longer where samples are rarer), so that a day at 1 kHz becomes a table
of some hundred thousand columns, read in parts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from amptally.analysis.runs.run import Flags, Floats, Run

Places = npt.NDArray[np.int64]

FRAME_S = 0.1
BREAK_S = 5.0
"""Where nothing was measured for longer, a lap does not reach across: what the machine did is not known."""
STILL_S = 1.0
STILL_SHARE = 0.4
"""Still: over a second the channels range, on average, over less than this part of their σ."""
AT_REST_SHARE = 0.5
"""At rest: still, and on average within this part of their σ of their level at the start or the end of the run."""
NO_COUNT_S = 0.5
REST_FRAMES = 3
"""By distance: the wheels rest where they give no count for as long, and a rest is shown by so many frames at most."""
MOST_TRAVEL = 8.0
"""A frame's travel is at most this many times the median: no machine is that much faster than itself."""
PART_ROWS = 4_000_000
LEVELS = (
    "battery_current_a", "left_current_a", "right_current_a", "pulse_a_us", "pulse_b_us", "battery_voltage_v",
    "block_b_current_a",
)  # fmt: skip
COUNTS = ("left_wheel_count", "right_wheel_count")
SPARE = (
    "controller_voltage_v", "midpoint_voltage_v", "left_fused_voltage_v", "right_fused_voltage_v", "receiver_voltage_v",
)  # fmt: skip
"""Used only where fewer than two of the others were recorded: they follow the battery voltage."""


@dataclass(frozen=True, slots=True)
class Frames:
    """Means over equal stretches of run time."""

    start_s: float
    """Run time at which the first frame begins."""
    interval_s: float
    """Length of a frame."""
    names: tuple[str, ...]
    """SI names of the channels; wheel counts appear as counts per frame."""
    values: Floats
    """Shape (channels, frames); NaN where a channel has no sample."""
    edges_s: Floats | None = None
    """Run time of the edges, shape (frames + 1,), where frames are equal in distance; None where they are in time."""
    resting: Flags | None = None
    """Frames in which the machine stands, shape (frames,), where the wheels tell; else it is read from the signals."""
    counts: float = 0.0
    """Counts that each wheel gives along a frame, on average, where frames are equal in distance; else 0."""

    @property
    def count(self) -> int:
        """Number of frames."""
        return int(self.values.shape[1])

    def time_s(self, place: npt.NDArray[np.floating[Any]] | Places) -> Floats:
        """Run time of places on the frame axis; frame i spans i to i + 1."""
        at = place.astype(np.float64)
        if self.edges_s is not None:
            return np.asarray(np.interp(at, np.arange(len(self.edges_s)), self.edges_s))
        return np.asarray(self.start_s + at * self.interval_s)


@dataclass(frozen=True, slots=True)
class Pieces:
    """Stretches without a break in which the machine moves; rests are shortened."""

    kept: Places
    """Frames that are kept, increasing."""
    starts: Places
    """Index in `kept` of the first frame of each piece, and len(kept) at the end; shape (pieces + 1,)."""
    rests_before: Flags
    """Whether the machine is seen to stand before each piece."""
    rests_after: Flags
    """Likewise after it."""


def bin_sums(edges: Places, value: Floats, valid: Flags) -> tuple[Floats, Floats]:
    """Sum and number of valid samples of each bin; samples edges[i] to edges[i + 1] belong to bin i."""
    total = np.concatenate(([0.0], np.cumsum(np.where(valid, value, 0.0))))
    seen = np.concatenate(([0], np.cumsum(valid)))
    return total[edges[1:]] - total[edges[:-1]], (seen[edges[1:]] - seen[edges[:-1]]).astype(np.float64)


def bin_means(edges: Places, value: Floats, valid: Flags) -> Floats:
    """Mean of each bin; NaN where it has no valid sample."""
    total, seen = bin_sums(edges, value, valid)
    return np.asarray(np.divide(total, seen, out=np.full(len(total), np.nan), where=seen > 0))


def last_values(edges: Places, value: Floats, valid: Flags) -> Floats:
    """The last valid sample of each bin; NaN where it has none."""
    place = np.where(valid, np.arange(len(value)), -1)
    newest = np.maximum.accumulate(place) if len(place) else place
    at = newest[np.maximum(edges[1:] - 1, 0)] if len(newest) else np.full(len(edges) - 1, -1)
    return np.asarray(np.where(at >= edges[:-1], value[np.maximum(at, 0)] if len(value) else np.nan, np.nan))


def steps_of(count: Floats) -> Floats:
    """Growth of a running count from frame to frame; NaN where the count fell, since it was reset."""
    out = np.full(len(count), np.nan)
    known = np.flatnonzero(np.isfinite(count))
    if len(known) > 1:
        step = np.diff(count[known])
        out[known[1:]] = np.where(step < 0, np.nan, step) / np.diff(known)
        out[known[0]] = out[known[1]]
    return out


def run_frames(run: Run, names: tuple[str, ...] | None = None) -> Frames | None:
    """Frames of the channels that tell laps apart; None where the run has none of them, or fewer than two samples."""
    interval = run.interval_s
    present = dict(zip(run.columns, run.file.columns, strict=True))
    if names is None:
        names = tuple(name for name in (*LEVELS, *COUNTS) if name in present)
        if len(names) < 2:
            names += tuple(name for name in SPARE if name in present)
    if interval is None or not names or run.duration_s <= 0:
        return None
    length = max(FRAME_S, interval)
    count = int(run.duration_s / length) + 1
    start = run.start_s
    edges = run.rows_at(start + length * np.arange(count + 1, dtype=np.float64))
    edges[-1] = run.rows
    rows = [_channel(run, present[name], name, edges) for name in names]
    found = [(name, row) for name, row in zip(names, rows, strict=True) if np.isfinite(row).any()]
    if not found:
        return None
    return Frames(start, length, tuple(name for name, _ in found), np.array([row for _, row in found]))


def _channel(run: Run, column: str, name: str, edges: Places) -> Floats:
    """One channel's frames: uncorrected, since only its shape matters; a missing pulse is NaN."""
    means = []
    for first, last in _parts(edges):
        row, rows = int(edges[first]), int(edges[last] - edges[first])
        samples = run.file.read([column], run.start_row + row, rows)[column]
        valid = samples.is_not_null().to_numpy()
        value = samples.fill_null(0).to_numpy().astype(np.float64)
        if name.startswith("pulse_"):
            valid &= value > 0
        take = last_values if name in COUNTS else bin_means
        means.append(take(edges[first : last + 1] - row, value, valid))
    whole = np.concatenate(means)
    return steps_of(whole) if name in COUNTS else whole


def _parts(edges: Places) -> Iterator[tuple[int, int]]:
    """Ranges of frames, each with at most about `PART_ROWS` samples."""
    first = 0
    while first < len(edges) - 1:
        last = int(np.searchsorted(edges, edges[first] + PART_ROWS, "right")) - 1
        last = min(max(last, first + 1), len(edges) - 1)
        yield first, last
        first = last


def by_distance(frames: Frames) -> Frames | None:
    """The same drive in frames of equal wheel travel: a lap has one length, at whatever pace it is driven.

    A frame of `interval_s` stands for what the wheels usually turn in that time. A rest appears as `REST_FRAMES` frames
    at most. None where no wheel was counted, or fewer than one count a frame.
    """
    rows = [row for name, row in zip(frames.names, frames.values, strict=True) if name in COUNTS]
    missing = np.asarray(~np.isfinite(frames.values).any(axis=0))
    travel = np.zeros(frames.count)
    for row in rows:
        # `steps_of` shares what a wheel turned over frames without a sample among them and the next.
        known = np.flatnonzero(np.isfinite(row))
        after = known[np.minimum(np.searchsorted(known, np.arange(len(row))), len(known) - 1)]
        turned = np.where(known[-1] >= np.arange(len(row)), row[after], 0.0)
        # One wrong count must not stand for a day's drive.
        travel += np.minimum(turned, MOST_TRAVEL * np.median(turned[turned > 0])) if (turned > 0).any() else 0.0
    moving = travel > 0
    usual = float(np.median(travel[moving])) if moving.any() else 0.0
    if usual < 1.0:
        return None
    rests = np.zeros(frames.count, bool)
    for begin, end in stretches(np.logical_not(moving)):
        if (end - begin) * frames.interval_s >= NO_COUNT_S:
            travel[begin : min(end, begin + REST_FRAMES)] = usual
            rests[begin:end] = True
    broken = np.zeros(frames.count, bool)
    for begin, end in stretches(missing):
        if (end - begin) * frames.interval_s > BREAK_S:
            broken[begin:end] = True
            travel[begin : begin + round(BREAK_S / frames.interval_s) + 2] = usual
    gone = np.concatenate(([0.0], np.cumsum(travel))) / usual
    count = int(gone[-1])
    if count < 2:
        return None
    place = np.interp(np.arange(count + 1), gone, np.arange(frames.count + 1))
    standing = np.concatenate(([0.0], np.cumsum(rests)))
    weight = (travel > 0).astype(np.float64)
    sums = [np.concatenate(([0.0], np.cumsum(each))) for each in (weight, *(weight * filled(frames.values)))]
    share, *totals = (np.diff(np.interp(place, np.arange(frames.count + 1), each)) for each in sums)
    values = np.array(totals) / np.maximum(share, 1e-9)
    middle = np.minimum((0.5 * (place[1:] + place[:-1])).astype(np.int64), frames.count - 1)
    values[:, broken[middle]] = np.nan
    resting = np.diff(np.interp(place, np.arange(frames.count + 1), standing)) > 0.5 * np.diff(place)
    edges_s = frames.time_s(place)
    return Frames(frames.start_s, frames.interval_s, frames.names, values, edges_s, resting, usual / len(rows))


def filled(values: Floats) -> Floats:
    """NaN interpolated in time; breaks are handled in `pieces`."""
    out = values.copy()
    for row in out:
        known = np.flatnonzero(np.isfinite(row))
        if len(known) < len(row):
            row[:] = np.interp(np.arange(len(row)), known, row[known])
    return out


def still(values: Floats, width: int) -> Flags:
    """Frames around which the channels hardly change within `width` frames; shape (frames,).

    A channel whose quietest span is near its median span is noise here, and gets little weight.
    """
    scale = values.std(axis=1, keepdims=True)
    used = values[scale[:, 0] > 0] / scale[scale[:, 0] > 0]
    if not len(used) or used.shape[1] < width:
        return np.ones(values.shape[1], bool)
    highest, lowest = used.copy(), used.copy()
    for shift in range(1, width // 2 + 1):
        for here, there in ((slice(shift, None), slice(None, -shift)), (slice(None, -shift), slice(shift, None))):
            np.maximum(highest[:, here], used[:, there], out=highest[:, here])
            np.minimum(lowest[:, here], used[:, there], out=lowest[:, here])
    span = highest - lowest
    quiet, usual = np.quantile(span, (0.05, 0.5), axis=1)
    weight = np.maximum(1.0 - quiet / np.maximum(usual, 1e-12), 0.05) ** 2
    return np.asarray(weight @ span / weight.sum() < STILL_SHARE)


def at_rest(values: Floats, interval_s: float) -> Flags:
    """Frames in which the machine stands as at the start or the end of the run; none where it moves there."""
    width = max(3, round(STILL_S / interval_s))
    quiet = still(values, width)
    scale = np.where(values.std(axis=1) > 0, values.std(axis=1), 1.0)[:, None]
    resting = np.zeros(values.shape[1], bool)
    for end in (slice(0, width), slice(-width, None)):
        if quiet[end].all():
            level = np.median(values[:, end], axis=1, keepdims=True)
            resting |= quiet & (np.abs((values - level) / scale).mean(axis=0) < AT_REST_SHARE)
    return resting


def stretches(flags: Flags) -> list[tuple[int, int]]:
    """Begin and end (exclusive) of every run of set flags."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def pieces(frames: Frames, longest_rest_s: float, shortened_s: float) -> Pieces:
    """Split at breaks, trim rest from the ends, shorten any rest longer than `longest_rest_s` to `shortened_s`."""
    missing = np.asarray(~np.isfinite(frames.values).any(axis=0))
    resting = frames.resting if frames.resting is not None else at_rest(filled(frames.values), frames.interval_s)
    longest, shortened = (max(1, round(span / frames.interval_s)) for span in (longest_rest_s, shortened_s))
    broken = np.zeros(frames.count, bool)
    for begin, end in stretches(missing):
        if (end - begin) * frames.interval_s > BREAK_S:
            broken[begin:end] = True
    kept: list[Places] = []
    starts, before, after = [0], [], []
    for begin, end in stretches(np.logical_not(broken)):
        rests = [(a + begin, b + begin) for a, b in stretches(resting[begin:end])]
        first = rests[0][1] if rests and rests[0][0] == begin else begin
        last = rests[-1][0] if rests and rests[-1][1] == end else end
        if last <= first:
            continue
        keep = np.ones(end - begin, bool)
        keep[: first - begin] = keep[last - begin :] = False
        for a, b in rests:
            if a > first and b < last and b - a > longest:
                keep[a - begin + shortened : b - begin] = False
        kept.append(begin + np.flatnonzero(keep))
        starts.append(starts[-1] + len(kept[-1]))
        before.append(first > begin)
        after.append(last < end)
    frames_kept = np.concatenate(kept) if kept else np.empty(0, np.int64)
    return Pieces(frames_kept, np.array(starts), np.array(before, bool), np.array(after, bool))
