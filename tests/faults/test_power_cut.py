"""A power cut: what was not synced is gone, in part or whole, and the last block may be torn.

The recorder runs as a process whose fsync and rename write down what is safe on the disk from then on. After a kill the
folder is put together as a disk might hold it: everything that was safe, and of the rest as little as is allowed.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from amptally.logger.recording.recovery import recover
from tests.faults.checks import missing, numbers, sound
from tests.faults.harness import RecorderProcess, live_board

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="finds file names through /proc")

RATE_HZ = 500
MOST_LOST_S = 0.5
BLOCK = 4096
DISK_S = 0.02
"""How long the modelled disk takes for one fsync."""
HOOKED = """
import json, os, sys, time
log = os.open(os.environ["DISK_LOG"], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
fsync, replace = os.fsync, os.replace
def note(*what):
    os.write(log, json.dumps(what).encode() + b"\\n")
def hooked_fsync(handle):
    path, size = os.readlink(f"/proc/self/fd/{handle}"), os.fstat(handle).st_size
    time.sleep(float(os.environ["DISK_S"]))  # only what was there before is promised
    note("folder" if os.path.isdir(path) else "file", path, size)
def hooked_replace(old, new):
    replace(old, new)
    note("rename", str(old), str(new))
os.fsync, os.replace = hooked_fsync, hooked_replace
import amptally
sys.exit(amptally.main())
"""


@dataclass
class Disk:
    """What is safe: sizes of files by name, and the names that a synced folder has made last."""

    safe: dict[str, int]
    lasting: set[str]

    @classmethod
    def of(cls, log: Path) -> Disk:
        safe: dict[str, int] = {}
        lasting: set[str] = set()
        for line in log.read_text().splitlines():
            what, *rest = json.loads(line)
            if what == "file":
                safe[rest[0]] = rest[1]
            elif what == "rename":
                safe[rest[1]] = safe.get(rest[0], 0)
            else:
                lasting |= set(safe)
        return cls(safe, lasting)


def after_the_cut(folder: Path, disk: Disk, to: Path, rng: random.Random) -> None:
    """`folder` as the disk might hold it."""
    to.mkdir()
    for path in folder.iterdir():
        if str(path) not in disk.lasting:
            continue  # its name never reached the disk
        safe = disk.safe[str(path)]
        data = path.read_bytes()
        kept = bytearray(data[:safe])
        tail = data[safe:]
        match rng.choice(["nothing", "torn", "blocks"]):
            case "torn":
                kept += tail[: rng.randint(0, len(tail))]
            case "blocks":  # later blocks may be there while earlier ones are not
                for start in range(0, len(tail), BLOCK):
                    block = tail[start : start + BLOCK]
                    kept += block if rng.random() < 0.5 else bytes(len(block))
            case _:
                pass
        (to / path.name).write_bytes(bytes(kept))


@pytest.mark.parametrize("seed", range(5))
def test_a_cut_costs_at_most_half_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    rng = random.Random(seed)
    log = tmp_path / "disk.log"
    monkeypatch.setenv("DISK_LOG", str(log))
    monkeypatch.setenv("DISK_S", str(DISK_S))
    out = tmp_path / "runs"
    with live_board(rate_hz=RATE_HZ) as (board, port), RecorderProcess(port, out, code=HOOKED) as recorder:
        recorder.wait_for(lambda: board.written >= 300)
        time.sleep(rng.uniform(0.0, 1.0))
        if seed == 4:
            recorder.signal(signal.SIGTERM)  # cut while the run file is being written
            time.sleep(rng.uniform(0.2, 0.5))
        os.kill(recorder.process.pid, signal.SIGKILL)
        sent = board.written
        recorder.process.communicate()
    disk = Disk.of(log)
    for variant in range(6):
        cut = tmp_path / f"cut-{variant}"
        after_the_cut(tmp_path / "runs", disk, cut, rng)
        journal = next(cut.glob("*.journal"), None)
        path = next(cut.glob("*.parquet")) if journal is None else recover(journal, None)[0]
        run = sound(path)
        found = numbers(run)
        stalled_s = 4 * board.slowest_turn_s  # a machine that keeps the board waiting does so to the recorder
        assert missing(found, max(sent, found[-1] + 1)) <= (MOST_LOST_S + stalled_s) * RATE_HZ
        assert found == list(range(found[-1] + 1)) or run.metadata.faults["sequence"] > 0
        shutil.rmtree(cut)


def test_the_journal_goes_only_after_the_run_is_safe(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Order on the disk: run file synced, renamed, folder synced; only then is the journal removed."""
    log = tmp_path / "disk.log"
    monkeypatch.setenv("DISK_LOG", str(log))
    monkeypatch.setenv("DISK_S", "0")
    code = HOOKED.replace("import amptally\n", UNLINK_NOTED + "import amptally\n")
    with live_board() as (board, port), RecorderProcess(port, tmp_path / "runs", code=code) as recorder:
        recorder.wait_for(lambda: board.written >= 100)
        recorder.signal(signal.SIGTERM)
        code_found, path, said = recorder.result()
    assert code_found == 143, said
    assert path is not None
    events = [json.loads(line) for line in log.read_text().splitlines()]
    names = [(what, Path(rest[0]).name if what != "rename" else Path(rest[1]).name) for what, *rest in events]
    order = [("file", f".{path.name}.part"), ("rename", path.name), ("folder", "runs")]
    order.append(("unlink", path.with_suffix(".journal").name))
    places = []
    for step in order:
        after = places[-1] + 1 if places else 0
        places.append(names.index(step, after))
    assert places == sorted(places)
    sound(path)


UNLINK_NOTED = """
import pathlib
unlink = pathlib.Path.unlink
def hooked_unlink(self, missing_ok=False):
    note("unlink", str(self))
    unlink(self, missing_ok)
pathlib.Path.unlink = hooked_unlink
"""
