"""The contents of a drive page's stores, checked, since they come from a browser."""

from __future__ import annotations

from typing import Any

from amptally.analysis.results.leads import SIDES
from amptally.dashboard.address import DriveAddress, in_view, pair, word, words
from amptally.dashboard.figures.lanes import lanes_of, usual_keys
from amptally.dashboard.figures.traces import View
from amptally.dashboard.library import OpenRun

PLACES = (*SIDES, "main")
MAX_MARKED = 5000
"""Laps whose marks are sent to a browser."""


def address_of(part: tuple[float, float] | None, view: Any, detail: Any) -> DriveAddress:
    """The address of what the stores of a page hold."""
    view, detail = view or {}, detail or {}
    show = words(view["show"]) if view.get("show") is not None else None
    return DriveAddress(
        part, pair(view.get("see")), show, place_of(detail), lap_of(detail, 10**5), word(detail.get("across"))
    )


def view_of(opened: OpenRun, raw: Any, part: tuple[float, float] | None, laps: tuple[tuple[float, float], ...]) -> View:
    """What the traces show."""
    raw = raw or {}
    lanes = lanes_of(opened.run)
    keys = words(raw["show"]) if raw.get("show") is not None else usual_keys(lanes)
    shown = tuple(lane for lane in lanes if lane.key in keys)
    return View(in_view(opened.run, pair(raw.get("see")), part), part, shown, laps)


def laps_of(raw: Any) -> tuple[tuple[float, float], ...]:
    """Laps as the browser holds them."""
    each = raw.get("each")
    found = (pair(lap) for lap in each[:MAX_MARKED]) if isinstance(each, list) else ()
    return tuple(lap for lap in found if lap is not None)


def place_of(detail: Any) -> str | None:
    """The chosen fuse; None for the tightest."""
    place = word((detail or {}).get("fuse"))
    return place if place in PLACES else None


def lap_of(detail: Any, laps: int) -> int | None:
    """The chosen lap, counted from 1 up to `laps`; None for the hardest."""
    lap = (detail or {}).get("lap")
    return lap if isinstance(lap, int) and not isinstance(lap, bool) and 1 <= lap <= laps else None
