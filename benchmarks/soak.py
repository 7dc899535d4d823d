"""Does a recording stay small for a whole day? A board at 1 kHz, for 24 h as fast as it goes or minutes in real time.

    python -m benchmarks.soak day [--hours 24]
    python -m benchmarks.soak real [--minutes 10]

The board is a process of its own on a socket (day) or a pseudo-terminal (real): ten channels of 16 bits, frames of
twenty or ten samples, describe and extremes every second. The recorder is `amptally record` in another one, whose
memory and processor time are read from /proc. Linux only.
"""

from __future__ import annotations

import argparse
import os
import resource
import select
import signal
import socket
import subprocess
import sys
import tempfile
import time
import tty
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from amptally.logger.channels import BY_NAME
from amptally.logger.storage.runfile import open_run
from amptally.logger.wire.frames import Describe, Extreme, Extremes, Samples, WireChannel, encode

RATE_HZ = 1000
NAMES = (
    "battery_current_ua", "battery_voltage_uv", "midpoint_voltage_uv", "controller_voltage_uv", "left_current_ua",
    "right_current_ua", "receiver_voltage_uv", "pulse_a_us", "pulse_b_us", "fuse_temp_cc",
)  # fmt: skip
CHANNELS = tuple(
    WireChannel(BY_NAME[name].wire_id, 16, 1 if name.endswith(("us", "cc")) else 1000, 1, 0, 0, 0) for name in NAMES
)
BUSY_S = 0.2
"""A process that used less processor time than a tenth of this in that time is waiting."""


