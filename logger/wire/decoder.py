"""Bytes → sample blocks, messages and faults. No port, clock, thread or log inside.

The board may send frames (docs/wire-format.md) or plain text lines. Both readers run until one of them finds something
valid; the reader whose first valid frame or line ends first in the stream is used from then on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from amptally.logger.wire.blocks import Item, StreamItem, single_items
from amptally.logger.wire.frame_reader import TABLE_BYTES, FrameReader
from amptally.logger.wire.frames import VERSION, Fault
from amptally.logger.wire.text_header import NOTHING_SAID, Header, Said
from amptally.logger.wire.textmode import TextReader

MAX_HELD_FAULTS = 1024
"""Faults held back while the format is unknown."""


class BoardDecoder:
    """Decodes frames or text lines, whichever the board sends."""

    def __init__(self, *, table_bytes: int = TABLE_BYTES, said: Said = NOTHING_SAID) -> None:
        """`table_bytes`: number of bytes fed together from which frames are decoded as a table.

        `said`: what the operator says about text lines.
        """
        self.received = 0
        """Bytes fed so far."""
        self._frames = FrameReader(table_bytes)
        self._readers: list[FrameReader | TextReader] = [self._frames, TextReader(said)]
        self._held: list[list[StreamItem]] = [[], []]

    @property
    def understood(self) -> bool:
        """A valid frame or text header has arrived: the format is known."""
        return len(self._readers) == 1

    @property
    def text_header(self) -> Header | None:
        """How text lines are read at present; None where the board sends frames, or nothing that is known."""
        reader = self._readers[0]
        return reader.header if self.understood and isinstance(reader, TextReader) else None

    @property
    def newer_board(self) -> bool:
        """Valid frames of a newer version of the wire format have arrived."""
        return self._frames.newest_version > VERSION

    def feed(self, data: bytes) -> list[Item]:
        """Items completed by `data`, in the order they were sent; none until the format is known."""
        return single_items(self.feed_pieces([data]))

    def feed_pieces(self, pieces: Sequence[bytes]) -> list[StreamItem]:
        """The same items as from `feed` for each piece in turn; each block names the pieces that it arrived in."""
        self.received += sum(map(len, pieces))
        items: list[StreamItem] = []
        for place, piece in enumerate(pieces):
            if self.understood:
                return items + self._readers[0].feed_pieces(pieces[place:], place)
            items += self._listen(piece, place)
        return items

    def _listen(self, piece: bytes, place: int) -> list[StreamItem]:
        """Items of the reader that first finds something valid; until then a bounded number of faults is held back."""
        found = [reader.feed_pieces([piece], place) for reader in self._readers]
        valid = [
            (reader.first_valid_end, number)
            for number, reader in enumerate(self._readers)
            if reader.first_valid_end is not None
        ]
        if valid:
            _, number = min(valid)
            items = [*self._held[number], *found[number]]
            self._readers, self._held = [self._readers[number]], []
            return items
        self._held = [merge_faults(held + new) for held, new in zip(self._held, found, strict=True)]
        return []

    def finish(self) -> list[Item]:
        """Items held back when the stream ended."""
        return self._readers[0].finish() if self.understood else single_items(self._held[0])


def merge_faults(items: list[StreamItem], limit: int = MAX_HELD_FAULTS) -> list[StreamItem]:
    """At most `limit` items: above half of that, one fault stands for all of its kind."""
    if len(items) <= limit:
        return items
    kept, spare = items[: limit // 2], items[limit // 2 :]
    merged: dict[str, Fault] = {}
    for item in spare:
        if isinstance(item, Fault):
            known = merged.get(item.kind, Fault(item.kind, item.offset, 0, 0))
            merged[item.kind] = replace(known, length=known.length + item.length, count=known.count + item.count)
    return [*kept, *merged.values()]
