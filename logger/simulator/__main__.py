"""`python -m amptally.logger.simulator`: the demo cart on a port. Prints the port to open, then serves it.

It ends when the reader has closed the port and not come back, when the process that started it has ended or has closed
the pipe to its standard input, and on SIGTERM.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import math
import os
import signal
import stat
import sys
import threading
import time
from collections.abc import Sequence

from amptally.logger.simulator.board import Board
from amptally.logger.simulator.drive import Cart
from amptally.logger.simulator.host import Server, open_port
from amptally.logger.simulator.parameters import Scenario

LINGER_S = 4.0
PARENT_CHECK_S = 0.5


class Life:
    """Whether to keep serving."""

    def __init__(self) -> None:
        self._over = threading.Event()
        self._parent = os.getppid()
        self._next_check_s = 0.0

    def end(self, *_: object) -> None:
        """Stop serving; also a signal handler."""
        self._over.set()

    def watch_stdin(self) -> None:
        """Stop serving once a pipe on standard input is closed; a terminal or a file there is ignored."""
        with contextlib.suppress(OSError):
            if stat.S_ISFIFO(os.fstat(0).st_mode):
                threading.Thread(target=self._drain, daemon=True).start()

    def _drain(self) -> None:
        with contextlib.suppress(OSError):
            while os.read(0, 1024):
                pass
        self.end()

    def alive(self) -> bool:
        """Called in every pass of the serving loop."""
        now = time.monotonic()
        if now >= self._next_check_s:
            self._next_check_s = now + PARENT_CHECK_S
            if os.getppid() != self._parent:
                self.end()
        return not self._over.is_set()


def _speed(text: str) -> float:
    value = float(text)
    if not (math.isfinite(value) and value >= 0.0):
        raise argparse.ArgumentTypeError("write a multiple of real time, 0 or more (0: as fast as it is read)")
    return value


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m amptally.logger.simulator", description="Serve the demo cart on a port."
    )
    parser.add_argument("--seed", type=int, default=7, help="seed of the drive (default: 7)")
    parser.add_argument(
        "--speed", type=_speed, default=1.0, help="multiple of real time (default: 1); 0: as fast as it is read"
    )
    parser.add_argument("--socket", action="store_true", help="serve on a loopback socket instead of a pseudo-terminal")
    parser.add_argument("--laps", type=int, default=None, help="complete laps to drive (default: 9)")
    parser.add_argument("--boot", type=int, default=1, help="boot counter that the board reports (default: 1)")
    parser.add_argument("--linger", type=float, default=LINGER_S, help="seconds to wait for the reader to come back")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve one cart; returns the exit code."""
    options = _parser().parse_args(arguments)
    if options.seed < 0 or (options.laps is not None and options.laps < 0):
        _parser().error("--seed and --laps must be 0 or more")
    scenario = Scenario()
    if options.laps is not None:
        scenario = dataclasses.replace(scenario, drive=dataclasses.replace(scenario.drive, laps=options.laps))
    board = Board(Cart(options.seed, scenario), boot=options.boot)
    life = Life()
    signal.signal(signal.SIGTERM, life.end)
    signal.signal(signal.SIGINT, life.end)
    port = open_port(options.socket)
    try:
        print(port.address, flush=True)
        life.watch_stdin()
        Server(board, port, options.speed).run(options.linger, life.alive)
    finally:
        port.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
