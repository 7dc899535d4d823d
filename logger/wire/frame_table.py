"""Decodes many samples frames at once, where they follow one another without a fault.

A table accepts a frame only if `frames.decode` would accept it; all other frames are left to `frames.decode`.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from amptally.logger.wire.blocks import CLOCK_WRAP
from amptally.logger.wire.frames import MAX_BODY, MAX_FRAME, VERSION, Kind

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]
_HEAD = np.dtype(
    [("version", "u1"), ("kind", "u1"), ("sequence", "<u2"), ("layout", "u1"), ("boot", "u1"), ("first_us", "<u4"),
     ("interval_us", "<u4"), ("count", "u1")]
)  # fmt: skip
"""Header of a frame body, followed by the fixed fields of a samples payload."""
_CRC_BYTES = 2


@dataclass(frozen=True, slots=True)
class FrameTable:
    """The frames in a part of the stream; all arrays have shape (frames,)."""

    starts: Ints
    """Index of the first stuffed byte of each frame."""
    ends: Ints
    """Index of its closing zero."""
    follows: npt.NDArray[np.bool_]
    """True for a valid samples frame that follows the one before: same boot, layout and row size, next in sequence."""
    bodies: memoryview
    """The unstuffed bodies in order, with unused bytes in between."""
    rows_at: Ints
    """Index in `bodies` of the first row of each samples frame."""
    rows_end: Ints
    heads: npt.NDArray[np.void]
    """Fields of `_HEAD`; valid where `follows` is true."""

    def rows(self, first: int, end: int) -> bytes:
        """The rows of frames `first` to `end`, which follow one another."""
        at, stop = self.rows_at[first:end], self.rows_end[first:end]
        size, far = int(stop[0] - at[0]), int(at[-1] - at[0])
        step = far // (end - first - 1) if end - first > 1 else size
        if size <= step and (at == at[0] + step * np.arange(end - first)).all() and (stop - at == size).all():
            # All of the same length: a strided table skips the bytes between the rows.
            table = np.frombuffer(self.bodies, np.uint8, far + size, int(at[0]))
            return np.lib.stride_tricks.as_strided(table, (end - first, size), (step, 1)).tobytes()
        return b"".join([self.bodies[begin:close] for begin, close in zip(at.tolist(), stop.tolist(), strict=True)])

    @property
    def stretches(self) -> list[tuple[int, int]]:
        """(first, end) of each run of frames in which every frame follows the one before."""
        edges = np.flatnonzero(~self.follows).tolist()
        return list(pairwise([*edges, len(self.starts)]))


def tabulate(data: bytes, near_us: int) -> FrameTable:
    """The frames in `data`, which ends with a zero.

    A frame does not follow if its time steps by more than `near_us` and by more than ten times its own duration.
    """
    raw = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(raw == 0)
    starts = np.concatenate(([0], ends[:-1] + 1))
    filled = ends > starts
    starts, ends = starts[filled], ends[filled]
    bodies, body_at, body_end, whole = _unstuff(raw, starts, ends)
    lengths = body_end - body_at
    size = _HEAD.itemsize
    long_enough = whole & (lengths > size + _CRC_BYTES) & (lengths <= MAX_BODY)
    heads = np.zeros(len(starts), _HEAD)
    picked = np.flatnonzero(long_enough)
    if len(picked):
        heads[picked] = _strings(bodies, size)[body_at[picked]].view(_HEAD)
    count, interval_us = heads["count"].astype(np.int64), heads["interval_us"].astype(np.int64)
    rows_at, rows_end = body_at + size, body_end - _CRC_BYTES
    row_size, left_over = np.divmod(rows_end - rows_at, np.maximum(count, 1))
    span_us = count * interval_us
    good = long_enough & (heads["version"] == VERSION) & (heads["kind"] == Kind.SAMPLES) & (left_over == 0)
    good &= (span_us > 0) & (span_us <= CLOCK_WRAP // 2)
    _check(good, bodies, body_at, rows_end)
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
    return FrameTable(starts, ends, follows, bodies.data, rows_at, rows_end, heads)


def _strings(data: Bytes, size: int) -> npt.NDArray[np.void]:
    """All strings of `size` bytes in `data`, by their start index."""
    return np.ndarray((len(data) - size + 1,), np.dtype((np.void, size)), data, strides=(1,))


def _unstuff(raw: Bytes, starts: Ints, ends: Ints) -> tuple[Bytes, Ints, Ints, npt.NDArray[np.bool_]]:
    """Undo COBS for all frames: bytes that hold the bodies, start and end of each, and whether it is valid COBS.

    All frames step from code byte to code byte together. An invalid frame writes only to its own bytes.
    """
    out = raw.copy()
    whole = ends - starts <= MAX_FRAME  # anything longer is not a frame, and its bytes are skipped
    place = np.flatnonzero(whole)
    at, end = starts[place], ends[place]
    unwritten: list[Ints] = []
    shorter = np.zeros(len(starts), np.int64)
    while len(at):
        code = raw[at]
        at = at + code
        whole[place[at > end]] = False
        on = at < end
        if not on.all():
            place, at, end, code = place[on], at[on], end[on], code[on]
        out[at] = 0
        full = code == 0xFF  # a full block stands for no zero: the next code byte is dropped
        if full.any():
            unwritten.append(at[full])
            shorter[place[full]] += 1
    if not unwritten:
        return out, starts + 1, ends, whole
    dropped = raw == 0
    dropped[starts] = True
    dropped[np.concatenate(unwritten)] = True
    body_end = np.cumsum(ends - starts - 1 - shorter)
    return out[~dropped], body_end - (ends - starts - 1 - shorter), body_end, whole


def _check(good: npt.NDArray[np.bool_], bodies: Bytes, body_at: Ints, crc_at: Ints) -> None:
    """Clear `good` for frames with a bad CRC."""
    picked = np.flatnonzero(good)
    if not len(picked):
        return
    lengths = (crc_at - body_at)[picked]
    usual = int(np.bincount(lengths).argmax())
    alike = lengths == usual
    found = np.zeros(len(picked), np.uint16)
    found[alike] = _crcs(_strings(bodies, usual)[body_at[picked[alike]]])
    view, others = bodies.data, picked[~alike]
    found[~alike] = [
        binascii.crc_hqx(view[start:end], 0xFFFF)
        for start, end in zip(body_at[others].tolist(), crc_at[others].tolist(), strict=True)
    ]
    sent = bodies[crc_at[picked]] + bodies[crc_at[picked] + 1].astype(np.uint16) * 256
    good[picked[found != sent]] = False


def _crcs(strings: npt.NDArray[np.void]) -> npt.NDArray[np.uint16]:
    """`binascii.crc_hqx(string, 0xFFFF)` of strings of one length, shape (n,); two bytes of all strings at a time."""
    data = strings.view(np.uint8).reshape(len(strings), -1)
    step = _two_bytes_on()
    crc = np.full(len(data), 0xFFFF, np.uint16)
    odd = data.shape[1] % 2
    if odd:
        crc = (crc << 8) ^ step[(crc >> 8) ^ data[:, 0]]
    for pair in data[:, odd:].view(">u2").T.astype(np.uint16, order="C"):
        crc ^= pair
        crc = step.take(crc, mode="wrap")  # every index is in the table; this mode skips the bounds check
    return crc


@cache
def _two_bytes_on() -> npt.NDArray[np.uint16]:
    """The CRC after two more bytes, indexed by the CRC before them XOR those bytes."""
    byte_on = np.array([binascii.crc_hqx(bytes([byte]), 0) for byte in range(256)], np.uint16)
    crc = np.arange(1 << 16, dtype=np.uint16)
    for _ in range(2):
        crc = (crc << 8) ^ byte_on[crc >> 8]
    return crc
