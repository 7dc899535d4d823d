"""The traces: lanes above one another on one time axis, decimated to the view."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from amptally.analysis.runs.run import Run
from amptally.dashboard.figures.lanes import Lane
from amptally.dashboard.figures.plot import Figure, axis, frame, note, packed, span, time_ticks
from amptally.dashboard.library import OpenRun
from amptally.dashboard.theme import DASH_SIGNS, DASHES, Theme

COLUMNS = 640
"""The view is cut into this many stretches; each draws its minimum and maximum, so twice as many points a trace."""
LANE_PX = 114
HEAD_PX = 38
"""Above each lane: its title, then its data."""
TOP_PX, BOTTOM_PX = 26, 48
MAX_MARKS = 60
"""Lap lines and shaded gaps in one view."""
FEW = 120
"""With fewer samples in view each of them gets a dot."""


@dataclass(frozen=True, slots=True)
class View:
    """What is drawn."""

    see: tuple[float, float]
    """Run times at the ends of the axis."""
    part: tuple[float, float] | None
    """Run times between which figures are computed; the rest is shaded. None for the whole run."""
    lanes: tuple[Lane, ...]
    laps: tuple[tuple[float, float], ...] = ()
    """Start and end of each lap."""


def traces_figure(opened: OpenRun, view: View, theme: Theme) -> Figure:
    """All lanes as one picture."""
    lanes = view.lanes
    height = TOP_PX + BOTTOM_PX + len(lanes) * (LANE_PX + HEAD_PX)
    inner = max(height - TOP_PX - BOTTOM_PX, 1)
    layout = frame(
        theme,
        height,
        margin={"l": 52, "r": 12, "t": TOP_PX, "b": BOTTOM_PX},
        hovermode="x unified",
        hoversubplots="axis",
        dragmode="zoom",
        xaxis=_time_axis(view.see, theme, f"y{len(lanes)}" if len(lanes) > 1 else "y"),
    )
    data: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    shapes = [*_gap_shapes(opened.run, view.see, theme), *shade(view, theme)]
    for place, lane in enumerate(lanes, 1):
        top = 1 - ((place - 1) * (LANE_PX + HEAD_PX) + HEAD_PX) / inner
        bottom = 1 - place * (LANE_PX + HEAD_PX) / inner
        axis_name = "y" if place == 1 else f"y{place}"
        drawn = _lane_data(opened, lane, view.see, theme, axis_name)
        data += drawn.data
        limit = _limit(opened.run, lane)
        low, high = _lane_span(lane, drawn, limit)
        key = "yaxis" if place == 1 else f"yaxis{place}"
        layout[key] = axis(
            theme,
            domain=[max(bottom, 0), min(top, 1)],
            range=[low, high],
            fixedrange=True,
            nticks=5,
            showline=True,
        )
        heading = {"xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "bottom", "bgcolor": theme.card}
        annotations.append(note(_heading(lane, drawn, theme), 0, top, xshift=-46, yshift=6, **heading))
        if limit is not None:
            inside = low <= limit[0] <= high
            if inside:
                shapes.append(_limit_line(limit[0], axis_name, theme))
            text = f"{'– – ' if inside else ''}{limit[1]}{'' if inside else ', off this scale'}"
            annotations.append(
                note(
                    f'<span style="color:{theme.limit}">{text}</span>',
                    1,
                    top,
                    **{**heading, "xanchor": "right"},
                    yshift=6,
                )
            )
    lap_shapes, lap_notes = _lap_marks(view, theme)
    layout["shapes"] = shapes + lap_shapes
    layout["annotations"] = annotations + lap_notes
    return {"data": data, "layout": layout}


@dataclass(frozen=True, slots=True)
class _Drawn:
    """One lane's traces with the extremes of what they show."""

    data: list[dict[str, Any]]
    names: list[tuple[str, str, str]]
    """(short name, colour, sign of its dash)."""
    low: float | None
    high: float | None


def _lane_data(opened: OpenRun, lane: Lane, see: tuple[float, float], theme: Theme, axis_name: str) -> _Drawn:
    data: list[dict[str, Any]] = []
    names = []
    lows, highs = [], []
    for place, (si_name, short) in enumerate(lane.channels):
        envelope = opened.envelope(si_name) if si_name in opened.run.columns else None
        if envelope is None:
            continue
        thinned = envelope.thin(*see, COLUMNS)
        colour = theme.series[(lane.first_colour + place) % len(theme.series)]
        shown = thinned.value[~np.isnan(thinned.value)]
        if len(shown):
            lows.append(float(shown.min()))
            highs.append(float(shown.max()))
        few = len(shown) <= FEW
        trace: dict[str, Any] = {
            "type": "scatter",
            "uid": si_name,
            "name": f"{lane.title}{'' if len(lane.channels) == 1 or (place == 0 and lane.fuse) else f', {short}'}",
            "x": packed(thinned.time_s),
            "y": packed(thinned.value, "f4"),
            "yaxis": axis_name,
            "mode": "lines+markers" if few else "lines",
            "line": {
                "color": colour,
                "width": 1.3 if place == 0 else 1.2,
                "dash": DASHES[place % len(DASHES)],
                "shape": "hv" if lane.stepped else "linear",
            },
            "marker": {"size": 4, "color": colour},
            "hovertemplate": f"%{{y:.4~g}} {lane.unit}",
        }
        data.append(trace)
        if len(thinned.alone) and not few:
            data.append(
                {
                    **trace,
                    "uid": f"{si_name}_alone",
                    "mode": "markers",
                    "x": packed(thinned.time_s[thinned.alone]),
                    "y": packed(thinned.value[thinned.alone], "f4"),
                    "hoverinfo": "skip",
                    "hovertemplate": None,
                }
            )
        names.append((short, colour, DASH_SIGNS[place % len(DASH_SIGNS)]))
    return _Drawn(data, names, min(lows, default=None), max(highs, default=None))


