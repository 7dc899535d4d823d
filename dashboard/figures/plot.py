"""What all pictures share: arrays as sent to the browser, axes, time ticks, the frame of a figure.

Figures are plain dictionaries, as the browser takes them. tests/dashboard checks each against plotly's schema.
"""

from __future__ import annotations

import base64
import math
from typing import Any

import numpy as np
import numpy.typing as npt

from amptally.dashboard.theme import Theme

Figure = dict[str, Any]
Array = npt.NDArray[np.float64]

FONT = '-apple-system, "Segoe UI", Roboto, "Liberation Sans", Arial, system-ui, sans-serif'
FONT_PX = 12
_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14_400, 21_600, 43_200)


def packed(values: npt.ArrayLike, kind: str = "f8") -> dict[str, str]:
    """Numbers as the typed array that plotly.js decodes; `kind` f8 for times, f4 for plotted values."""
    data = np.ascontiguousarray(values, np.dtype(f"<{kind}"))
    packed_form = {"dtype": kind, "bdata": base64.b64encode(data.tobytes()).decode("ascii")}
    if data.ndim == 2:
        packed_form["shape"] = f"{data.shape[0]}, {data.shape[1]}"
    return packed_form


def frame(theme: Theme, height: int, **layout: Any) -> dict[str, Any]:
    """Layout of a picture on its card: our type, no title, no tool bar, nothing behind the data."""
    return {
        "height": height,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": FONT, "size": FONT_PX, "color": theme.ink},
        "hoverlabel": {
            "bgcolor": theme.card,
            "bordercolor": theme.soft,
            "font": {"family": FONT, "size": FONT_PX, "color": theme.ink},
            "namelength": -1,
        },
        "showlegend": False,
        "margin": {"l": 48, "r": 14, "t": 12, "b": 46},
        **layout,
    }


def axis(theme: Theme, title: str | None = None, **more: Any) -> dict[str, Any]:
    """An axis with a quiet grid; its title names quantity and unit."""
    found: dict[str, Any] = {
        "gridcolor": theme.line,
        "linecolor": theme.soft,
        "zeroline": False,
        "ticks": "",
        "tickfont": {"color": theme.soft, "size": FONT_PX},
        "automargin": False,
        **more,
    }
    if title is not None:
        found["title"] = {"text": title, "standoff": 8, "font": {"color": theme.soft, "size": FONT_PX}}
    return found


def note(text: str, x: float, y: float, **more: Any) -> dict[str, Any]:
    """Text without an arrow."""
    return {"text": text, "x": x, "y": y, "showarrow": False, "font": {"size": FONT_PX}, **more}


def span(low: float, high: float, min_span: float) -> tuple[float, float]:
    """An axis range around the data, a little wider than they are, and at least about `min_span` wide."""
    if high - low < min_span:
        middle = 0.5 * (low + high)
        low, high = middle - 0.5 * min_span, middle + 0.5 * min_span
    room = 0.06 * (high - low)
    return low - room, high + room


def time_ticks(from_s: float, to_s: float, limit: int = 7) -> tuple[list[float], list[str], str]:
    """Ticks at round run times, their texts, and the unit those are in."""
    length = max(to_s - from_s, 1e-9)
    step = _time_step(length / limit)
    first = math.ceil(from_s / step - 1e-9)
    values = [place * step for place in range(first, math.floor(to_s / step + 1e-9) + 1)]
    decimals = 0 if step >= 1 else max(0, -math.floor(math.log10(step) + 1e-9))
    longest = to_s
    unit = "h:min:s" if longest >= 3600 else "min:s" if longest >= 60 else "s"
    return values, [clock(value, decimals, unit) for value in values], unit


def _time_step(wanted_s: float) -> float:
    if wanted_s < 1:
        power = 10.0 ** math.floor(math.log10(wanted_s))
        return next((m * power for m in (1, 2, 5) if m * power >= wanted_s), 10 * power)
    return float(next((step for step in _STEPS_S if step >= wanted_s), 86_400 * math.ceil(wanted_s / 86_400)))


def clock(seconds: float, decimals: int, unit: str) -> str:
    """A run time as 2:36.5 or 1:02:36; plain seconds where the unit is s."""
    sign, size = ("−", -seconds) if seconds < -0.5 * 10**-decimals else ("", abs(seconds))
    if unit == "s":
        return f"{sign}{size:.{decimals}f}"
    whole = round(size, decimals)
    minutes, rest = divmod(whole, 60)
    if round(rest, decimals) >= 60:
        minutes, rest = minutes + 1, 0.0
    text = f"{rest:0{3 + decimals if decimals else 2}.{decimals}f}"
    if unit == "min:s":
        return f"{sign}{minutes:.0f}:{text}"
    return f"{sign}{minutes // 60:.0f}:{minutes % 60:02.0f}:{text}"
