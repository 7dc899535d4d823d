"""The command that shows: view. Heavy modules are imported on first use."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any


def add_commands(commands: Any) -> None:
    """Add this package's commands to argparse's subparsers."""
    view = commands.add_parser(
        "view",
        help="show the runs of a folder in the browser",
        description="Serve the dashboard on this computer only and print its address; Ctrl-C ends it.",
    )
    view.add_argument("folder", nargs="?", type=Path, default=Path("runs"), metavar="DIR", help="default: runs")
    view.add_argument(
        "--port", type=port_number, metavar="N", help="port to serve on (default: 8731, or a free one if that is taken)"
    )
    view.add_argument("--no-browser", action="store_true", help="print the address without opening a browser")
    view.set_defaults(run=_view)


def port_number(text: str) -> int:
    """A TCP port; argparse says what is wrong with it."""
    if not text.isascii() or not text.isdigit() or not 1 <= int(text[:6]) <= 65_535:
        raise argparse.ArgumentTypeError(f"'{text}' is not a port: write a number from 1 to 65535, for example 8731")
    return int(text)


def serve(folder: Path, run_id: str | None, port: int | None, open_browser: bool) -> int:
    """Show one run, or the list of runs, until Ctrl-C; the exit code is returned."""
    from amptally.dashboard import server

    return server.serve(folder, run_id, port, open_browser)


def _view(args: argparse.Namespace) -> int:
    if args.folder.exists() and not args.folder.is_dir():
        print(f"amptally: {args.folder} is a file. Name the folder that holds the runs.", file=sys.stderr)
        return 2
    if not args.folder.exists():
        print(f"amptally: there is no folder {args.folder} yet; its runs appear once it is there.", file=sys.stderr)
    return serve(args.folder, None, args.port, not args.no_browser)
