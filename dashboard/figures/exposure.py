"""Largest RMS current by window length, against the band in which the fuse may open."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from amptally.analysis.protection.coordination import Point
from amptally.analysis.protection.fuse_curve import Limit, fitted_limits
from amptally.analysis.report.build import Report
from amptally.analysis.results.leads import LEAD_OF
from amptally.analysis.wording.results import refusal
from amptally.dashboard.figures.plot import Figure, axis, frame, note, packed
from amptally.dashboard.theme import Screen, Theme

HEIGHT_PX = 400
LABEL_PX = {False: 205, True: 112}
UNPUBLISHED_PX = 58
PLOT_PX = {False: 900, True: 290}
"""Width of the words beside the arrow, and roughly of the plot, on a wide and on a narrow screen."""
DECADE_TEXTS = {
    -3: "1 ms", -2: "10 ms", -1: "0.1 s", 0: "1 s", 1: "10 s", 2: "100 s", 3: "1000 s", 4: "10⁴ s", 5: "10⁵ s",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """One window length of the table beside the picture."""

    window_s: float
    rms_a: float
    earliest_a: float | None
    """None where no opening time is published for so short a window."""
    latest_a: float | None
    slowest_a: float | None
    """What may flow for as long through the slowest fuse, cold; None where fuse and wire are not compared."""
    wire_a: float | None
    """What the wire behind it carries for as long."""


def limits_of(report: Report, place: str) -> tuple[Limit, Limit] | None:
    """Earliest and latest opening of a fuse; None where the machine file or the tables do not support them.

    Nor where the curve is the other lead's current, on the far side of the controller.
    """
    fuse = report.fuses.get(place)
    if fuse is None or fuse.family is None or fuse.rating_a is None or fuse.derated_a is None:
        return None
    if fuse.current_from in ("estimated", "bounded"):
        return None
    return fitted_limits(fuse.family, fuse.rating_a, fuse.derated_a)


def missing(report: Report, place: str) -> str | None:
    """Why there is no exposure curve of this lead; None where there is one."""
    current = report.currents[LEAD_OF[place]]
    if current.exposure:
        return None
    return refusal(current.mean_a) or "the run is too short"


def rows(report: Report, place: str) -> list[Row]:
    """The curve as numbers, from short windows to long ones."""
    limits = limits_of(report, place)
    together = report.fuse_leads[place].protects.curve if place in report.fuse_leads else ()
    found = []
    for window_s, rms_a in report.currents[LEAD_OF[place]].exposure:
        earliest, latest = (limit.allowed_a(window_s) for limit in limits) if limits else (None, None)
        found.append(Row(window_s, rms_a, earliest, latest, *_together_at(together, window_s)))
    return found


def _together_at(curve: tuple[Point, ...], window_s: float) -> tuple[float, float] | tuple[None, None]:
    """Slowest fuse and wire at a window length, straight in logarithms between the points; none beyond them."""
    if not curve or not curve[0].time_s <= window_s <= curve[-1].time_s:
        return None, None
    at_s = np.log([point.time_s for point in curve])
    fuse_a, wire_a = (
        math.exp(float(np.interp(math.log(window_s), at_s, np.log(amps))))
        for amps in ([point.fuse_most_a for point in curve], [point.wire_least_a for point in curve])
    )
    return fuse_a, wire_a


def exposure_figure(report: Report, place: str, screen: Screen) -> Figure:
    """Window length against largest RMS, both logarithmic; zones from the fuse's table, an arrow at the tightest.

    Beside them what may flow before the slowest fuse opens, and what the wire behind it carries for as long.
    """
    theme = screen.theme
    curve = report.currents[LEAD_OF[place]].exposure
    limits = limits_of(report, place)
    windows = np.array([window for window, _ in curve])
    rms = np.array([max(value, 1e-6) for _, value in curve])
    together = () if limits is None else report.fuse_leads[place].protects.curve
    shortest_s, longest_s = min(windows[0], 0.02), max(windows[-1], together[-1].time_s * 1.1 if together else 200.0)
    highest = float(rms.max()) * 1.5
    lowest = max(float(rms.min()) / 2, highest / 3000)
    if limits is not None:
        highest = max(highest, 1.15 * limits[0].points[0][1])
        lowest = min(lowest, limits[0].beyond_a / 3)
    x_range, y_range = _decades(shortest_s, longest_s), _decades(lowest, highest)
    colour = theme.series[{"main": 0, "left": 1, "right": 2}[place]]
    layout = frame(
        theme,
        HEIGHT_PX,
        margin={"l": 56, "r": 16, "t": 14, "b": 50},
        hovermode="closest",
        xaxis=axis(theme, "window length", type="log", range=x_range, fixedrange=True, **_decade_ticks(x_range)),
        yaxis=axis(
            theme, "largest RMS current [A]", type="log", range=y_range, fixedrange=True, **_current_ticks(y_range)
        ),
        annotations=[],
        shapes=[],
    )
    data: list[dict[str, Any]] = []
    if limits is not None:
        data += _band(limits, 10.0 ** x_range[1], 10.0 ** y_range[1], theme)
        layout["annotations"] += _zone_words(limits, x_range, y_range, screen)
        layout["shapes"].append(_unpublished(limits[0], x_range, theme))
    if together:
        data += _fuse_and_wire(together, theme)
        layout["annotations"] += _fuse_and_wire_words(together, y_range, screen)
    data.append(
        {
            "type": "scatter",
            "uid": "exposure",
            "name": f"{LEAD_OF[place]} current",
            "x": packed(windows),
            "y": packed(rms),
            "mode": "lines",
            "line": {"color": colour, "width": 2.6},
            "hovertemplate": "largest RMS over %{x:.3~g} s: %{y:.4~g} A<extra></extra>",
        }
    )
    layout["annotations"].append(
        note(
            f'<span style="color:{colour}"><b>{LEAD_OF[place]} current</b></span>',
            x_range[0] + 0.04,
            math.log10(rms[0]),
            xanchor="left",
            yanchor="bottom",
            yshift=4,
        )
    )
    if limits is not None:
        layout["annotations"] += _arrow(report, place, x_range, screen)
    return {"data": data, "layout": layout}


def _decades(low: float, high: float) -> list[float]:
    return [math.log10(low), math.log10(high)]


def _decade_ticks(span: list[float]) -> dict[str, Any]:
    powers = [power for power in DECADE_TEXTS if span[0] <= power <= span[1]]
    return {
        "tickmode": "array",
        "tickvals": [10.0**power for power in powers],
        "ticktext": [DECADE_TEXTS[power] for power in powers],
    }


def _current_ticks(span: list[float]) -> dict[str, Any]:
    wide = span[1] - span[0] > 2.2
    values = [
        digit * 10.0**power
        for power in range(math.floor(span[0]), math.ceil(span[1]) + 1)
        for digit in ((1,) if wide else (1, 2, 5))
    ]
    shown = [value for value in values if span[0] <= math.log10(value) <= span[1]]
    return {"tickmode": "array", "tickvals": shown, "ticktext": [f"{value:g}" for value in shown]}


def _sampled(limit: Limit, until_s: float) -> tuple[list[float], list[float]]:
    """Corners of a limit: its points, the fall after the last one, and level from there on."""
    windows = [time for time, _ in limit.points] + [limit.last_s, max(until_s, limit.last_s * 1.01)]
    allowed = [value for _, value in limit.points] + [limit.beyond_a, limit.beyond_a]
    return windows, allowed


def _band(limits: tuple[Limit, Limit], until_s: float, top_a: float, theme: Theme) -> list[dict[str, Any]]:
    """Both limits, and the stretch between them filled; open at the top where no latest time is published."""
    early_s, early_a = _sampled(limits[0], until_s)
    late_s, late_a = _sampled(limits[1], until_s)
    outline_s = early_s + late_s[::-1] + [late_s[0], early_s[0], early_s[0]]
    outline_a = early_a + late_a[::-1] + [10 * top_a, 10 * top_a, early_a[0]]
    past_s = [*late_s, late_s[-1], late_s[0], late_s[0]]
    past_a = [*late_a, 10 * top_a, 10 * top_a, late_a[0]]
    quiet = {"type": "scatter", "mode": "lines", "hoverinfo": "skip", "fill": "toself"}
    fill = {"line": {"width": 0}, "fillcolor": _veiled(theme.limit, 0.13)}
    solid = {"line": {"width": 0}, "fillcolor": _veiled(theme.limit, 0.34)}
    edge = {"type": "scatter", "mode": "lines"}
    return [
        {**quiet, **fill, "uid": "band", "x": packed(outline_s), "y": packed(outline_a)},
        {**quiet, **solid, "uid": "past", "x": packed(past_s), "y": packed(past_a)},
        {
            **edge,
            "uid": "earliest",
            "name": "earliest opening",
            "x": packed(early_s),
            "y": packed(early_a),
            "line": {"color": theme.limit, "width": 1.6, "dash": "6px,4px"},
            "hovertemplate": "earliest opening, %{x:.3~g} s: %{y:.4~g} A<extra></extra>",
        },
        {
            **edge,
            "uid": "latest",
            "name": "latest opening",
            "x": packed(late_s),
            "y": packed(late_a),
            "line": {"color": theme.limit, "width": 1.6},
            "hovertemplate": "latest opening, %{x:.3~g} s: %{y:.4~g} A<extra></extra>",
        },
    ]


def _fuse_and_wire(curve: tuple[Point, ...], theme: Theme) -> list[dict[str, Any]]:
    """What may flow before the slowest fuse opens, and what the wire carries, both with care."""
    times_s = packed([point.time_s for point in curve])
    return [
        {
            "type": "scatter",
            "uid": "slowest",
            "name": "slowest fuse, cold",
            "x": times_s,
            "y": packed([point.fuse_most_a for point in curve]),
            "mode": "lines",
            "line": {"color": theme.limit, "width": 1.6, "dash": "dot"},
            "hovertemplate": "through the slowest fuse for %{x:.3~g} s: up to %{y:.4~g} A<extra></extra>",
        },
        {
            "type": "scatter",
            "uid": "wire",
            "name": "wire",
            "x": times_s,
            "y": packed([point.wire_least_a for point in curve]),
            "mode": "lines",
            "line": {"color": theme.ink, "width": 1.8, "dash": "dashdot"},
            "hovertemplate": "the wire carries %{y:.4~g} A for %{x:.3~g} s<extra></extra>",
        },
    ]


def _fuse_and_wire_words(curve: tuple[Point, ...], y_range: list[float], screen: Screen) -> list[dict[str, Any]]:
    """The wire named where it enters the picture from above, the fuse where the two are closest."""
    weakest = min(curve, key=lambda point: point.ratio)
    entering = next((point for point in curve if math.log10(point.wire_least_a) < y_range[1] - 0.3), None)
    slowest = "slowest<br>fuse" if screen.narrow else "slowest fuse"
    found = [(slowest, screen.theme.limit, weakest.time_s, weakest.fuse_most_a, "center", 0)]
    if entering is not None:
        found.append(("wire", screen.theme.ink, entering.time_s, entering.wire_least_a, "left", 5))
    return [
        note(
            f'<span style="color:{colour}"><b>{text}</b></span>',
            math.log10(time_s),
            math.log10(amps),
            xanchor=side,
            yanchor="bottom",
            xshift=shift,
            yshift=2,
        )
        for text, colour, time_s, amps, side, shift in found
    ]


def _veiled(colour: str, share: float) -> str:
    red, green, blue = (int(colour[place : place + 2], 16) for place in (1, 3, 5))
    return f"rgba({red},{green},{blue},{share})"


def _unpublished(limit: Limit, x_range: list[float], theme: Theme) -> dict[str, Any]:
    """Windows shorter than any published opening time."""
    return {
        "type": "rect",
        "xref": "x",
        "yref": "paper",
        "x0": 10.0 ** x_range[0],
        "x1": limit.shortest_s,
        "y0": 0,
        "y1": 1,
        "fillcolor": theme.soft,
        "opacity": 0.12,
        "line": {"width": 0},
        "layer": "below",
    }


def _zone_words(
    limits: tuple[Limit, Limit], x_range: list[float], y_range: list[float], screen: Screen
) -> list[dict[str, Any]]:
    """The three zones named where they are widest."""
    earliest, latest = limits
    theme = screen.theme
    words = {"font": {"size": 12, "color": theme.ink}, "bgcolor": _veiled(theme.card, 0.55)}
    past = "<b>past</b>" if screen.narrow else "<b>past</b> the latest opening:<br>it should have opened"
    inside = "<b>inside:</b><br>may open" if screen.narrow else "<b>inside</b> the band:<br>it may open"
    below = "<b>below</b>" if screen.narrow else "<b>below</b> the earliest opening"
    right = min(x_range[1], math.log10(3e3)) - 0.06
    past_a = math.log10(latest.allowed_a(10.0**right) or latest.beyond_a)
    shortest = math.log10(earliest.shortest_s)
    middle = 0.5 * (math.log10(latest.shortest_s) + shortest) + 0.05
    top, bottom = y_range[1] - 0.08, y_range[0] + 0.05
    # No curve reaches the lower left corner: at short windows it is level and at its highest.
    zone_px = (shortest - x_range[0]) / (x_range[1] - x_range[0]) * PLOT_PX[screen.narrow]
    unpublished = "no time<br>published" if zone_px > UNPUBLISHED_PX else ""
    return [
        note(past, right, 0.55 * y_range[1] + 0.45 * past_a, xanchor="right", align="right", **words),
        note(inside, middle, top, yanchor="top", **words),
        note(below, shortest + 0.05, bottom, xanchor="left", yanchor="bottom", **words),
        note(
            unpublished,
            x_range[0] + 0.03,
            bottom,
            xanchor="left",
            yanchor="bottom",
            align="left",
            font={"size": 11, "color": theme.soft},
        ),
    ]


def _arrow(report: Report, place: str, x_range: list[float], screen: Screen) -> list[dict[str, Any]]:
    """The margin: from the load that warmed the fuse most to the one that may open it."""
    fuse = report.fuses[place]
    window, margin, worst_a = fuse.tightest_window_s, fuse.margin.value, fuse.worst_rms_a
    if window is None or margin is None or not worst_a:
        return []
    x, top, bottom = math.log10(window), math.log10(worst_a * margin), math.log10(worst_a)
    times = f"{margin:.2f} times as much" if margin >= 1 else f"{1 / margin:.2f} times what"
    arrow = {
        "x": x,
        "y": top,
        "ax": x,
        "ay": bottom,
        "axref": "x",
        "ayref": "y",
        "showarrow": True,
        "arrowhead": 2,
        "arrowsize": 1.1,
        "arrowwidth": 1.6,
        "arrowcolor": screen.theme.ink,
        "text": "",
    }
    # The curve never rises with the window, so the area below it and to the left is free.
    room = LABEL_PX[screen.narrow] / PLOT_PX[screen.narrow] * (x_range[1] - x_range[0])
    leftmost = x - x_range[0] < room
    lines = "<br>" if screen.narrow else " "
    label = note(
        f"<b>{times}</b>{lines}may open it,<br>warmed within {window:.2g} s",
        x,
        min(top, bottom) if not leftmost else _lowest_until(report, place, x + room),
        xanchor="left" if leftmost else "right",
        yanchor="top",
        align="left" if leftmost else "right",
        xshift=6 if leftmost else 0,
        yshift=-10,
    )
    return [arrow, label]


def _lowest_until(report: Report, place: str, power: float) -> float:
    """Logarithm of the curve at the longest window up to ten to that power."""
    shorter = [rms for window, rms in report.currents[LEAD_OF[place]].exposure if math.log10(window) <= power]
    return math.log10(max(shorter[-1], 1e-6)) if shorter else 0.0
