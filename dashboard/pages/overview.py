"""The whole run as one strip, on which the computed part is selected."""

from __future__ import annotations

from typing import Any

from amptally.dashboard.figures.lanes import LANES, Lane
from amptally.dashboard.figures.plot import Figure, axis, frame, note, packed, time_ticks
from amptally.dashboard.figures.traces import View, shade
from amptally.dashboard.library import OpenRun
from amptally.dashboard.theme import Theme

COLUMNS = 320
HEIGHT_PX = 112


def overview_figure(opened: OpenRun, ends: tuple[float, float], view: View, theme: Theme) -> Figure:
    """The computed part is clear, the rest shaded; a box shows the view of the traces."""
    values, texts, unit = time_ticks(*ends)
    soft = {"color": theme.soft, "size": 12}
    layout = frame(
        theme,
        HEIGHT_PX,
        margin={"l": 52, "r": 12, "t": 22, "b": 38},
        dragmode="select",
        selectdirection="h",
        hovermode=False,
        newselection={"line": {"color": theme.ink, "width": 1, "dash": "solid"}},
        activeselection={"fillcolor": theme.series[0], "opacity": 0.2},
        xaxis=axis(
            theme,
            f"whole run [{unit}]",
            range=list(ends),
            fixedrange=True,
            tickmode="array",
            tickvals=values,
            ticktext=texts,
            tickangle=0,
        ),
        yaxis=axis(theme, fixedrange=True, nticks=3, showgrid=False),
        selections=[],
        shapes=shade(View(ends, view.part, ()), theme),
        annotations=[],
    )
    if view.see != (view.part or ends):
        line = {"color": theme.ink, "width": 1.2}
        box = {"type": "rect", "xref": "x", "yref": "paper", "y0": 0, "y1": 1, "line": line}
        layout["shapes"].append({**box, "x0": view.see[0], "x1": view.see[1]})
    data: list[dict[str, Any]] = []
    chosen = _standing_for(opened)
    if chosen is not None:
        lane, name = chosen
        envelope = opened.envelope(name)
        assert envelope is not None
        thinned = envelope.thin(*ends, COLUMNS)
        data.append(
            {
                "type": "scatter",
                "mode": "lines" if len(thinned.value) > 1 else "markers",
                "x": packed(thinned.time_s),
                "y": packed(thinned.value, "f4"),
                "line": {"color": theme.series[0], "width": 1},
                "hoverinfo": "skip",
            }
        )
        place = {"xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "bottom", "xshift": -44, "yshift": 3}
        layout["annotations"].append(note(f"{lane.title} [{lane.unit}]", 0, 1, **place, font=soft))
    return {"data": data, "layout": layout}


def _standing_for(opened: OpenRun) -> tuple[Lane, str] | None:
    """The channel drawn for the whole run: the first that was recorded."""
    for lane in LANES:
        for name, _ in lane.channels:
            if opened.envelope(name) is not None:
                return lane, name
    return None