def _heading(lane: Lane, drawn: _Drawn, theme: Theme) -> str:
    """The lane's title with its unit; where it has several traces, each with its dash in its colour."""
    title = f"<b>{lane.title}</b> [{lane.unit}]"
    if drawn.low is None:
        return f'{title}  <span style="color:{theme.soft}">no samples here</span>'
    if len(drawn.names) < 2:
        return title
    return title + "".join(
        f'   <span style="color:{colour}">{sign} {short}</span>' for short, colour, sign in drawn.names
    )


def _lane_span(lane: Lane, drawn: _Drawn, limit: tuple[float, str] | None) -> tuple[float, float]:
    """Around the data in view; a limit is included as long as the data stay readable beside it."""
    low, high = drawn.low or 0.0, drawn.high or 0.0
    if lane.from_zero:
        low, high = min(low, 0.0), max(high, 0.0)
    if limit is not None:
        with_limit = min(low, limit[0]), max(high, limit[0])
        if with_limit[1] - with_limit[0] <= 2.5 * max(high - low, lane.min_span):
            low, high = with_limit
    return span(low, high, lane.min_span)


def _limit(run: Run, lane: Lane) -> tuple[float, str] | None:
    """A limit that the machine file names for this lane, with its label."""
    machine = run.machine
    if machine is None:
        return None
    if lane.fuse is not None:
        fuse = machine.fuses.get(lane.fuse)
        return (fuse.rating_a, f"fuse {fuse.rating_a:g} A") if fuse and fuse.rating_a else None
    if lane.key == "receiver" and machine.receiver and machine.receiver.minimum_v:
        return machine.receiver.minimum_v, f"minimum {machine.receiver.minimum_v:g} V"
    return None


def _limit_line(value: float, axis_name: str, theme: Theme) -> dict[str, Any]:
    line = {"color": theme.limit, "width": 1.3, "dash": "6px,4px"}
    ends = {"x0": 0, "x1": 1, "y0": value, "y1": value}
    return {"type": "line", "xref": "paper", "yref": axis_name, **ends, "line": line}


def _time_axis(see: tuple[float, float], theme: Theme, anchor: str) -> dict[str, Any]:
    values, texts, unit = time_ticks(*see)
    return axis(
        theme,
        f"run time [{unit}]",
        range=list(see),
        anchor=anchor,
        tickmode="array",
        tickvals=values,
        ticktext=texts,
        tickangle=0,
        showspikes=True,
        spikemode="across",
        spikethickness=1,
        spikedash="solid",
        spikecolor=theme.soft,
        hoverformat=".3f",
        unifiedhovertitle={"text": "%{x:.3f} s"},
    )


def _gap_shapes(run: Run, see: tuple[float, float], theme: Theme) -> list[dict[str, Any]]:
    """A shade over each of the longest gaps in view."""
    found = [(gap.start_s, gap.end_s) for gap in run.gaps() if gap.end_s is not None]
    inside = [(start, end) for start, end in found if end > see[0] and start < see[1]]
    longest = sorted(inside, key=lambda gap: gap[0] - gap[1])[:MAX_MARKS]
    return [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": start,
            "x1": end,
            "y0": 0,
            "y1": 1,
            "fillcolor": theme.soft,
            "opacity": 0.18,
            "line": {"width": 0},
            "layer": "below",
        }
        for start, end in longest
    ]


def shade(view: View, theme: Theme) -> list[dict[str, Any]]:
    """A shade over everything outside the computed part."""
    if view.part is None:
        return []
    sides = [(view.see[0], min(view.part[0], view.see[1])), (max(view.part[1], view.see[0]), view.see[1])]
    return [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": start,
            "x1": end,
            "y0": 0,
            "y1": 1,
            "fillcolor": theme.paper,
            "opacity": 0.72,
            "line": {"width": 0},
            "layer": "above",
        }
        for start, end in sides
        if end > start
    ]


def _lap_marks(view: View, theme: Theme) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """A line at the start of each lap with its number, and one at the end of the last."""
    low, high = view.see
    seen = [(number, start, end) for number, (start, end) in enumerate(view.laps, 1) if end > low and start < high]
    if len(seen) > MAX_MARKS:
        return [], []
    moments = sorted({moment for _, start, end in seen for moment in (start, end) if low <= moment <= high})
    line = {"color": theme.soft, "width": 1, "dash": "1px,3px"}
    shapes = [
        {
            "type": "line",
            "xref": "x",
            "yref": "paper",
            "x0": at,
            "x1": at,
            "y0": 0,
            "y1": 1,
            "line": line,
            "layer": "below",
        }
        for at in moments
    ]
    every = -(-len(seen) // 12)
    notes = [
        note(
            "lap 1" if number == 1 else str(number),
            0.5 * (max(start, low) + min(end, high)),
            1,
            yref="paper",
            yanchor="bottom",
            yshift=4,
            font={"size": 11, "color": theme.soft},
        )
        for number, start, end in seen
        if (number - 1) % every == 0
    ]
    return shapes, notes
