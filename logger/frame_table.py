"""Many frames at once: where a stretch of the stream holds samples frames that follow one another as they should.

A table only ever says of a frame that it is good where `frames.decode` says the same; it is not asked about the others.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from logger.blocks import CLOCK_WRAP
from logger.frames import MAX_BODY, VERSION, Kind

Ints = npt.NDArray[np.int64]
_HEAD = np.dtype(
    [("version", "u1"), ("kind", "u1"), ("sequence", "<u2"), ("layout", "u1"), ("boot", "u1"), ("first_us", "<u4"),
     ("interval_us", "<u4"), ("count", "u1")]
)  # fmt: skip
"""What a body begins with, and a samples payload after it."""
_CRC_BYTES = 2


@dataclass(frozen=True, slots=True)
class FrameTable:
    """The pieces between zeros of a stretch; all arrays have shape (frames,)."""

    starts: Ints
    """Where the stuffed bytes of each begin."""
    ends: Ints
    """Where its closing zero is."""
    follows: npt.NDArray[np.bool_]
    """A good samples frame, of the same boot, layout and row size as the one before it, next in sequence and time."""
    bodies: bytes
    """Unstuffed, one after the other."""
    rows_at: Ints
    """Where the rows of each samples frame begin in `bodies`."""
    rows_end: Ints
    heads: npt.NDArray[np.void]
    """Fields of `_HEAD`; of use where `follows` holds."""

    def rows(self, first: int, end: int) -> bytes:
        """The rows of frames that follow one another."""
        at, stop = self.rows_at[first:end], self.rows_end[first:end]
        size, far = int(stop[0] - at[0]), int(at[-1] - at[0])
        step = far // (end - first - 1) if end - first > 1 else size
        if size <= step and (at == at[0] + step * np.arange(end - first)).all() and (stop - at == size).all():
            # All of one length: a table, less what lies between the rows.
            table = np.frombuffer(self.bodies, np.uint8, far + size, int(at[0]))
            return np.lib.stride_tricks.as_strided(table, (end - first, size), (step, 1)).tobytes()
        return b"".join([self.bodies[begin:close] for begin, close in zip(at.tolist(), stop.tolist(), strict=True)])

    @property
    def stretches(self) -> list[tuple[int, int]]:
        """(first, end) of frames each of which, but the first, follows the one before."""
        edges = np.flatnonzero(~self.follows).tolist()
        return list(pairwise([*edges, len(self.starts)]))


def tabulate(data: bytes, near_us: int) -> FrameTable:
    """The frames in `data`, which ends with a zero. A step in time of more than `near_us`, and than ten times the
    frame's own length, does not follow."""
    raw = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(raw == 0)
    starts = np.concatenate(([0], ends[:-1] + 1))
    filled = ends > starts
    starts, ends = starts[filled], ends[filled]
    bodies, lengths, whole = _unstuff(raw, starts, ends)
    body_end = np.cumsum(lengths)
    body_at = body_end - lengths
    size = _HEAD.itemsize
    long_enough = whole & (lengths > size + _CRC_BYTES) & (lengths <= MAX_BODY)
    heads = np.zeros(len(starts), _HEAD)
    picked = np.flatnonzero(long_enough)
    heads[picked] = bodies[body_at[picked, None] + np.arange(size)].view(_HEAD)[:, 0]
    count, interval_us = heads["count"].astype(np.int64), heads["interval_us"].astype(np.int64)
    rows_at, rows_end = body_at + size, body_end - _CRC_BYTES
    row_size, left_over = np.divmod(rows_end - rows_at, np.maximum(count, 1))
    span_us = count * interval_us
    good = long_enough & (heads["version"] == VERSION) & (heads["kind"] == Kind.SAMPLES) & (left_over == 0)
    good &= (span_us > 0) & (span_us <= CLOCK_WRAP // 2)
    packed = bodies.tobytes()
    _check(good, packed, bodies, body_at, rows_end)
    follows = np.zeros(len(starts), bool)
    if len(starts):
        first_us = heads["first_us"].astype(np.int64)
        step_us = (first_us[1:] - first_us[:-1]) % CLOCK_WRAP
        same = good[1:] & good[:-1] & (row_size[1:] == row_size[:-1])
        for name in ("boot", "layout"):
            same &= heads[name][1:] == heads[name][:-1]
        same &= heads["sequence"][1:] == heads["sequence"][:-1] + np.uint16(1)
        same &= (step_us <= np.maximum(near_us, 10 * span_us[1:])) & (step_us < CLOCK_WRAP // 2)
        follows[1:] = same
    return FrameTable(starts, ends, follows, packed, rows_at, rows_end, heads)


def _unstuff(
    raw: npt.NDArray[np.uint8], starts: Ints, ends: Ints
) -> tuple[npt.NDArray[np.uint8], Ints, npt.NDArray[np.bool_]]:
    """Undo COBS: all bodies one after the other, the length of each, and whether its code bytes add up.

    All frames go from code byte to code byte together; bytes of one that does not add up stay within its own place.
    """
    out = raw.copy()
    dropped = raw == 0
    dropped[starts] = True
    lengths = ends - starts - 1
    whole = np.ones(len(starts), bool)
    place, at, end = np.arange(len(starts)), starts, ends
    while len(at):
        code = raw[at]
        at = at + code
        whole[place[at > end]] = False
        on = at < end
        if not on.all():
            place, at, end, code = place[on], at[on], end[on], code[on]
        out[at] = 0
        full = code == 0xFF  # stands for no zero: the next code byte goes without a trace
        if full.any():
            dropped[at[full]] = True
            lengths[place[full]] -= 1
    return out[~dropped], lengths, whole


def _check(
    good: npt.NDArray[np.bool_], packed: bytes, bodies: npt.NDArray[np.uint8], body_at: Ints, crc_at: Ints
) -> None:
    """Take from `good` what its CRC speaks against."""
    picked = np.flatnonzero(good)
    view = memoryview(packed)
    found = [
        binascii.crc_hqx(view[start:end], 0xFFFF)
        for start, end in zip(body_at[picked].tolist(), crc_at[picked].tolist(), strict=True)
    ]
    said = bodies[crc_at[picked]] + bodies[crc_at[picked] + 1].astype(np.uint16) * 256
    good[picked[np.array(found, np.int64) != said]] = False
