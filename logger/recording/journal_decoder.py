"""Journal records → arrivals, messages, faults and notes, in order. The only way from a journal to samples.

A recording passes a few records at a time, recovery a whole journal. Records are decoded in batches, several times as
fast as one by one; the result does not depend on how the records are grouped.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from amptally.logger.recording.arrival_times import ArrivalTimes
from amptally.logger.storage.journal import Damage, Record
from amptally.logger.wire.blocks import Block, Booted, Message, Stretch
from amptally.logger.wire.decoder import BoardDecoder
from amptally.logger.wire.frames import Fault
from amptally.logger.wire.text_header import NOTHING_SAID, Said

BATCH_BYTES = 1 << 19
BATCH_RECORDS = 4096


@dataclass(frozen=True, slots=True)
class Arrival:
    """A block of samples, and when the bytes of each of its parts arrived."""

    stretch: Stretch
    host_us: npt.NDArray[np.int64]
    """Host monotonic clock at each part, shape (parts,)."""

    def parts(self) -> Iterator[tuple[Block, int] | Message]:
        """Each part with its arrival time, and the messages sent in between, in order."""
        host_us = iter(self.host_us.tolist())
        for _, part in self.stretch.parts():
            if isinstance(part, Block):
                yield part, next(host_us)
            else:
                yield part


Entry = Arrival | Booted | Message | Fault | Record | Damage
"""Decoded content of a journal; a `Record` is always a note."""


class JournalDecoder:
    """Decodes groups of records one after the other, with its state carried over between them."""

    def __init__(
        self, *, batch_bytes: int = BATCH_BYTES, decoder: BoardDecoder | None = None, said: Said = NOTHING_SAID
    ) -> None:
        """`batch_bytes`: how much is decoded at a time; 0 decodes each record alone.

        `said`: what the operator said about text lines, from the journal's header.
        """
        self._batch_bytes = batch_bytes
        self._decoder = decoder or BoardDecoder(said=said)
        self._arrival_times = ArrivalTimes()
        self._host_us = 0

    @property
    def arrival_jitter_us(self) -> float | None:
        """How unevenly lines without a time arrived; None where the board gives the time."""
        return self._arrival_times.jitter_us

    @property
    def received(self) -> int:
        """Bytes from the board so far."""
        return self._decoder.received

    @property
    def understood(self) -> bool:
        """A valid frame or text header has arrived."""
        return self._decoder.understood

    @property
    def newer_board(self) -> bool:
        """Valid frames of a newer version of the wire format have arrived."""
        return self._decoder.newer_board

    def decode(self, records: Iterable[Record | Damage]) -> Iterator[Entry]:
        """Decode the next records of the journal."""
        batch: list[Record] = []
        size = 0
        for record in records:
            if isinstance(record, Record) and record.kind == "bytes":
                batch.append(record)
                size += len(record.payload)
                if size < self._batch_bytes and len(batch) < BATCH_RECORDS:
                    continue
                yield from self._decode_batch(batch)
            else:
                yield from self._decode_batch(batch)
                yield record
            batch, size = [], 0
        yield from self._decode_batch(batch)

    def _decode_batch(self, records: Sequence[Record]) -> Iterator[Entry]:
        if not records:
            return
        host_us = np.array([record.host_us for record in records], np.int64)
        self._host_us = int(host_us[-1])
        for item in self._decoder.feed_pieces([record.payload for record in records]):
            yield self._arrival(item, host_us[item.pieces]) if isinstance(item, Stretch) else item

    def _arrival(self, stretch: Stretch, host_us: npt.NDArray[np.int64]) -> Arrival:
        if not stretch.block.layout.timed:
            stretch = self._arrival_times.place(stretch, host_us)
        return Arrival(stretch, host_us)

    def finish(self) -> Iterator[Entry]:
        """Entries held back when the journal ended."""
        for item in self._decoder.finish():
            if isinstance(item, Block):
                yield self._arrival(Stretch.of(item, 0), np.array([self._host_us]))
            else:
                yield item
