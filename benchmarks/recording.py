"""What recording at 1 kHz costs: the real command on a TCP port, fed in real time, its processor time by run length."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

from benchmarks.data import ROWS_PER_FRAME, machine_text, wire_bytes

_COMMAND = "import sys, amptally; sys.exit(amptally.main())"
_TURN_S = 0.02


def _feed(listener: socket.socket, frames: list[bytes], frame_s: float) -> None:
    """Send frames as fast as time goes on, to the one recorder that connects, until it leaves."""
    connection, _ = listener.accept()
    begun, sent = time.monotonic(), 0
    with connection:
        while sent < len(frames):
            due = min(int((time.monotonic() - begun) / frame_s), len(frames))
            try:
                connection.sendall(b"".join(frames[sent:due]))
            except OSError:
                return
            sent = due
            time.sleep(_TURN_S)


def _processor_s(folder: Path, for_s: int) -> float:
    """Processor time of one recording of so many seconds, all its threads."""
    data = wire_bytes((for_s + 5) * 1000)
    frames = [frame + b"\0" for frame in data.split(b"\0")[:-1]]
    machine = folder / "bench.toml"
    machine.write_text(machine_text(), encoding="utf-8")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        feeder = threading.Thread(target=_feed, args=(listener, frames, ROWS_PER_FRAME / 1000), daemon=True)
        feeder.start()
        command = [sys.executable, "-c", _COMMAND, "record", f"socket://127.0.0.1:{port}", "--machine", str(machine),
                   "--out", str(folder), "--for", str(for_s)]  # fmt: skip
        started = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        _, status, used = os.wait4(started.pid, 0)
        started.returncode = os.waitstatus_to_exitcode(status)
        if started.stderr is not None:
            said = started.stderr.read().decode()
            started.stderr.close()
    if started.returncode:
        raise RuntimeError(f"the recording failed: {said.strip().splitlines()[-1] if said else started.returncode}")
    return used.ru_utime + used.ru_stime


def share_of_core(folder: Path, short_s: int = 10, long_s: int = 40) -> float:
    """Processor seconds per second of recording: the difference of two lengths, so that start and end cancel."""
    return (_processor_s(folder, long_s) - _processor_s(folder, short_s)) / (long_s - short_s)
