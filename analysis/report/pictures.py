"""Pictures of a report as SVG, for the sheet on paper: traces, exposure of the tightest fuse, energy by lap.

Drawn by matplotlib, which is slow to import: only `report --html` does.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from amptally.analysis.protection.fuse_curve import Limit, fitted_limits
from amptally.analysis.report.answers import by_margin
from amptally.analysis.report.build import Report
from amptally.analysis.results.leads import LEAD_OF
from amptally.analysis.runs.long_envelope import LongEnvelope
from amptally.analysis.runs.run import Run
from amptally.analysis.signals.decimation import Envelope
from amptally.analysis.wording.formatting import moment

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMNS = 900
"""Stretches of time of which each shows its minimum and maximum: no peak is lost."""
_WIDTH_IN = 7.2
_INK, _SOFT, _LINE, _LIMIT = "#1f262b", "#56616a", "#dcd8cd", "#a8243b"
_COLOURS = {"battery": "#123f7a", "left": "#9a4310", "right": "#7f57ad", "receiver": "#17805a"}
_STYLE: Any = {
    "svg.fonttype": "none", "font.family": "sans-serif", "font.size": 8, "axes.edgecolor": _SOFT,
    "axes.labelcolor": _INK, "xtick.color": _SOFT, "ytick.color": _SOFT, "text.color": _INK, "axes.grid": True,
    "grid.color": _LINE, "grid.linewidth": 0.6, "axes.axisbelow": True, "axes.spines.top": False,
    "axes.spines.right": False, "legend.frameon": False, "legend.fontsize": 8, "lines.linewidth": 0.8,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture with what it shows."""

    title: str
    words: str
    """What a reader sees in it, for those who do not see it too."""
    svg: str


def pictures(report: Report) -> list[Picture]:
    """Those that the run supports, in the order of the sheet."""
    import matplotlib as mpl

    with mpl.rc_context(_STYLE):
        return list(_drawn(report))


def _drawn(report: Report) -> Iterator[Picture]:
    for found in (_traces(report), _exposure(report), _laps(report)):
        if found is not None:
            yield found


def _traces(report: Report) -> Picture | None:
    """Currents above, voltages below, over the whole run."""
    run = report.run
    currents = [lead for lead in report.currents if run.has(f"{lead}_current_a")]
    lanes = [("current [A]", "current", currents, "current_a")] if currents else []
    volts = [name for name in ("battery", "receiver") if run.has(f"{name}_voltage_v")]
    lanes += [(f"{name} [V]", f"{name} voltage", [name], "voltage_v") for name in volts]
    if not lanes:
        return None
    figure = _figure(0.7 + 0.95 * len(lanes))
    heights = [2.0 if suffix == "current_a" else 1.0 for *_, suffix in lanes]
    axes = figure.subplots(len(lanes), 1, sharex=True, squeeze=False, height_ratios=heights)[:, 0]
    for place, (label, _, names, suffix) in zip(axes, lanes, strict=True):
        for name in names:
            _line(place, run, name, f"{name}_{suffix}")
        place.set_ylabel(label)
        if len(names) > 1:
            place.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, borderaxespad=0)
        for lap in report.laps.each:
            place.axvline(lap.start_s, color=_SOFT, linewidth=0.5)
    axes[-1].set_xlabel("run time [s]")
    axes[-1].set_xlim(run.start_s, max(run.end_s, run.start_s + 1e-3))
    marks = "; thin lines where laps begin" if report.laps.each else ""
    shown = ", ".join(quantity for _, quantity, _, _ in lanes)
    words = f"{shown[:1].upper()}{shown[1:]} over run time{marks}."
    return Picture("The drive", words, _svg(figure, "traces"))


def _line(place: Axes, run: Run, name: str, si_name: str) -> None:
    envelope: Envelope | LongEnvelope | None
    if run.long:
        envelope = LongEnvelope.of(run, si_name)
    else:
        series = run.series(si_name)
        envelope = None if series is None else Envelope.of(series)
    if envelope is not None:
        thin = envelope.thin(run.start_s, run.end_s, COLUMNS)
        place.plot(thin.time_s, thin.value, color=_COLOURS[name], label=name)


