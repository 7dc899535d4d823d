"""Mean and median current of each side against the size of its command."""

from __future__ import annotations

from typing import Any

import numpy as np

from amptally.analysis.report.build import Report
from amptally.analysis.results.leads import SIDES
from amptally.dashboard.figures.plot import Figure, axis, frame, note, packed, span
from amptally.dashboard.theme import DASHES, Theme

HEIGHT_PX = 320


def command_figure(report: Report, theme: Theme) -> Figure:
    """One line for each side, its bins' means as marks; the colours and dashes of left and right elsewhere."""
    bins = report.drive.command_map
    low, high = span(min(each.mean_a for each in bins), max(each.mean_a for each in bins), 2.0)
    layout = frame(
        theme,
        HEIGHT_PX,
        margin={"l": 56, "r": 16, "t": 14, "b": 50},
        hovermode="closest",
        xaxis=axis(theme, "size of the command [%]", range=[0, 104], fixedrange=True),
        yaxis=axis(theme, "mean current [A]", range=[low, high], fixedrange=True),
        annotations=[],
    )
    data: list[dict[str, Any]] = []
    ends = [each.mean_a for side in SIDES if (each := next((b for b in reversed(bins) if b.side == side), None))]
    for place, side in enumerate(SIDES, 1):
        own = [each for each in bins if each.side == side]
        if not own:
            continue
        colour = theme.series[place]
        middle = np.array([50 * (each.from_share + each.to_share) for each in own])
        mean = np.array([each.mean_a for each in own])
        data.append(
            {
                "type": "scatter",
                "uid": f"command-{side}",
                "name": side,
                "mode": "lines+markers",
                "x": packed(middle),
                "y": packed(mean),
                "customdata": packed(np.array([[each.median_a, each.seconds] for each in own]), "f4"),
                "line": {"color": colour, "width": 2, "dash": DASHES[place - 1]},
                "marker": {"color": colour, "size": 7, "symbol": ("circle", "square")[place - 1]},
                "hovertemplate": f"{side}, command %{{x:.0f}} %: mean %{{y:.3~g}} A, median %{{customdata[0]:.3~g}} A, "
                "%{customdata[1]:.3~g} s<extra></extra>",
            }
        )
        layout["annotations"].append(
            note(
                f'<span style="color:{colour}"><b>{side}</b></span>',
                float(middle[-1]),
                float(mean[-1]),
                xanchor="left" if middle[-1] < 90 else "right",
                xshift=8 if middle[-1] < 90 else -8,
                yanchor="bottom" if mean[-1] >= max(ends) else "top",
            )
        )
    return {"data": data, "layout": layout}
