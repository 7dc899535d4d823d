"""The tables of a drive's page: the same figures as the pictures, and those that have no picture."""

from __future__ import annotations

import numpy as np
from dash import html

from amptally.analysis.report.answers import ENDS
from amptally.analysis.report.build import Report
from amptally.analysis.report.text_page import SOURCES
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.wording.formatting import full, moment, number
from amptally.analysis.wording.of_protection import conductor, part_name
from amptally.analysis.wording.other_ratings import other_ratings
from amptally.analysis.wording.results import phrase, sentences
from amptally.dashboard.address import DriveAddress
from amptally.dashboard.figures import exposure as exposure_figure
from amptally.dashboard.figures import volts as volts_figure
from amptally.dashboard.figures.plot import clock
from amptally.dashboard.figures.traces import View
from amptally.dashboard.library import OpenRun
from amptally.dashboard.pages.cards import moment_link, unit_number
from amptally.dashboard.pages.parts import Child, facts, plain, table

SLICES = 24
"""Rows of the table beside the traces."""
MOST_LAPS = 100
"""Rows of the lap table; a longer one is slow to build in a browser."""


def traces_table(opened: OpenRun, view: View) -> Child:
    """Least and greatest of every shown channel in equal stretches of what is in view."""
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
        [clock(float(edges[place]), 2, "s"), *(_range(least[place], greatest[place]) for least, greatest in columns)]
        for place in range(SLICES)
    ]
    return table(heads, rows)


def _range(least: float, greatest: float) -> str:
    if not np.isfinite(least):
        return "–"
    decimals = 0 if max(abs(least), abs(greatest)) >= 1000 else 2
    low, high = number(float(least), decimals), number(float(greatest), decimals)
    return low if low == high else f"{low} to {high}"


def exposure_table(report: Report, place: str) -> Child:
    """Largest RMS and both limits by window length."""
    rows = [
        [
            f"{row.window_s:.4g}",
            number(row.rms_a, 2),
            unit_number(row.earliest_a, 1),
            unit_number(row.latest_a, 1),
            unit_number(None if row.earliest_a is None or row.rms_a <= 0 else row.earliest_a / row.rms_a, 2),
        ]
        for row in exposure_figure.rows(report, place)
    ]
    return table(
        ("window [s]", "largest RMS [A]", "earliest opening [A]", "latest opening [A]", "earliest ÷ RMS"), rows, words=0
    )


def volts_table(report: Report) -> Child:
    """Voltages met in slices of current."""
    rows = [
        [
            f"{number(row.from_a, 1)} to {number(row.to_a, 1)}",
            number(row.seconds, 2),
            number(row.mean_v, 3),
            number(row.least_v, 3),
            number(row.greatest_v, 3),
        ]
        for row in volts_figure.rows(report)
    ]
    return table(("current [A]", "time spent [s]", "mean [V]", "least [V]", "greatest [V]"), rows)


def laps_table(report: Report, chosen: int, address: DriveAddress, run_id: str) -> Child:
    """One row a lap; its number brings it to the front of the picture, its start into the traces."""
    rows = []
    for number_of, lap in enumerate(report.laps.each[:MOST_LAPS], 1):
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
    more = len(report.laps.each) - MOST_LAPS
    if more <= 0:
        return found
    return [found, html.P(f"and {more} more: compute a part of the run to see them", className="caption")]


def energy_facts(report: Report) -> Child:
    """Energy and charge: out, in, net."""
    energy = report.energy
    return facts(
        [
            ("Energy out", energy.discharged_wh),
            ("Energy recovered", energy.recovered_wh),
            ("Energy, net", energy.net_wh),
            ("Charge out", energy.discharged_ah),
            ("Charge recovered", energy.recovered_ah),
            ("Charge, net", energy.net_ah),
            ("Mean power", energy.mean_power_w),
            ("Peak power", energy.peak_power_w),
        ]
    )


def current_facts(report: Report, lead: str) -> Child:
    """Peak, mean and the largest RMS over fixed windows."""
    current = report.currents[lead]
    rows = [("Peak", current.peak_a), ("Mean", current.mean_a)]
    return facts(rows + [(f"RMS over {window} s", value) for window, value in current.rms_a.items()])


