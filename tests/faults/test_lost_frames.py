"""Lost frames are the link's doing, whatever kind of frame comes first after them and however it is read."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from amptally.logger.recording.journal_decoder import JournalDecoder
from amptally.logger.recording.run_builder import RunBuilder
from amptally.logger.storage.journal import Record
from amptally.logger.wire.frames import encode
from tests.faults.harness import LiveBoard

SAMPLES, DESCRIBE, EXTREMES, LOST = "sdx-"
ORDERS = ("sss---dsss", "sss---dxsss", "sss---xsss", "sss---sss", "sds---xs", "sxs--s-ds", "s-xs-ds-s", "s--ds--xs--s")
"""What the board sends, a letter for each frame, and what of it is lost."""


def frames(order: str) -> list[bytes]:
    """Two samples frames so that the format is known, and then these; a lost one is a samples frame."""
    board, sent = LiveBoard(-1, rate_hz=10_000, interval_us=100), []
    for sequence, letter in enumerate(DESCRIBE + SAMPLES + SAMPLES + order):
        message = {DESCRIBE: board.describe, EXTREMES: board.extremes}.get(letter, board.samples)()
        if letter in (SAMPLES, LOST):
            board.taken += 10
        # A gap is longer than ten intervals: each lost frame stands for fifty samples.
        board.taken += 40 if letter == LOST else 0
        if letter != LOST:
            sent.append(encode(message, sequence))
    return sent


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("at_once", [False, True])
@pytest.mark.parametrize("together", [1, 2, 3, 100])
def test_a_hole_is_a_gap_of_the_link(tmp_path: Path, order: str, at_once: bool, together: int) -> None:
    known, rest = frames(order)[:3], frames(order)[3:]
    pieces = [b"".join(known), *(b"".join(rest[at : at + together]) for at in range(0, len(rest), together))]
    records = [Record("bytes", 1_000_000 + 1000 * place, piece) for place, piece in enumerate(pieces)]
    builder = RunBuilder(tmp_path, "lossy", decoder=JournalDecoder() if at_once else JournalDecoder(batch_bytes=0))
    builder.accept(records)
    builder.discard_segments()
    holes = sum(letter != LOST and before == LOST for before, letter in itertools.pairwise(order))
    assert [gap.kind for gap in builder.gaps] == ["link"] * holes
    assert builder.faults["sequence"] == order.count(LOST)
