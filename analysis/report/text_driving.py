"""The report's section on how the machine was driven."""

from __future__ import annotations

from typing import TYPE_CHECKING

from amptally.analysis.wording.formatting import full, moment, number

if TYPE_CHECKING:
    from amptally.analysis.report.build import Report
    from amptally.analysis.report.text_page import Writer

MOST_STALLS = 12


def write_drive(page: Writer, report: Report) -> None:
    """Stalls, reversing, charge won back, balance, current by command."""
    drive = report.drive
    page.head("Drive")
    peak_at = "" if drive.peak_recovered_at_s is None else f", at {moment(drive.peak_recovered_at_s)}"
    rows = [
        ("stalled", full(drive.stall_s)),
        ("reversing", full(drive.reversing_s)),
        ("charge won back", full(drive.regenerated_ah)),
        ("share of it", full(drive.regenerated_fraction)),
        ("peak won back", f"{full(drive.peak_recovered_a)}{peak_at}"),
        ("left share", full(drive.left_share)),
    ]
    shares = [share for share in drive.laps_left_share if share is not None]
    if shares:
        rows.append(("left share by lap", f"{number(min(shares), 3)} to {number(max(shares), 3)}, {len(shares)} laps"))
    page.rows(rows)
    if drive.stalls:
        listed = [
            f"{stall.side} {stall.end_s - stall.start_s:.2f} s at {moment(stall.start_s)}" for stall in drive.stalls
        ]
        more = f", and {len(listed) - MOST_STALLS} more" if len(listed) > MOST_STALLS else ""
        page.paragraph(f"Stalls: {'; '.join(listed[:MOST_STALLS])}{more}")
    if drive.command_map_refused is not None:
        page.paragraph(f"No current by command: {drive.command_map_refused}")
        return
    page.table(
        ("side", "command %", "time s", "mean A", "median A"),
        [
            (
                each.side,
                f"{100 * each.from_share:.0f} to {100 * each.to_share:.0f}",
                number(each.seconds, 1),
                number(each.mean_a, 1),
                number(each.median_a, 1),
            )
            for each in drive.command_map
        ],
    )
