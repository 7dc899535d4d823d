"""How the machine was driven, in words and as a table beside the picture of current by command."""

from __future__ import annotations

from dash import html

from amptally.analysis.report.build import Report
from amptally.analysis.report.text_driving import MOST_STALLS
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.wording.formatting import moment, number
from amptally.dashboard.pages.parts import Child, facts, message, plain, table


def drive_words(report: Report) -> Child:
    """Times, charge won back, balance; each stall; why there is no picture."""
    drive = report.drive
    rows: list[tuple[str, Estimate | str]] = [
        ("Stalled under command", drive.stall_s),
        ("Commanded backwards", drive.reversing_s),
        ("Share of the time backwards", drive.reversing_fraction),
        ("Charge won back", drive.regenerated_ah),
        ("Share of what went out", drive.regenerated_fraction),
        ("Peak current won back", drive.peak_recovered_a),
        ("Left side's share of the charge", drive.left_share),
    ]
    if drive.peak_recovered_at_s is not None:
        rows.insert(6, ("That peak was at", moment(drive.peak_recovered_at_s)))
    shares = [share for share in drive.laps_left_share if share is not None]
    if shares:
        words = f"{number(min(shares), 3)} to {number(max(shares), 3)} in {len(shares)} laps"
        rows.append(("Left side's share, by lap", words))
    if drive.stalls:
        stalls = [
            f"{stall.side} wheel, {stall.end_s - stall.start_s:.2f} s from {moment(stall.start_s)}"
            for stall in drive.stalls[:MOST_STALLS]
        ]
        more = len(drive.stalls) - MOST_STALLS
        rows.insert(1, ("Stalls", "; ".join(stalls) + (f"; and {more} more" if more > 0 else "")))
    found: list[Child] = [facts(rows)]
    if drive.command_map_refused is not None:
        found.append(message("No picture of current by command.", html.P(plain(f"{drive.command_map_refused}."))))
    return found


def command_table(report: Report) -> Child:
    """The map as numbers."""
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
