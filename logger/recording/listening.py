"""Listen to a port until it is known what the board sends, trying the usual baud rates where asked to.

Nothing is recorded yet: what was heard is handed on, and goes into the journal first of all.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from amptally.logger.errors import LoggerError
from amptally.logger.recording.capture import host_us
from amptally.logger.recording.first_look import SILENT_S, FirstLook, State
from amptally.logger.recording.ports import DEFAULT_BAUD, Port
from amptally.logger.storage.journal import Record

USUAL_BAUDS = (115_200, 9_600, 57_600, 38_400, 19_200, 230_400, 250_000, 500_000, 1_000_000, 74_880, 4_800)
"""From most to least usual on boards of this kind; the first is the one to begin with."""
AT_OTHER_S = 1.2
"""How long to wait for bytes at another rate, once there were some."""
_ASK_AGAIN_S = 1.0
_MAX_RECORDS = 100_000


@dataclass(frozen=True, slots=True)
class Heard:
    """What arrived, and what it is."""

    records: tuple[Record, ...]
    """Bytes with the time of their arrival, at the last baud rate."""
    look: FirstLook
    state: State
    baud: int
    tried: tuple[int, ...]
    """Baud rates at which bytes arrived that made no sense."""


def listen(
    port: Port,
    new_look: Callable[[], FirstLook],
    baud: int | None,
    *,
    check: Callable[[], None],
    ask: Callable[[], None],
    now_s: Callable[[], float] = time.monotonic,
) -> Heard:
    """Listen at `baud`, or for None at the usual rates one after the other until bytes make sense.

    `check` is called several times a second and may raise; `ask` once a second while nothing arrives.
    """
    at = baud or DEFAULT_BAUD
    heard = _listen_at(port, new_look(), at, SILENT_S, check, ask, now_s)
    if baud is not None or heard.state != "garbage":
        return heard
    tried = [at]
    for rate in USUAL_BAUDS:
        if rate == at or not port.set_baud(rate):
            continue
        found = _listen_at(port, new_look(), rate, AT_OTHER_S, check, ask, now_s)
        if found.state not in ("garbage", "silent"):
            return replace(found, tried=tuple(tried))
        tried.append(rate)
    port.set_baud(at)
    # A line that has no speed of its own was not tried at any.
    return replace(heard, tried=tuple(tried) if len(tried) > 1 else ())


def _listen_at(
    port: Port,
    look: FirstLook,
    baud: int,
    silent_s: float,
    check: Callable[[], None],
    ask: Callable[[], None],
    now_s: Callable[[], float],
) -> Heard:
    records: list[Record] = []
    started_s = asked_s = now_s()
    while True:
        check()
        try:
            data = port.read()
        except LoggerError:
            state = look.state(now_s())
            break  # who goes on reading meets it again
        now = now_s()
        if data:
            records.append(Record("bytes", host_us(), data))
            look.feed(data, now)
        state = look.state(now)
        if state not in ("silent", "listening") or (state == "silent" and now - started_s >= silent_s):
            break
        if len(records) >= _MAX_RECORDS:
            break
        if not look.heard and now - asked_s >= _ASK_AGAIN_S:
            asked_s = now
            ask()
    return Heard(tuple(records), look, state, baud, ())