def _exposure(report: Report) -> Picture | None:
    """Largest RMS by window length of the tightest fuse, against the band in which it may open."""
    compared = [(place, fuse) for place, fuse in by_margin(report) if fuse.current_from == "measured"]
    for place, fuse in compared:
        curve = report.currents[LEAD_OF[place]].exposure
        if not curve or fuse.family is None or fuse.rating_a is None or fuse.derated_a is None:
            continue
        limits = fitted_limits(fuse.family, fuse.rating_a, fuse.derated_a)
        if limits is None:
            continue
        from matplotlib.ticker import NullFormatter

        figure = _figure(2.2)
        axes = figure.subplots()
        windows, rms = np.array(curve).T
        longest_s = max(float(windows[-1]), 200.0)
        axes.plot(windows, rms, color=_COLOURS[LEAD_OF[place]], linewidth=1.6, label=f"{LEAD_OF[place]} current")
        _band(axes, limits, longest_s)
        axes.set(xscale="log", yscale="log", xlabel="window length [s]", ylabel="largest RMS current [A]")
        axes.set_xlim(min(float(windows[0]), 0.02), longest_s)
        axes.legend(loc="lower left")
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter("{x:g}")
            axis.set_minor_formatter(NullFormatter())
        words = (
            f"Largest RMS current of the {LEAD_OF[place]} lead by window length, and the times in which a "
            f"{fuse.rating_a:g} A fuse may open and must have opened. The margin counts preload and cooling too."
        )
        return Picture(f"{place.capitalize()} fuse", words, _svg(figure, "exposure"))
    return None


def _band(axes: Axes, limits: tuple[Limit, Limit], longest_s: float) -> None:
    shortest_s = limits[0].points[0][0]
    times_s = np.geomspace(shortest_s, longest_s, 200)
    allowed = [[limit.allowed_a(float(time_s)) for time_s in times_s] for limit in limits]
    earliest, latest = (np.array([np.nan if value is None else value for value in side]) for side in allowed)
    top = np.where(np.isnan(latest), np.nanmax(latest), latest)  # no latest time is published for so short a window
    axes.fill_between(
        times_s, earliest, np.maximum(earliest, top), color=_LIMIT, alpha=0.12, linewidth=0, label="may open"
    )
    axes.plot(times_s, earliest, color=_LIMIT, linewidth=1.2, label="earliest opening")
    axes.plot(times_s, latest, color=_LIMIT, linewidth=1.2, linestyle="--", label="latest opening")


def _laps(report: Report) -> Picture | None:
    laps = [lap for lap in report.laps.each if lap.net_wh is not None]
    if len(laps) < 2:
        return None
    figure = _figure(1.3)
    axes = figure.subplots()
    numbers = np.arange(1, len(report.laps.each) + 1)
    energies = [np.nan if lap.net_wh is None else lap.net_wh for lap in report.laps.each]
    axes.bar(numbers, energies, color=_COLOURS["battery"], width=0.7)
    axes.set_xticks(numbers[:: max(1, len(numbers) // 20)])
    axes.set(xlabel="lap", ylabel="net energy [Wh]")
    axes.grid(visible=False, axis="x")
    longest = max(report.laps.each, key=lambda lap: lap.end_s - lap.start_s)
    words = f"Net energy of each lap; the longest took {moment(longest.end_s - longest.start_s)}."
    return Picture("Laps", words, _svg(figure, "laps"))


def _figure(height_in: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(_WIDTH_IN, height_in), layout="constrained")


def _svg(figure: Figure, name: str) -> str:
    """The picture as HTML takes it, the same for the same numbers, without fixed size, date or program."""
    import matplotlib as mpl

    text = io.StringIO()
    none: dict[str, Any] = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    with mpl.rc_context({"svg.hashsalt": name, "svg.id": name}):
        figure.savefig(text, format="svg", metadata=none, transparent=True)
    drawn = text.getvalue()
    drawn = drawn[drawn.index("<svg ") :]
    head, _, rest = drawn.partition(">")
    return re.sub(r' (width|height|version|xmlns(:xlink)?)="[^"]*"', "", head) + ">" + rest
