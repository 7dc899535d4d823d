"""The tables of a drive's page: the figures behind the pictures, and those without one."""

from __future__ import annotations

import numpy as np
from dash import html

from amptally.analysis.report.build import Report
from amptally.analysis.report.rows import (
    battery_rows,
    charge_rows,
    current_rows,
    drive_rows,
    energy_rows,
    fuse_rows,
    wire_rows,
)
from amptally.analysis.wording.formatting import moment, number
from amptally.analysis.wording.uncertainty import TITLES, words_of
from amptally.dashboard.address import DriveAddress
from amptally.dashboard.figures import exposure as exposure_figure
from amptally.dashboard.figures import volts as volts_figure
from amptally.dashboard.figures.plot import clock
from amptally.dashboard.figures.traces import View
from amptally.dashboard.library import OpenRun
from amptally.dashboard.pages.cards import moment_link, unit_number
from amptally.dashboard.pages.parts import Child, capitalised, facts, plain, table

SLICES = 24
"""Rows of the table beside the traces."""
MAX_LAPS = 100
"""Rows of the lap table; a longer one is slow to build in a browser."""


def traces_table(opened: OpenRun, view: View) -> Child:
    """Minimum and maximum of every shown channel in equal stretches of the view."""
    edges = np.linspace(*view.see, SLICES + 1)
    # The last stretch takes the sample that lies on its end.
    edges[-1] = np.nextafter(edges[-1], np.inf)
    heads, columns = ["from [s]"], []
    for lane in view.lanes:
        for name, short in lane.channels:
            envelope = opened.envelope(name) if name in opened.run.columns else None
            if envelope is not None:
                several = len(lane.channels) > 1 and short.lower() != lane.title.split()[0].lower()
                heads.append(f"{lane.title}{f', {short}' if several else ''} [{lane.unit}]")
                columns.append(envelope.ranges(edges))
    rows = [
        [clock(float(edges[place]), 2, "s"), *(_range(low[place], high[place]) for low, high in columns)]
        for place in range(SLICES)
    ]
    return table(heads, rows)


def _range(minimum: float, maximum: float) -> str:
    if not np.isfinite(minimum):
        return "–"
    decimals = 0 if max(abs(minimum), abs(maximum)) >= 1000 else 2
    low, high = number(float(minimum), decimals), number(float(maximum), decimals)
    return low if low == high else f"{low} to {high}"


def exposure_table(report: Report, place: str) -> Child:
    """Largest RMS, both limits, and slowest fuse against wire by window length."""
    rows = [
        [
            f"{row.window_s:.4g}",
            number(row.rms_a, 2),
            unit_number(row.earliest_a, 1),
            unit_number(row.latest_a, 1),
            unit_number(None if row.earliest_a is None or row.rms_a <= 0 else row.earliest_a / row.rms_a, 2),
            unit_number(row.slowest_a, 1),
            unit_number(row.wire_a, 1),
            unit_number(None if row.slowest_a is None or row.wire_a is None else row.wire_a / row.slowest_a, 2),
        ]
        for row in exposure_figure.rows(report, place)
    ]
    heads = ("window [s]", "largest RMS [A]", "earliest opening [A]", "latest opening [A]", "earliest ÷ RMS")
    wire_heads = ("slowest fuse, cold [A]", "wire carries [A]", "wire ÷ slowest fuse")
    return table((*heads, *wire_heads), rows, words=0)


def volts_table(report: Report) -> Child:
    """Voltages in slices of current."""
    rows = [
        [
            f"{number(row.from_a, 1)} to {number(row.to_a, 1)}",
            number(row.seconds, 2),
            number(row.mean_v, 3),
            number(row.minimum_v, 3),
            number(row.maximum_v, 3),
        ]
        for row in volts_figure.rows(report)
    ]
    return table(("current [A]", "time spent [s]", "mean [V]", "minimum [V]", "maximum [V]"), rows)


def laps_table(report: Report, chosen: int, address: DriveAddress, run_id: str) -> Child:
    """One row a lap; its number brings it to the front of the picture, its start shows it in the traces."""
    rows = []
    for number_of, lap in enumerate(report.laps.each[:MAX_LAPS], 1):
        pick = html.Button(
            f"{number_of}",
            id={"type": "lap", "number": number_of},
            className="pick chosen" if number_of == chosen else "pick",
            title=f"Bring lap {number_of} to the front",
        )
        start = moment_link(
            moment(lap.start_s), f"lap {number_of}", lap.start_s, 0.0, address, run_id, until_s=lap.end_s
        )
        length_s = lap.end_s - lap.start_s
        cells = [
            unit_number(value, decimals) for value, decimals in ((lap.net_wh, 2), (lap.net_ah, 3), (lap.peak_a, 1))
        ]
        rows.append([pick, start, number(length_s, 2), *cells])
    found = table(("lap", "starts at", "time [s]", "net [Wh]", "net [Ah]", "peak [A]"), rows, words=2)
    more = len(report.laps.each) - MAX_LAPS
    if more <= 0:
        return found
    return [found, html.P(f"and {more} more: compute a part of the run to see them", className="caption")]


def energy_facts(report: Report) -> Child:
    """Energy and charge: discharged, recovered, net; power."""
    return facts(energy_rows(report))


def current_facts(report: Report, lead: str) -> Child:
    """Peak, mean and the largest RMS over fixed windows."""
    return facts(current_rows(report, lead))


def fuse_facts(report: Report, place: str) -> Child:
    """Rating, margins, and the rule they follow."""
    return facts(fuse_rows(report, place))


def wire_facts(report: Report, place: str) -> Child:
    """Ampacity and its basis, margins, drop and loss, the weakest part of the lead."""
    return facts(wire_rows(report, place))


def battery_facts(report: Report) -> Child:
    """Voltages, resistance, blocks, balance of currents."""
    return facts(battery_rows(report))


def charge_facts(report: Report) -> Child:
    """Remaining charge at this load, and what it rests on."""
    return facts(charge_rows(report))


def drive_facts(report: Report) -> Child:
    """Stalls, reversing, recovered charge, balance of both sides."""
    return facts(drive_rows(report))


def command_table(report: Report) -> Child:
    """Current by command as numbers."""
    rows = [
        [
            each.side,
            f"{100 * each.from_share:.0f} to {100 * each.to_share:.0f}",
            number(each.seconds, 1),
            f"{each.samples}",
            number(each.mean_a, 2),
            number(each.median_a, 2),
        ]
        for each in report.drive.command_map
    ]
    return table(("side", "command [%]", "time [s]", "samples", "mean [A]", "median [A]"), rows, words=2)


def uncertainty_table(report: Report) -> Child:
    """The sources of each main result's uncertainty, and what would narrow it."""
    rows = []
    for each in report.uncertainty:
        words = words_of(each.source, each.declared)
        share = "–" if each.share is None else f"{100 * each.share:.0f} %"
        rows.append([capitalised(TITLES[each.value]), share, plain(words.what), plain(words.next)])
    if not rows:
        return html.P("No main result has an interval.", className="quiet")
    return table(("result", "share", "source", "what would narrow it"), rows, words=4)
