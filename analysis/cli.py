"""The commands that compute: report, summary. Heavy modules are imported on first use."""

from __future__ import annotations

import argparse
import contextlib
import gc
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from amptally.logger.cli import charge_fraction, hours, seconds


def add_commands(commands: Any) -> None:
    """Add this package's commands to argparse's subparsers."""
    report = commands.add_parser(
        "report",
        help="report a run: fuse margin, sag, energy, remaining charge",
        description="Print one page of answers, with --full every figure, or with --json the document of docs/json.md.",
    )
    report.add_argument("run_file", type=Path, metavar="RUN", help="run file (.parquet)")
    report.add_argument("--machine", type=Path, metavar="FILE", help="use this description instead of the run's own")
    report.add_argument("--full", action="store_true", help="print every figure and finding after the answers")
    report.add_argument("--json", action="store_true", help="print JSON instead of the page")
    report.add_argument("--html", type=Path, metavar="FILE", help="also write the page as one self-contained HTML file")
    report.add_argument(
        "--from", dest="from_s", type=seconds, metavar="S", help="start at this run time (default: start of the run)"
    )
    report.add_argument(
        "--to", dest="to_s", type=seconds, metavar="S", help="end at this run time (default: end of the run)"
    )
    report.add_argument(
        "--rested", type=hours, metavar="HOURS", help="hours that the battery had rested before the drive"
    )
    report.add_argument(
        "--start-charge", type=charge_fraction, metavar="FRACTION|full", help="charge at the start, 0 to 1 or full"
    )
    report.set_defaults(run=_report)
    summary = commands.add_parser(
        "summary",
        help="make one table of all runs in a folder",
        description="Print a table with one row per run, and write every column of it with --out; unchanged runs are "
        "not computed again then.",
    )
    summary.add_argument("folder", type=Path, metavar="DIR", help="folder with run files")
    summary.add_argument(
        "--out", type=Path, metavar="FILE", help="table to write or update: CSV where it ends in .csv, else Parquet"
    )
    summary.add_argument(
        "--workers", type=int, metavar="N", help="number of processes on this computer (default: one per core)"
    )
    summary.add_argument(
        "--scheduler", metavar="ADDRESS", help="address of a Dask cluster that can read the same files"
    )
    summary.set_defaults(run=_summary)


def _summary(args: argparse.Namespace) -> int:
    from amptally.analysis.report.summary import summarise_folder

    def progress(done: int, total: int) -> None:
        if done == total or done % 20 == 0:
            print(f"{done} of {total} runs", file=sys.stderr, flush=True)

    outcome = summarise_folder(
        args.folder, args.out, workers=args.workers, scheduler=args.scheduler, on_progress=progress
    )
    failed = f", {outcome.failed} could not be read (column error)" if outcome.failed else ""
    print(f"{outcome.rows} runs: {outcome.computed} computed, {outcome.reused} unchanged{failed}", file=sys.stderr)
    from amptally.analysis.report.summary_page import summary_lines

    for line in summary_lines(outcome.table):
        print(line)
    if args.out is not None:
        print(args.out)
    return 0


def page_of(path: Path) -> str:
    """The report of a run as a terminal page."""
    from amptally.analysis.report.build import build_report
    from amptally.analysis.report.text_page import render_first, wants_colour
    from amptally.analysis.runs.run import Run

    return render_first(build_report(Run.open(path)), colour=wants_colour(sys.stdout))


@contextlib.contextmanager
def _importing() -> Iterator[None]:
    """Import without garbage collection, since all imports stay in memory: saves a twentieth of a small report."""
    collected = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if collected:
            gc.enable()


def _report(args: argparse.Namespace) -> int:
    with _importing():
        from amptally.analysis.errors import RunContentError
        from amptally.analysis.report.build import build_report
        from amptally.analysis.report.text_page import render, render_first, wants_colour
        from amptally.analysis.runs.run import Run

    if args.from_s is not None and args.to_s is not None and args.to_s <= args.from_s:
        raise RunContentError(f"--to {args.to_s:g} is not after --from {args.from_s:g}: nothing lies between them.")
    run = Run.open(args.run_file, machine=args.machine, from_s=args.from_s, to_s=args.to_s)
    report = build_report(run, rested_h=args.rested, fraction=args.start_charge)
    if args.html is not None:
        from amptally.analysis.report.html_page import write_sheet

        write_sheet(args.html, report)
    if args.json:
        json.dump(report.as_json(), sys.stdout, allow_nan=False)
        sys.stdout.write("\n")
        return 0
    page = render if args.full else render_first
    sys.stdout.write(page(report, colour=wants_colour(sys.stdout)))
    return 0