class Board:
    """Frames in order: a wandering drive, repeated every ten minutes with the times and marks of now."""

    def __init__(self, per_frame: int) -> None:
        rng = np.random.default_rng(1)
        self._per_frame = per_frame
        steps = rng.normal(0, 30, (RATE_HZ * 600, len(NAMES))).cumsum(axis=0) / 50
        self._rows = np.clip(steps + 1500, 0, 9_000).astype("<i2")
        self._sequence = 0
        self.sent = 0

    def _frame(self, message: Describe | Samples | Extremes) -> bytes:
        self._sequence = (self._sequence + 1) & 0xFFFF
        return encode(message, self._sequence)

    def second(self) -> bytes:
        """One second of frames."""
        now_us = self.sent * 1000 % 2**32
        out = [self._frame(Describe(1, 1, 1, 1000, "soak", CHANNELS))]
        out.append(self._frame(Extremes(now_us, self.sent, (Extreme(CHANNELS[0].wire_id, 0, 9_000_000, 1_000_000),))))
        for _ in range(RATE_HZ // self._per_frame):
            start = self.sent % len(self._rows)
            rows = self._rows[start : start + self._per_frame]
            out.append(self._frame(Samples(1, 1, self.sent * 1000 % 2**32, 1000, rows.tobytes(), len(rows))))
            self.sent += len(rows)
        return b"".join(out)


def serve_day(hours: float) -> None:
    """As fast as the reader takes it; then silence."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        print(server.getsockname()[1], flush=True)
        peer, _ = server.accept()
        board = Board(20)
        for _ in range(round(hours * 3600)):
            peer.sendall(board.second())
        print("sent", flush=True)
        while peer.recv(4096):
            pass


def serve_real(minutes: float) -> None:
    """At its own pace through a pseudo-terminal, in pieces as a driver hands them over."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    print(os.ttyname(slave), flush=True)
    select.select([master], [], [])
    board, began = Board(10), time.monotonic()
    lost = 0
    for second in range(round(minutes * 60)):
        data = memoryview(board.second())
        for place in range(50):
            piece = data[place * len(data) // 50 : (place + 1) * len(data) // 50]
            time.sleep(max(0.0, began + second + place / 50 - time.monotonic()))
            while piece:
                try:
                    piece = piece[os.write(master, piece) :]
                except BlockingIOError:
                    lost += 1
                    time.sleep(0.005)
    print(f"sent, the line was full {lost} times", flush=True)
    time.sleep(60)


@dataclass(frozen=True, slots=True)
class Load:
    """What a process has used."""

    memory_mb: float
    most_memory_mb: float
    cpu_s: float


def load_of(pid: int) -> Load:
    """Memory and processor time of a process."""
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    ticks = int(fields[11]) + int(fields[12])
    kb = {key: int(status[key].split()[0]) for key in ("VmRSS", "VmHWM")}
    return Load(kb["VmRSS"] / 1024, kb["VmHWM"] / 1024, ticks / os.sysconf("SC_CLK_TCK"))


def soak(kind: str, length: float) -> None:
    """Run board and recorder, watch, stop, check."""
    command = [sys.executable, "-m", "benchmarks.soak", kind, "--serve", str(length)]
    with tempfile.TemporaryDirectory() as name, subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as board:
        assert board.stdout is not None
        address = board.stdout.readline().strip()
        port = f"socket://127.0.0.1:{address}" if kind == "day" else address
        out = Path(name) / "runs"
        machine = Path(name) / "soak.toml"
        machine.write_text('[machine]\nname = "soak"\n', encoding="utf-8")
        record = ["-c", "import sys, amptally; sys.exit(amptally.main())", "record", port, "--out", str(out)]
        began = time.monotonic()
        recorder = subprocess.Popen(
            [sys.executable, *record, "--machine", str(machine)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            text=True, env={**os.environ, "XDG_STATE_HOME": name},
        )  # fmt: skip
        seen = watch(recorder.pid, board, out, began, every_s=30 if kind == "day" else 60)
        report(seen, time.monotonic() - began)
        asked = time.monotonic()
        recorder.send_signal(signal.SIGTERM)
        printed, _ = recorder.communicate()
        stop_s = time.monotonic() - asked
        used = resource.getrusage(resource.RUSAGE_CHILDREN)  # the recorder's alone: the board is still there
        worked_s = used.ru_utime + used.ru_stime - seen[-1][1].cpu_s
        board.kill()
        run = open_run(Path(printed.strip().splitlines()[-1]))
        size_mb = run.path.stat().st_size / 1e6
        print(f"Stopped in {stop_s:.1f} s, {worked_s:.1f} s of processor; exit {recorder.returncode}.")
        print(f"{run.rows:,} samples of {len(run.columns)} channels, {size_mb:.0f} MB,")
        print(f"faults {run.metadata.faults or 'none'}, gaps {len(run.metadata.gaps)}.")


def watch(pid: int, board: subprocess.Popen[str], out: Path, began: float, every_s: float) -> list[tuple[float, Load]]:
    """Loads over time until the board has sent all and the recorder has worked it off."""
    assert board.stdout is not None
    seen: list[tuple[float, Load]] = []
    sent, due = False, 0.0
    while True:
        before = load_of(pid)
        ready, _, _ = select.select([] if sent else [board.stdout], [], [], BUSY_S)
        if ready:
            print(board.stdout.readline().strip())
            sent = True
        if sent:
            time.sleep(BUSY_S)
        after = load_of(pid)
        now = time.monotonic() - began
        if now >= due:
            seen.append((now, after))
            journal = next(out.glob("*.journal"), None)
            written = 0 if journal is None else journal.stat().st_size
            print(
                f"{now:6.0f} s  {after.memory_mb:5.0f} MB  {after.cpu_s:6.1f} s of CPU  {written / 1e6:6.0f} MB",
                flush=True,
            )
            due += every_s
        if sent and after.cpu_s - before.cpu_s < BUSY_S / 10:
            seen.append((now, after))
            return seen


def report(seen: list[tuple[float, Load]], wall_s: float) -> None:
    """Memory over the run in four quarters, and the share of one processor."""
    last = seen[-1][1]
    memory = [load.memory_mb for _, load in seen[1:]] or [last.memory_mb]
    quarters = [f"{max(part):.0f}" for part in np.array_split(memory, min(4, len(memory)))]
    print(f"{wall_s:.0f} s; memory, most in each quarter: {', '.join(quarters)} MB; peak {last.most_memory_mb:.0f} MB;")
    print(f"processor {last.cpu_s:.0f} s, {100 * last.cpu_s / wall_s:.1f} % of one.")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kind", choices=("day", "real"))
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--serve", type=float, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.serve is not None:
        serve_day(args.serve) if args.kind == "day" else serve_real(args.serve)
    else:
        soak(args.kind, args.hours if args.kind == "day" else args.minutes)


if __name__ == "__main__":
    main()
