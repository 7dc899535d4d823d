"""A journal decoded by tables, and its slow twin: frame by frame."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from amptally.logger.recording.journal_decoder import Arrival, JournalDecoder
from amptally.logger.storage.journal import Damage, Record
from amptally.logger.wire.blocks import Block, Item
from amptally.logger.wire.decoder import BoardDecoder
from tests.strategies import pieces_at

NEVER = 1 << 40


def by_frame() -> JournalDecoder:
    """Each record alone, each frame alone: the slow twin."""
    return JournalDecoder(batch_bytes=0, decoder=BoardDecoder(table_bytes=NEVER))


def by_table() -> JournalDecoder:
    """All records together, frames as a table wherever two follow one another."""
    return JournalDecoder(batch_bytes=NEVER, decoder=BoardDecoder(table_bytes=0))


def comparable(item: Item) -> object:
    """Something that compares: arrays as lists."""
    if isinstance(item, Block):
        return item.layout, item.boot, item.time_us.tolist(), item.values.tolist()
    return item


def entries(decoder: JournalDecoder, records: Sequence[Record | Damage]) -> list[object]:
    """Everything decoded, in order, each block part with its time of arrival."""
    found: list[object] = []
    for entry in [*decoder.decode(records), *decoder.finish()]:
        if isinstance(entry, Arrival):
            found += [(comparable(p[0]), p[1]) if isinstance(p, tuple) else p for p in entry.parts()]
        else:
            found.append(entry)
    return found


def cut(data: bytes, cuts: Sequence[int]) -> list[bytes]:
    return pieces_at(data, sorted(place % (len(data) + 1) for place in cuts))


def records_of(pieces: Iterable[bytes]) -> list[Record | Damage]:
    return [Record("bytes", 1_000 * number, piece) for number, piece in enumerate(pieces)]


def the_same(pieces: Sequence[bytes]) -> list[object]:
    """What both make of the pieces, which must be equal."""
    found = entries(by_frame(), records_of(pieces))
    assert entries(by_table(), records_of(pieces)) == found
    assert entries(JournalDecoder(), records_of(pieces)) == found
    return found
