"""The table of many runs as lines for a terminal: the few figures that one looks at first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import polars as pl

from amptally.analysis.report.text_page import printable
from amptally.analysis.results.leads import PLACES
from amptally.analysis.wording.formatting import carried, moment, number
from amptally.analysis.wording.labels import FUSE_VERDICTS

HEADS = ("started (UTC)", "file", "length", "Wh", "sag V", "laps", "per charge", "tightest fuse", "to look at")
MAX_FILE = 34


def summary_lines(table: pl.DataFrame) -> Iterator[str]:
    """Heads, one line for each run, and for what could not be read its reason; nothing for an empty table."""
    cells = [_cells(row) for row in table.to_dicts()]
    if not cells:
        return
    widths = [max(len(row[place]) for row in (HEADS, *cells)) for place in range(len(HEADS) - 1)]
    for row in (HEADS, *cells):
        head = "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=False))
        yield f"{head}  {row[-1]}".rstrip()


def _cells(row: dict[str, Any]) -> tuple[str, ...]:
    started = str(row.get("started_utc") or "")[:16].replace("T", " ")
    name = printable(str(row["file"]).removesuffix(".parquet"))
    name = name if len(name) <= MAX_FILE else name[: MAX_FILE - 1] + "…"
    if row.get("error"):
        return (started, name, *("",) * 6, printable(str(row["error"])))
    per_charge = _mark(row, "laps_per_charge") + _number(row.get("laps_per_charge"), 0)
    codes = [code for code in str(row.get("findings") or "").split(",") if code]
    return (
        started,
        name,
        moment(row.get("duration_s") or 0.0),
        _mark(row, "net_wh") + _number(row.get("net_wh"), 1),
        _mark(row, "worst_sag_v") + _number(row.get("worst_sag_v"), 2),
        str(row.get("laps") or 0),
        per_charge,
        _tightest(row),
        f"{len(codes)} findings" if len(codes) != 1 else "1 finding",
    )


def _number(value: float | None, decimals: int) -> str:
    return "–" if value is None else number(value, decimals)


def _mark(row: dict[str, Any], name: str) -> str:
    """What a value that is known from one side alone is marked with."""
    low, high = row.get(f"{name}_low"), row.get(f"{name}_high")
    return "≤ " if low is None and high is not None else "≥ " if high is None and low is not None else ""


def _tightest(row: dict[str, Any]) -> str:
    margins = {place: row.get(f"{place}_fuse_margin") for place in PLACES}
    known = {place: margin for place, margin in margins.items() if margin is not None}
    if not known:
        return "–"
    place = min(known, key=lambda name: known[name])
    verdict = FUSE_VERDICTS.get(str(row.get(f"{place}_fuse_verdict")), "")
    side = {"≤ ": " or less", "≥ ": " or more"}.get(_mark(row, f"{place}_fuse_margin"), "")
    return f"{place} {carried(known[place])}{side}, {verdict}"