def fuse_facts(report: Report, place: str) -> Child:
    """Rating, margins, and the rule they follow."""
    lead = report.fuse_leads[place]
    fuse = lead.result
    return facts(
        [
            ("Rating", f"{fuse.rating_a:g} A" if fuse.rating_a else "not given in the machine file"),
            ("In this air", f"{fuse.derated_a:.1f} A" if fuse.derated_a else "not given"),
            ("Margin to earliest opening", fuse.margin),
            ("Margin to latest opening", fuse.margin_latest),
            ("Time above rating", fuse.seconds_above_rating),
            ("Continuous share of rating", fuse.continuous_fraction),
            ("Current", SOURCES[fuse.current_from]),
            ("Rule", plain(sentences(fuse.rule))),
            ("Other ratings", plain(other_ratings(lead.advice))),
        ]
    )


def wire_facts(report: Report, place: str) -> Child:
    """Ampacity and its basis, margins, drop and loss, the weakest part of the lead."""
    path = report.paths[place]
    wire = path.wire
    ampacity = f"{wire.ampacity_a:.1f} A" if wire.ampacity_a else "not given"
    rows: list[tuple[str, Estimate | str]] = [
        ("Conductor", plain(conductor(wire.conductor))),
        ("Ampacity", f"{ampacity}: {phrase(wire.ampacity_basis)}"),
        ("Margin", wire.margin),
        ("Adiabatic margin", wire.adiabatic_margin),
        ("Drop at peak", wire.drop_v),
        ("Loss", wire.loss_w),
        ("Verdict", {"under": "under its limits", "over": "over a limit", "unknown": "not decided"}[wire.verdict]),
    ]
    if path.weakest is not None:
        rows.append(("Lowest rating in this lead", f"{part_name(path.weakest.part)}, {path.weakest.rating_a:.3g} A"))
    return facts(rows)


def battery_facts(report: Report) -> Child:
    """Voltages, resistance, blocks, balance of currents."""
    sag = report.sag
    rows: list[tuple[str, Estimate | str]] = [
        ("Rest voltage", sag.rest_voltage_v),
        ("Least voltage", sag.min_voltage_v),
        ("Worst sag", sag.worst_sag_v),
        *((f"Resistance, {scale:g} s after a step", value) for scale, value in sag.resistance.by_scale.items()),
        ("Open-circuit voltage", sag.resistance.open_circuit_v),
        ("Lower − upper block at rest", sag.block_imbalance_v),
        ("Receiver supply at its lowest", sag.receiver_min_v),
        ("Battery − left − right current", sag.balance_residual_a),
    ]
    if sag.weak_block:
        rows.append(("Weak block", sag.weak_block))
    return facts(rows)


def uncertainty_table(report: Report) -> Child:
    """What the interval of each main result rests on, and what would narrow it."""
    rows = [
        [
            each.title.capitalize(),
            "–" if each.share is None else f"{100 * each.share:.0f} %",
            plain(each.what),
            plain(each.next),
        ]
        for each in report.uncertainty
    ]
    if not rows:
        return html.P("No main result has an interval.", className="quiet")
    return table(("result", "share", "rests on", "what would narrow it"), rows, words=4)


def charge_facts(report: Report) -> Child:
    """What the battery still gives at this load."""
    charge = report.charge
    left = charge.remaining
    sources = {
        "stated": "as stated when recording",
        "rest": "from rest voltage",
        "ledger": "from earlier runs of this battery",
        "none": "not known",
    }
    rows: list[tuple[str, Estimate | str]] = [
        ("Charge at the start", f"{full(charge.start.whole)}, {sources.get(charge.start.source, charge.start.source)}")
        if charge.start.whole.value is not None
        else ("Charge at the start", charge.start.whole),
        ("State of charge at the end", charge.state_of_charge),
        ("Charge left", left.charge_ah),
        ("Energy left", left.energy_wh),
        ("Runtime left", left.runtime_s),
        ("Distance left", left.distance_m),
        ("Ended by", ENDS[left.ends_by] if left.ends_by else "not given"),
        ("Laps on a full charge", report.laps_per_charge),
        ("Laps left", report.laps_remaining),
    ]
    return facts(rows)
