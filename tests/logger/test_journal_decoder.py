"""A journal gives the same samples, faults and messages decoded in batches and frame by frame, however it is cut."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from random import Random

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from amptally.logger.recording.journal_decoder import Arrival, Entry, JournalDecoder
from amptally.logger.storage.journal import Damage, Record
from amptally.logger.wire.frames import Describe, Fault, encode
from tests.logger.twins import by_frame, by_table, cut, entries, records_of
from tests.strategies import INTERVAL_US, NARROW, any_streams, bench_samples


def totals(found: Iterable[Entry]) -> tuple[list[object], Counter[str], list[object]]:
    """What must not depend on where the stream was cut: rows, faults as the run file counts them, messages and the
    number of rows before each."""
    rows: list[object] = []
    faults: Counter[str] = Counter()
    messages: list[object] = []
    for entry in found:
        if isinstance(entry, Arrival):
            for part in entry.parts():
                if isinstance(part, tuple):
                    block = part[0]
                    values = zip(block.time_us.tolist(), block.values.tolist(), strict=True)
                    rows += [(block.layout.columns, block.boot, time_us, row) for time_us, row in values]
                else:
                    messages.append((len(rows), part))
        elif isinstance(entry, Fault):
            faults[entry.kind] += entry.amount
        else:
            messages.append((len(rows), entry))
    return rows, faults, messages


cuts = st.lists(st.integers(0, 100_000), max_size=40)
BOARD = encode(Describe(7, 1, 1, INTERVAL_US, "bench", NARROW), 0)
FRAMES = BOARD + b"".join(encode(bench_samples(k * 20_000, 20), 1 + k) for k in range(30))
TEXT = b"time_us,mark\n" + b"".join(b"%d,1\n" % (k * 1000) for k in range(30))


@given(any_streams(), cuts, st.lists(st.sampled_from(["note", "damage"]), max_size=3), st.randoms())
@example(FRAMES, [], [], None)
@example(TEXT, [7, 100], [], None)
def test_in_batches_and_frame_by_frame_are_the_same(
    data: bytes, cuts: list[int], between: list[str], places: Random | None
) -> None:
    """Blocks, messages, faults with their offsets, arrivals, notes and damage: all equal and in the same order."""
    records = records_of(cut(data, cuts))
    for kind in between:
        assert places is not None
        other = Record("note", 0, b"{}") if kind == "note" else Damage(0, 5)
        records.insert(places.randint(0, len(records)), other)
    expected = entries(by_frame(), records)
    assert entries(by_table(), records) == expected
    assert entries(JournalDecoder(), records) == expected


@given(any_streams(), cuts, cuts)
@example(TEXT + FRAMES, [], [13])
@example(b"\0" + FRAMES + TEXT, [], [1, 100])
@example(FRAMES, [100], list(range(0, len(FRAMES), 50)))
def test_where_the_stream_is_cut_does_not_matter(data: bytes, cuts: list[int], other_cuts: list[int]) -> None:
    def found(decoder: JournalDecoder, pieces: list[bytes]) -> tuple[list[object], Counter[str], list[object]]:
        return totals([*decoder.decode(records_of(pieces)), *decoder.finish()])

    assert found(by_table(), cut(data, cuts)) == found(by_frame(), cut(data, other_cuts))


def test_the_format_that_is_valid_first_stays() -> None:
    """Docs/wire-format.md: frames or text. A header line before the first frame makes it text, in one piece or two."""
    for pieces in ([TEXT + FRAMES], [TEXT, FRAMES]):
        rows, faults, _ = totals(JournalDecoder().decode(records_of(pieces)))
        assert len(rows) == 30
        assert faults
    for pieces in ([FRAMES + TEXT], [FRAMES, TEXT]):
        rows, _, messages = totals(JournalDecoder().decode(records_of(pieces)))
        assert len(rows) == 600
        assert len(messages) == 1


def test_arrivals_are_those_of_the_records() -> None:
    frames = [encode(bench_samples(k * 20_000, 20), 1 + k) for k in range(2000)]
    records = [Record("bytes", 10 * k, piece) for k, piece in enumerate([BOARD, *frames])]
    arrivals = [entry for entry in JournalDecoder().decode(records) if isinstance(entry, Arrival)]
    parts = [part for arrival in arrivals for part in arrival.parts() if isinstance(part, tuple)]
    assert [host_us for _, host_us in parts] == [10 * (k + 1) for k in range(2000)]
    assert np.concatenate([block.time_us for block, _ in parts]).tolist() == [1000 * k for k in range(40_000)]
    assert len(arrivals) < 10
