"""The whole state of a drive's page in its address. assets/amptally.js writes the same form.

`/run/<id>?from=60&to=90&see_from=70&see_to=75.5&show=battery,left&fuse=left&lap=3&across=left_current_a`
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, quote

from amptally.analysis.runs.run import Run

RUN_PREFIX = "/run/"
MAX_LAPS = 100_000


@dataclass(frozen=True, slots=True)
class DriveAddress:
    """What a drive's page shows."""

    part: tuple[float, float] | None = None
    """Run times between which every figure is computed; None for the whole run."""
    see: tuple[float, float] | None = None
    """Run times in view in the traces; None for the whole computed part."""
    show: tuple[str, ...] | None = None
    """Keys of the lanes shown; None for the usual ones."""
    fuse: str | None = None
    """main, left or right: whose exposure is drawn."""
    lap: int | None = None
    """Lap drawn in front of the others, counted from 1."""
    across: str | None = None
    """SI name of the channel in which laps are overlaid."""

    @classmethod
    def parse(cls, search: str | None) -> DriveAddress:
        """Read a query; invalid parameters are ignored."""
        try:
            raw = parse_qs((search or "").removeprefix("?")[:2000], max_num_fields=20)
        except ValueError:
            return cls()
        params = {name: values[0] for name, values in raw.items()}
        lap = params.get("lap", "")
        return cls(
            pair((params.get("from"), params.get("to"))),
            pair((params.get("see_from"), params.get("see_to"))),
            words(params["show"].split(",")) if "show" in params else None,
            word(params.get("fuse")),
            int(lap) if lap.isascii() and lap.isdigit() and 0 < int(lap[:9]) <= MAX_LAPS else None,
            word(params.get("across")),
        )

    def query(self) -> str:
        """The query of an address, with its question mark; empty where everything is at its default."""
        parts = []
        for names, times in ((("from", "to"), self.part), (("see_from", "see_to"), self.see)):
            if times is not None:
                parts += [f"{name}={_plain(value)}" for name, value in zip(names, times, strict=True)]
        if self.show is not None:
            parts.append("show=" + ",".join(quote(key, safe="") for key in self.show))
        for name, chosen in (("fuse", self.fuse), ("lap", self.lap), ("across", self.across)):
            if chosen is not None:
                parts.append(f"{name}={quote(str(chosen), safe='')}")
        return "?" + "&".join(parts) if parts else ""


def _plain(seconds: float) -> str:
    """To the millisecond, the resolution of an address."""
    return f"{seconds:.3f}".rstrip("0").rstrip(".")


def number(raw: Any) -> float | None:
    """A finite number, or None: a browser may send anything."""
    if isinstance(raw, bool) or not isinstance(raw, int | float | str):
        return None
    try:
        value = float(raw)
    except (ValueError, OverflowError):
        return None
    return value if math.isfinite(value) else None


def pair(raw: Any) -> tuple[float, float] | None:
    """Two finite times in order, or None."""
    if not isinstance(raw, list | tuple) or len(raw) != 2:
        return None
    first, second = number(raw[0]), number(raw[1])
    if first is None or second is None or second <= first:
        return None
    return first, second


def word(raw: Any) -> str | None:
    """A short plain name, or None."""
    return raw if isinstance(raw, str) and raw.isascii() and raw.isidentifier() and len(raw) < 40 else None


def words(raw: Any) -> tuple[str, ...]:
    """The plain names of a list."""
    if not isinstance(raw, list | tuple):
        return ()
    return tuple(found for item in raw[:40] if (found := word(item)) is not None)


def whole(run: Run) -> tuple[float, float]:
    """First and last run time; a single sample counts as a tenth of a second."""
    first, last = run.start_s, run.end_s
    return (first, last) if last > first else (first - 0.05, first + 0.05)


def in_view(run: Run, wanted: tuple[float, float] | None, part: tuple[float, float] | None) -> tuple[float, float]:
    """The view of the traces: the requested range, limited to the run."""
    ends = whole(run)
    for asked in (wanted, part):
        if asked is not None:
            clipped = max(asked[0], ends[0]), min(asked[1], ends[1])
            if clipped[1] > clipped[0]:
                return clipped
    return ends


def run_id_of(pathname: str | None) -> str | None:
    """The run id in a path such as /run/20260101T000000Z-abcd; None for any other path."""
    if not pathname or not pathname.startswith(RUN_PREFIX):
        return None
    return pathname.removeprefix(RUN_PREFIX).rstrip("/")
