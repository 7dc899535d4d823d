"""Builds the command line from the commands of the three packages; the only module that knows all of them."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from amptally.analysis import cli as analysis_cli
from amptally.analysis.errors import AnalysisError, CannotWriteError
from amptally.dashboard import cli as dashboard_cli
from amptally.logger import cli as logger_cli
from amptally.logger.errors import (
    ImportDataError,
    ImportRequestError,
    JournalError,
    LoggerError,
    MachineFileError,
    PortError,
    RunFileError,
    StorageError,
)

if TYPE_CHECKING:
    from amptally.logger.machine.description import Machine
    from amptally.logger.machine.problem import Problem
    from amptally.logger.recording.alarms import Observer

USAGE, BAD_FILE, NO_PORT, CANNOT_WRITE = 2, 3, 4, 5
_EXIT_CODES: tuple[tuple[type[Exception], int], ...] = (
    (StorageError, CANNOT_WRITE),
    (CannotWriteError, CANNOT_WRITE),
    (PortError, NO_PORT),
    (MachineFileError, BAD_FILE),
    (RunFileError, BAD_FILE),
    (JournalError, BAD_FILE),
    (ImportRequestError, USAGE),
    (ImportDataError, BAD_FILE),
    (AnalysisError, BAD_FILE),
)


class Parser(argparse.ArgumentParser):
    """Argument parser that reports a wrong call in one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}. See: {self.prog} --help\n")


def build_parser() -> argparse.ArgumentParser:
    """The parser with all commands. Building it imports no heavy module."""
    parser = Parser(
        prog="amptally",
        description="Record drives of small battery-electric two-wheel machines, and show how close they came to the "
        "limits of fuses, battery and receiver supply.",
        epilog="To start: amptally demo",
    )
    parser.add_argument("--version", action="store_true", help="print the version and exit")
    parser.add_argument("--debug", action="store_true", help="show a traceback on failure")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)
    demo = commands.add_parser(
        "demo",
        help="record a simulated drive over a serial port, report it and show it in the browser",
        description="A seedling-tray cart drives its aisle loop in a nursery; no hardware is needed.",
    )
    demo.add_argument("--no-browser", action="store_true", help="exit after recording and reporting")
    demo.add_argument("--out", type=Path, default=Path("runs"), metavar="DIR", help="folder for runs (default: runs)")
    demo.set_defaults(run=_demo)
    logger_cli.add_commands(commands, observers, further_problems)
    analysis_cli.add_commands(commands)
    dashboard_cli.add_commands(commands)
    return parser


DEMO_PORT = "sim://?seed=7&speed=30"
DEMO_S = 285.0
"""Run time of the demo: the drive of seed 7 with the rest before and after it."""


def _demo(args: argparse.Namespace) -> int:
    """Record the simulated cart with the same recorder as any board, report the run, and show it."""
    from amptally.logger.machine.description import parse
    from amptally.logger.recording.recorder import Options

    text = resources.files("amptally.logger.simulator").joinpath("cart.toml").read_text(encoding="utf-8")
    options = Options(
        port=DEMO_PORT,
        baud=115_200,
        out=args.out,
        machine=parse(text, "cart.toml"),
        for_s=DEMO_S,
        notes=("demo: simulated cart, invented data",),
        start_charge=1.0,
    )
    path, exit_code = logger_cli.record_run(options, observers(options.machine))
    if path is None:
        return exit_code
    print(analysis_cli.page_of(path))
    print(path, flush=True)
    if args.no_browser or exit_code:
        return exit_code
    # The path must be the last line on stdout.
    with contextlib.redirect_stdout(sys.stderr):
        return dashboard_cli.serve(args.out, path.stem, None, True)


def observers(machine: Machine) -> tuple[Observer, ...]:
    """Observers of a machine's samples while recording: the alarms of `amptally.analysis.alarms.watch`."""
    import numpy as np

    from amptally.analysis.alarms.limits import fuse_limits, watch_limits
    from amptally.analysis.alarms.watch import WATCHED, Watch, to_si
    from amptally.analysis.results.reason import Reason
    from amptally.analysis.wording.of_alarms import unwatched
    from amptally.logger.channels import BY_SI_NAME
    from amptally.logger.wire.frames import INT64_NULL

    watch = Watch(watch_limits(machine))
    left_out = [f"{place} ({unwatched(why)})" for place, why in fuse_limits(machine).items() if isinstance(why, Reason)]
    if left_out:
        logger_cli.say(f"Not watched by alarms: fuse {', fuse '.join(left_out)}.")
    channels = {BY_SI_NAME[name].name: BY_SI_NAME[name] for name in WATCHED}

    def see(
        run_us: np.ndarray[tuple[int], np.dtype[np.int64]],
        columns: dict[str, np.ndarray[tuple[int], np.dtype[np.int64]]],
    ) -> list[dict[str, object]]:
        si = {
            channels[name].si_name: to_si(stored, channels[name].si_per_step, INT64_NULL)
            for name, stored in columns.items()
            if name in channels
        }
        return [alarm.as_json() for alarm in watch.take(run_us.astype(np.float64) * 1e-6, si)]

    return (see,)


def further_problems(machine: Machine) -> tuple[Problem, ...]:
    """What a report finds in a machine file alone, for `machine check`."""
    from amptally.analysis.report.machine_file import problems_of_fuses

    return problems_of_fuses(machine)


def _version() -> str:
    from amptally.logger.recording.run_builder import program_version

    return program_version()


def _open_closed_streams() -> None:
    """Let streams that the caller closed (`2>&-`) lead nowhere.

    Otherwise the next file opened takes their number, and a message of the system or a library goes into the journal.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number, which is this one
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))


def _one_line(text: str) -> str:
    """Text that may hold names from files, without anything that could steer a terminal."""
    return "".join(letter if letter.isprintable() else "?" for letter in " ".join(text.splitlines()))


def main() -> int:
    """Run the command in sys.argv; the exit code is returned."""
    _open_closed_streams()
    # Before numpy is imported: our matrices are small, and idle BLAS threads would keep a core busy.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    parser = build_parser()
    arguments = sys.argv[1:]
    debug = "--debug" in arguments
    try:
        args = parser.parse_args([argument for argument in arguments if argument != "--debug"])
        if args.version:
            print(f"amptally {_version()}")
            return 0
        if args.command is None:
            parser.print_help()
            return 2
        return int(args.run(args))
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader closed our output, for example `| head`: not an error.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except (LoggerError, AnalysisError) as error:
        if debug:
            raise
        logger_cli.say(f"amptally: {_one_line(str(error))}")
        return next((code for kind, code in _EXIT_CODES if isinstance(error, kind)), BAD_FILE)
    except Exception as error:
        if debug:
            raise
        text = f"unexpected {type(error).__name__}: {_one_line(str(error))[:300]}"
        logger_cli.say(f"amptally: {text}. This is a defect: run the command again with --debug and report it.")
        return 1
