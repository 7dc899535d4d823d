"""Battery voltage against battery current: time spent in each cell, and the lines of its resistance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from amptally.analysis.report.build import Report
from amptally.analysis.runs.run import Floats, together
from amptally.analysis.signals.decimation import Density, density
from amptally.analysis.wording.results import refusal
from amptally.dashboard.figures.plot import Figure, axis, frame, packed
from amptally.dashboard.theme import DASHES, Screen, Theme

HEIGHT_PX = 400
COLUMNS, ROWS = 96, 64
SLICES = 12
"""Rows of the table beside the picture."""


@dataclass(frozen=True, slots=True)
class Row:
    """One slice of current of the table."""

    from_a: float
    to_a: float
    seconds: float
    mean_v: float
    minimum_v: float
    maximum_v: float


def missing(report: Report) -> str | None:
    """Why the picture cannot be drawn; None where it can."""
    run = report.run
    absent = [run.label(name).lower() for name in ("battery_current_a", "battery_voltage_v") if not run.has(name)]
    if absent:
        return f"no {' and no '.join(absent)} was measured"
    return None if len(_pairs(report)[0]) > 1 else "current and voltage were never measured at the same time"


def _pairs(report: Report) -> tuple[Floats, Floats, Floats, Any]:
    """Time, current, voltage and gaps where both were measured."""
    take = report.run.smooth if report.run.long else report.run.series
    current, voltage = take("battery_current_a"), take("battery_voltage_v")
    assert current is not None
    assert voltage is not None
    return together(current, voltage)


def rows(report: Report) -> list[Row]:
    """Slices of current with the voltages in them."""
    time_s, amps, volts, gap_after = _pairs(report)
    seconds = np.where(gap_after, 0.0, np.diff(time_s))
    amps, volts = amps[:-1], volts[:-1]
    edges = np.linspace(float(amps.min()), float(amps.max()) or 1.0, SLICES + 1)
    place = np.clip(np.searchsorted(edges, amps, "right") - 1, 0, SLICES - 1)
    found = []
    for number in range(SLICES):
        inside = place == number
        if inside.any():
            part = volts[inside]
            span = float(edges[number]), float(edges[number + 1])
            spent = float(seconds[inside].sum())
            found.append(Row(*span, spent, float(part.mean()), float(part.min()), float(part.max())))
    return found


def lines(report: Report) -> tuple[list[tuple[str, float, float]], str | None]:
    """(label, voltage at zero current [V], resistance [Ω]) for each known resistance; or why there is no line."""
    sag = report.sag
    known = [(scale, value.value) for scale, value in sag.resistance.by_scale.items() if value.value is not None]
    origin = sag.resistance.open_circuit_v.value or sag.rest_voltage_v.value
    if not known:
        return [], refusal(next(iter(sag.resistance.by_scale.values())))
    if origin is None:
        return [], f"no voltage without current to start a line from: {refusal(sag.resistance.open_circuit_v)}"
    return [(f"{scale:g} s after a step: {1e3 * ohm:.1f} mΩ", origin, ohm) for scale, ohm in known], None


def volts_figure(report: Report, screen: Screen) -> Figure:
    """Cells shaded by time spent; lines from the voltage at zero current, falling by the resistance at each scale."""
    theme = screen.theme
    time_s, amps, volts, gap_after = _pairs(report)
    grid = density(time_s, amps, volts, gap_after, COLUMNS, ROWS)
    layout = frame(
        theme,
        HEIGHT_PX,
        margin={"l": 62, "r": 16, "t": 48 if screen.narrow else 14, "b": 50},
        hovermode="closest",
        xaxis=axis(theme, "battery current [A]", fixedrange=True, range=_room(grid.x_edges)),
        yaxis=axis(theme, "battery voltage [V]", fixedrange=True, range=_room(grid.y_edges)),
    )
    data = [_cells(grid, theme, screen.narrow)]
    ends = np.array([max(0.0, float(grid.x_edges[0])), float(grid.x_edges[-1])])
    for place, (words, origin, ohm) in enumerate(lines(report)[0]):
        data.append(
            {
                "type": "scatter",
                "uid": f"ohm{place}",
                "name": words,
                "mode": "lines",
                "x": packed(ends),
                "y": packed(origin - ohm * ends),
                "line": {"color": theme.series[1], "width": 2, "dash": DASHES[place % len(DASHES)]},
                "hovertemplate": f"{words}<extra></extra>",
            }
        )
    return {"data": data, "layout": layout}


def _room(edges: Floats) -> list[float]:
    """The range of the grid with a small margin."""
    more = 0.03 * float(edges[-1] - edges[0])
    return [float(edges[0]) - more, float(edges[-1]) + more]


def _cells(grid: Density, theme: Theme, narrow: bool) -> dict[str, Any]:
    """A shade that grows with the logarithm of the time spent; empty cells stay clear."""
    with np.errstate(divide="ignore"):
        depth = np.log10(grid.seconds)
    depth[~np.isfinite(depth)] = np.nan
    low, high = float(np.nanmin(depth)), float(np.nanmax(depth))
    if high <= low:
        low, high = low - 1, high
    whole = [power for power in range(-4, 6) if low <= power <= high]
    return {
        "type": "heatmap",
        "uid": "cells",
        "x": packed(0.5 * (grid.x_edges[1:] + grid.x_edges[:-1])),
        "y": packed(0.5 * (grid.y_edges[1:] + grid.y_edges[:-1])),
        "z": packed(depth, "f4"),
        "customdata": packed(grid.seconds, "f4"),
        "zmin": low,
        "zmax": high,
        "colorscale": [[0, theme.ramp[0]], [0.5, theme.ramp[1]], [1, theme.ramp[2]]],
        "hovertemplate": "%{x:.3~g} A, %{y:.4~g} V: %{customdata:.3~g} s<extra></extra>",
        "colorbar": {
            "title": {"text": "time spent", "side": "right", "font": {"size": 12, "color": theme.soft}},
            "tickvals": whole,
            "ticktext": [f"{10.0**power:g} s" for power in whole],
            "tickfont": {"size": 12, "color": theme.soft},
            "thickness": 10,
            "len": 0.9,
            "outlinewidth": 0,
            "xpad": 6,
            **(_LYING if narrow else {}),
        },
    }


_LYING = {
    "orientation": "h",
    "x": 0.5,
    "y": 1.02,
    "yanchor": "bottom",
    "xanchor": "center",
    "thickness": 8,
    "len": 1,
    "ypad": 4,
}
"""Along the top, since a phone has no room at the side."""
