"""Commands that record and import: record, ports, recover, import, machine. Heavy modules are imported on first use."""

from __future__ import annotations

import argparse
import contextlib
import math
import os
import shlex
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from amptally.logger.machine.description import Machine
    from amptally.logger.machine.problem import Problem
    from amptally.logger.recording.alarms import Observer

Commands = Any
"""What argparse returns from add_subparsers; its type is private there."""


def charge_fraction(text: str) -> float:
    """`full`, a fraction from 0 to 1, or a percentage."""
    wanted = "a fraction from 0 to 1, a percentage or full, for example 0.8 or 80%"
    if text == "full":
        return 1.0
    if text.rstrip().endswith("%"):
        return _number(text.rstrip().removesuffix("%"), 0.0, 100.0, wanted) / 100
    return _number(text, 0.0, 1.0, wanted)


def hours(text: str) -> float:
    """Hours, not negative."""
    return _number(text, 0.0, 1e6, "hours, for example 12")


def seconds(text: str) -> float:
    """Seconds, not negative."""
    return _number(text, 0.0, 1e9, "seconds, for example 120")


def positive_seconds(text: str) -> float:
    """Seconds above zero."""
    value = seconds(text)
    if value == 0:
        raise argparse.ArgumentTypeError("the time must be above 0. Write seconds, for example 120")
    return value


def wait_time(text: str) -> float:
    """Seconds, or `forever`."""
    return 1e9 if text == "forever" else _number(text, 0.0, 1e9, "seconds, for example 60, or forever")


def baud_rate(text: str) -> int | None:
    """A baud rate; None for `auto`."""
    return None if text == "auto" else round(_number(text, 1, 1e8, "a baud rate, for example 9600, or auto"))


def megabytes(text: str) -> float:
    """Megabytes, at least one."""
    return _number(text, 1.0, 1e9, "megabytes, for example 2000")


