"""Bytes → sample blocks, messages and faults. No port, clock, thread or log inside.

It recognises by itself whether the board sends frames (docs/wire-format.md) or plain text lines: both readers listen
until one of them understands something.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from amptally.logger.wire.blocks import Block, Item, Stretch
from amptally.logger.wire.frame_reader import FrameReader
from amptally.logger.wire.frames import VERSION, Fault
from amptally.logger.wire.textmode import TextReader


class BoardDecoder:
    """Frames or text lines, whichever the board turns out to send."""

    def __init__(self) -> None:
        self._readers: list[FrameReader | TextReader] = [FrameReader(), TextReader()]
        self._held: list[list[Item]] = [[], []]

    @property
    def understood(self) -> bool:
        """Something valid has arrived, so the bytes are what we think they are."""
        return len(self._readers) == 1

    def feed(self, data: bytes) -> list[Item]:
        """Items completed by `data`; none until the format is known."""
        if self.understood:
            return self._readers[0].feed(data)
        return self._listen(data)

    def feed_pieces(self, pieces: Sequence[bytes]) -> list[Item | Stretch]:
        """What `feed` gives for one piece after the other; blocks say which pieces they came in."""
        items: list[Item | Stretch] = []
        for place, piece in enumerate(pieces):
            reader = self._readers[0]
            if self.understood and isinstance(reader, FrameReader):
                return items + reader.feed_pieces(pieces[place:], place)
            items += (Stretch.of(item, place) if isinstance(item, Block) else item for item in self.feed(piece))
        return items

    def _listen(self, data: bytes) -> list[Item]:
        """Until the format is known nothing but a bounded number of faults is held back."""
        for place, reader in enumerate(self._readers):
            self._held[place] += reader.feed(data)
            if reader.understood:
                held = self._held[place]
                self._readers, self._held = [reader], []
                return held
        for place, held in enumerate(self._held):
            self._held[place] = merge_faults(held)
        return []

    @property
    def newer_board(self) -> bool:
        """Good frames have arrived, but of a later version of the wire format."""
        return any(isinstance(reader, FrameReader) and reader.newest_version > VERSION for reader in self._readers)

    def finish(self) -> list[Item]:
        """What was held back when the stream ended."""
        if not self.understood:
            return self._held[0]
        reader = self._readers[0]
        return reader.finish() if isinstance(reader, FrameReader) else []


def merge_faults(items: list[Item], most: int = 1024) -> list[Item]:
    """Bound what endless garbage can pile up: beyond half of `most`, one fault stands for all of its kind."""
    if len(items) <= most:
        return items
    kept, spare = items[: most // 2], items[most // 2 :]
    merged: dict[str, Fault] = {}
    for item in spare:
        if isinstance(item, Fault):
            known = merged.get(item.kind, Fault(item.kind, item.offset, 0, 0))
            merged[item.kind] = replace(known, length=known.length + item.length, count=known.count + item.count)
    return [*kept, *merged.values()]
