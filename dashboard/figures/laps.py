"""Laps overlaid: one channel against the time since each lap began."""

from __future__ import annotations

from typing import Any

from amptally.analysis.report.build import Report
from amptally.dashboard.figures.lanes import LANES, Lane
from amptally.dashboard.figures.plot import Figure, axis, frame, packed, span
from amptally.dashboard.library import OpenRun
from amptally.dashboard.theme import Theme

HEIGHT_PX = 340
COLUMNS = 300
MAX_LAPS = 40
"""Maximum number of laps drawn behind the chosen one, the nearest to it in the run."""


def channels_of(opened: OpenRun) -> list[tuple[str, str]]:
    """(SI name, title) of the channels in which laps can be compared: all but running counts."""
    return [
        (lane.channels[0][0], lane.title)
        for lane in LANES
        if lane.unit != "counts" and opened.envelope(lane.channels[0][0]) is not None
    ]


def hardest_lap(report: Report) -> int:
    """The lap with the highest peak current, counted from 1; the first where no peak is known."""
    peaks = [lap.peak_a or 0.0 for lap in report.laps.each]
    return 1 + peaks.index(max(peaks)) if peaks else 1


def laps_figure(report: Report, opened: OpenRun, si_name: str, chosen: int, theme: Theme) -> Figure:
    """Every lap as a thin line, the chosen one in front."""
    lane = _lane(si_name)
    laps = list(enumerate(report.laps.each, 1))
    behind = sorted((lap for lap in laps if lap[0] != chosen), key=lambda lap: abs(lap[0] - chosen))[:MAX_LAPS]
    front = [lap for lap in laps if lap[0] == chosen]
    envelope = opened.envelope(si_name)
    data: list[dict[str, Any]] = []
    lows, highs, longest = [0.0] if lane.from_zero else [], [0.0] if lane.from_zero else [], 1e-3
    for number, lap in [*sorted(behind), *front]:
        if envelope is None:
            break
        thinned = envelope.thin(lap.start_s, lap.end_s, COLUMNS)
        inside = (thinned.time_s >= lap.start_s) & (thinned.time_s <= lap.end_s)
        if not inside.any():
            continue
        value = thinned.value[inside]
        real = value[value == value]
        lows.append(float(real.min()))
        highs.append(float(real.max()))
        longest = max(longest, lap.end_s - lap.start_s)
        is_chosen = number == chosen
        data.append(
            {
                "type": "scatter",
                "uid": f"lap{number}",
                "name": f"lap {number}",
                "mode": "lines",
                "x": packed(thinned.time_s[inside] - lap.start_s),
                "y": packed(value, "f4"),
                "opacity": 1 if is_chosen else 0.45,
                "line": {
                    "color": theme.series[lane.first_colour] if is_chosen else theme.soft,
                    "width": 2 if is_chosen else 0.9,
                    "shape": "hv" if lane.stepped else "linear",
                },
                "hovertemplate": f"lap {number}, %{{x:.2f}} s: %{{y:.4~g}} {lane.unit}<extra></extra>",
            }
        )
    low, high = span(min(lows, default=0.0), max(highs, default=1.0), lane.min_span)
    layout = frame(
        theme,
        HEIGHT_PX,
        margin={"l": 56, "r": 16, "t": 14, "b": 50},
        hovermode="closest",
        xaxis=axis(theme, "time since the lap began [s]", range=[0, longest], fixedrange=True),
        yaxis=axis(theme, f"{lane.title.lower()} [{lane.unit}]", range=[low, high], fixedrange=True),
    )
    return {"data": data, "layout": layout}


def _lane(si_name: str) -> Lane:
    return next(lane for lane in LANES if any(name == si_name for name, _ in lane.channels))