def _number(text: str, low: float, high: float, wanted: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(f"'{text}' cannot be used. Write {wanted}")
    return value


def _no_observers(machine: Machine) -> tuple[Observer, ...]:  # noqa: ARG001 (signature of every observer factory)
    return ()


def _no_problems(machine: Machine) -> tuple[Problem, ...]:  # noqa: ARG001 (signature of every further check)
    return ()


def add_commands(
    commands: Commands,
    observers: Callable[[Machine], tuple[Observer, ...]] = _no_observers,
    further_problems: Callable[[Machine], tuple[Problem, ...]] = _no_problems,
) -> None:
    """Add this package's commands.

    `observers` makes the functions that receive a machine's samples as they arrive; `further_problems` finds in a
    machine file what this package cannot compute.
    """
    _add_record(commands, observers)
    ports = commands.add_parser("ports", help="list the serial ports of this computer")
    ports.set_defaults(run=_ports)
    recover = commands.add_parser("recover", help="write the run file of a recording that was interrupted")
    recover.add_argument("journal", type=Path, metavar="JOURNAL", help="journal of the recording")
    recover.add_argument("--out", type=Path, metavar="FILE", help="run file to write (default: beside the journal)")
    recover.set_defaults(run=_recover)
    verify = commands.add_parser(
        "verify",
        help="say which run files are whole, by their checksums",
        description="Compare every byte of a run file, or of all run files of a folder, with their checksums.",
    )
    verify.add_argument("path", type=Path, metavar="FILE|DIR", help="run file, or folder of runs")
    verify.add_argument("--json", action="store_true", help="print JSON instead of lines")
    verify.set_defaults(run=_verify)
    _add_import(commands)
    _add_machine(commands, further_problems)


def _add_record(commands: Commands, observers: Callable[[Machine], tuple[Observer, ...]]) -> None:
    record = commands.add_parser(
        "record",
        help="record a drive from a board on a serial port",
        description="Record until Ctrl-C, --for, or a file named RUN.stop beside the journal.",
    )
    record.add_argument(
        "port", metavar="PORT", help="device name, socket://host:port, rfc2217://…, sim://?seed=7&speed=20"
    )
    record.add_argument("--machine", type=Path, required=True, metavar="FILE", help="machine description (TOML)")
    record.add_argument("--out", type=Path, default=Path("runs"), metavar="DIR", help="folder for runs (default: runs)")
    record.add_argument(
        "--for", dest="for_s", type=positive_seconds, metavar="SECONDS", help="stop after this run time"
    )
    record.add_argument(
        "--note", action="append", default=[], metavar="TEXT", help="note to store with the run; may be repeated"
    )
    record.add_argument(
        "--rested", type=hours, metavar="HOURS", help="hours that the battery has rested before this drive"
    )
    record.add_argument(
        "--start-charge", type=charge_fraction, metavar="FRACTION|full", help="charge at the start: 0.8, 80%% or full"
    )
    record.add_argument(
        "--keep-journal", action="store_true", help="keep the journal of raw bytes after the run file is written"
    )
    record.add_argument(
        "--wait", type=wait_time, default=0.0, metavar="SECONDS|forever", help="how long to wait for the port to appear"
    )
    record.add_argument(
        "--ring",
        type=megabytes,
        metavar="MB",
        help="unattended mode: remove the oldest runs above this folder size, and recover interrupted recordings",
    )
    record.add_argument(
        "--baud",
        type=baud_rate,
        default=None,
        metavar="N|auto",
        help="baud rate (default auto: 115200, then the other usual ones until bytes make sense)",
    )
    _add_map(record, "column of a channel where a board prints names of its own")
    record.add_argument(
        "--time", metavar="COLUMN[:UNIT]", help="time column of a board that prints another name; units s ms us"
    )
    record.add_argument(
        "--columns",
        type=lambda text: [name.strip() for name in text.split(",")],
        default=[],
        metavar="NAME,…",
        help="names of the numbers in a line, in order, of a board that prints no line of names",
    )
    record.set_defaults(run=lambda args: _record(args, observers))


def _add_map(command: argparse.ArgumentParser, what: str) -> None:
    command.add_argument(
        "--map",
        dest="maps",
        nargs="+",
        action="extend",
        default=[],
        metavar="CHANNEL=COLUMN[:UNIT]",
        help=f"{what}; units A mA uA, V mV uV, us ms, C",
    )


def _add_import(commands: Commands) -> None:
    bring = commands.add_parser(
        "import",
        help="convert a CSV or Parquet log of another logger to a run file",
        description="Example: amptally import log.csv --time t --map battery_current_a=amps --out runs/log.parquet",
    )
    bring.add_argument("file", type=Path, metavar="FILE")
    bring.add_argument("--time", default="", metavar="COLUMN[:UNIT]", help="time column; units s ms us iso epoch tod")
    _add_map(bring, "column of a channel; may be repeated")
    bring.add_argument(
        "--discharge",
        choices=("positive", "negative"),
        help="sign of discharge currents in the file (default: positive)",
    )
    bring.add_argument(
        "--max-gap", type=positive_seconds, metavar="S", help="an interval longer than this counts as a gap"
    )
    bring.add_argument(
        "--as-read", action="store_true", help="take units, signs and times as read, even where they look wrong"
    )
    bring.add_argument("--machine", type=Path, metavar="FILE", help="machine description to store with the run")
    bring.add_argument("--out", type=Path, required=True, metavar="FILE", help="run file to write")
    bring.set_defaults(run=_import)


def _add_machine(commands: Commands, further_problems: Callable[[Machine], tuple[Problem, ...]]) -> None:
    machine = commands.add_parser("machine", help="write, show or check a machine description")
    actions = machine.add_subparsers(dest="action", metavar="new|show|check", required=True)
    for name, text in (
        ("new", "write a commented template, or ask for the values"),
        ("show", "list the values of a machine description"),
        ("check", "find contradictions and missing data"),
    ):
        action = actions.add_parser(name, help=text)
        action.add_argument("file", type=Path, metavar="FILE")
        if name == "new":
            action.add_argument(
                "--ask",
                action="store_true",
                help="ask for each value and say where it stands; also goes through an existing file again",
            )
        action.set_defaults(run=lambda args: _machine(args, further_problems), action=name)


def say(text: str) -> None:
    """Progress and warnings go to stderr; where nobody reads that any more, nowhere."""
    with contextlib.suppress(OSError):
        print(text, file=sys.stderr, flush=True)


def _record(args: argparse.Namespace, observers: Callable[[Machine], tuple[Observer, ...]]) -> int:
    from amptally.logger.errors import BoardTextError
    from amptally.logger.recording.recorder import Options
    from amptally.logger.wire.said import said_by

    options = Options(
        port=args.port,
        baud=args.baud,
        out=args.out,
        machine=_load_machine(args.machine),
        for_s=args.for_s,
        notes=tuple(args.note),
        rested_h=args.rested,
        start_charge=args.start_charge,
        keep_journal=args.keep_journal,
        wait_s=args.wait,
        ring_bytes=None if args.ring is None else round(args.ring * 1e6),
        said=said_by(args.maps, args.time, args.columns),
    )
    try:
        path, exit_code = record_run(options, observers(options.machine))
    except BoardTextError as error:
        if error.maps or error.time:
            raise BoardTextError(f"{error.what} Write: {_record_again(args, error.maps, error.time)}") from error
        raise
    if path is not None:
        try:
            print(path, flush=True)
        except OSError:
            # The terminal is gone but the run is safe: unwritten output must not change the exit code.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return exit_code


def _record_again(args: argparse.Namespace, maps: tuple[str, ...], time: str | None) -> str:
    """The same command with other columns: what the operator said before, but for the channels that `maps` names."""
    channels = {entry.partition("=")[0] for entry in maps}
    entries = [entry for entry in args.maps if entry.partition("=")[0] not in channels] + list(maps)
    words = ["amptally", "record", args.port, "--machine", str(args.machine)]
    if args.out != Path("runs"):
        words += ["--out", str(args.out)]
    words += ["--map", *entries] if entries else []
    for option, value in (
        ("--time", time or args.time),
        ("--columns", ",".join(args.columns) or None),
        ("--baud", args.baud),
        ("--for", args.for_s),
        ("--rested", args.rested),
        ("--start-charge", args.start_charge),
    ):
        words += [] if value is None else [option, f"{value:g}" if isinstance(value, float) else str(value)]
    for note in args.note:
        words += ["--note", note]
    return shlex.join(words + ["--keep-journal"] * args.keep_journal)


def record_run(options: Any, observers: tuple[Observer, ...]) -> tuple[Path | None, int]:
    """Record with a status line on stderr; returns the run file (None if no sample arrived) and the exit code."""
    from amptally.logger.recording.keys import HELP, keys_of_terminal
    from amptally.logger.recording.recorder import Recorder
    from amptally.logger.recording.status_line import StatusLine

    line = StatusLine(options.machine)
    line.say(f"Recording {options.port} into {options.out}. Stop with Ctrl-C.")
    with keys_of_terminal() as keys:
        if keys is not None:
            line.say(HELP)
        outcome = Recorder(options, observers=observers, on_status=line.show, say=line.say, keys=keys).run()
    line.end()
    if outcome.path is not None:
        line.say(f"Stopped: {outcome.stop_reason}. The run is in {outcome.path}")
        line.say(f"Next: amptally report {shlex.quote(str(outcome.path))}")
    return outcome.path, outcome.exit_code


def _load_machine(path: Path) -> Any:
    from amptally.logger.machine.description import load

    return load(path)


def _ports(args: argparse.Namespace) -> int:  # noqa: ARG001 (signature of every command)
    from amptally.logger.recording.ports import list_ports

    found = list_ports()
    if not found:
        say("No serial port found. Plug the board in. On Linux, dmesg shows whether its driver sees it.")
    width = max((len(port.device) for port in found), default=0)
    for port in found:
        print(f"{port.device:<{width}}  {port.text}".rstrip())
    say("Without hardware: amptally record 'sim://?seed=7&speed=20' --machine sample_runs/cart.toml")
    return 0


def _recover(args: argparse.Namespace) -> int:
    from amptally.logger.recording.recovery import recover

    path, metadata = recover(args.journal, args.out)
    for kind, count in metadata.faults.items():
        say(f"{kind}: {count}")
    say(f"The journal was not removed: {args.journal}")
    print(path)
    return 0


def _verify(args: argparse.Namespace) -> int:
    import json

    from amptally.logger.machine.spec import printable
    from amptally.logger.storage.verify import verify

    bad, found = 0, []
    for run in verify(args.path):
        bad += run.state == "damaged"
        if args.json:
            found.append(run.as_json())
        else:
            print(printable(run.as_line(), 2000), flush=True)
    if args.json:
        print(json.dumps({"schema": 1, "runs": found}))
    return 3 if bad else 0


def _import(args: argparse.Namespace) -> int:
    from datetime import UTC, datetime

    from amptally.logger.errors import StorageError
    from amptally.logger.importing.request import Request
    from amptally.logger.recording.recorder import new_run_id
    from amptally.logger.recording.run_builder import program_version
    from amptally.logger.storage.metadata import Metadata
    from amptally.logger.storage.runfile import write_frame

    machine = None if args.machine is None else _load_machine(args.machine)
    if args.out.exists():
        raise StorageError(f"{args.out} already exists and is not overwritten. Name another file with --out.")
    rest = [("--max-gap", args.max_gap), ("--machine", args.machine)]
    request = Request(
        args.file, args.time, tuple(args.maps), args.out, args.discharge, args.as_read,
        tuple(word for name, value in rest if value is not None for word in (name, str(value))),
    )  # fmt: skip
    imported = request.read()
    for note in imported.notes:
        say(f"{note[0].upper()}{note[1:]}.")
    for repair, count in imported.repairs.items():
        say(f"{repair.replace('_', ' ')}: {count} repaired or dropped")
    start = imported.start_utc
    metadata = Metadata(
        run_id=new_run_id(),
        program=program_version(),
        start_utc=None if start is None else datetime.fromisoformat(start).astimezone(UTC).isoformat(),
        machine=None if machine is None else machine.text,
        faults=dict(imported.repairs),
        max_gap_s=args.max_gap,
        stop_reason="imported",
    )
    try:
        args.out.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(f"Cannot make the folder {args.out.parent}: {error.strerror}.") from error
    write_frame(args.out, imported.frame, metadata)
    say(f"{imported.frame.height} samples of {', '.join(imported.frame.columns[1:])}")
    print(args.out)
    return 0


def _ask(path: Path) -> bool:
    """Ask on stderr, read from stdin; whether there is a file afterwards."""
    import io

    from amptally.logger.machine.ask import ask

    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")
    return ask(path, sys.stdin.readline, say, terminal=sys.stdin.isatty())


def _machine(args: argparse.Namespace, further_problems: Callable[[Machine], tuple[Problem, ...]]) -> int:
    from amptally.logger.machine import cli as machine_cli
    from amptally.logger.machine.check import check, gravest_first

    if args.action == "new":
        if not args.ask:
            machine_cli.new(args.file)
        elif not _ask(args.file):
            return 0
        print(args.file)
        return 0
    machine = _load_machine(args.file)
    if args.action == "show":
        print(machine_cli.show(machine))
        return 0
    problems = gravest_first((*check(machine), *further_problems(machine)))
    print(machine_cli.check_text(problems))
    return 3 if any(problem.severity == "danger" for problem in problems) else 0
