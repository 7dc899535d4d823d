"""kill -9 on `amptally record` at moments drawn at random, and what can be recovered of what is left.

Moments are drawn from the start of the process to four seconds of recording, a quarter of them on a board whose clock
runs fast, so that segments are sealed all the time, and a quarter after the recorder was asked to stop, so that the
writing of the run file is hit too. Lost: samples that the board had put on the line before the kill and that no file
holds afterwards. The tests kill twenty, `python -m benchmarks.kill_study` as many as asked.
"""

from __future__ import annotations

import random
import signal
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from amptally.logger.errors import LoggerError
from amptally.logger.recording.journal_decoder import Arrival, JournalDecoder
from amptally.logger.recording.recovery import recover
from amptally.logger.storage.journal import JournalReader
from tests.faults.checks import missing, numbers, sound
from tests.faults.harness import RecorderProcess, live_board

RATE_HZ = 500


@dataclass(frozen=True, slots=True)
class Kill:
    """One kill and what was left."""

    moment: str
    """starting, recording, sealing or stopping."""
    after_s: float
    """Time from the first sample (or from the start of the process, or from the request to stop) to the kill."""
    sent: int
    """Samples on the line before the kill."""
    lost: int
    """Of these, samples that no file holds."""
    left: str
    """nothing, journal, run or both."""
    unreadable: str
    """Why what was left could not be read; empty where it could."""
    stalled_s: float = 0.0
    """Longest that the machine kept the board waiting for the processor; the recorder was hardly better off."""


def kill_once(folder: Path, moment: str, after_s: float) -> Kill:
    """Record, kill, recover, count."""
    # A board second for every sample: a thousand samples make a segment.
    interval_us = 1_000_000 if moment == "sealing" else 1_000_000 // RATE_HZ
    with live_board(rate_hz=RATE_HZ, interval_us=interval_us) as (board, port):
        recorder = RecorderProcess(port, folder / "runs", "--baud", "115200")
        try:
            if moment != "starting":
                recorder.wait_for(lambda: board.written > 0 and recorder.journal())
            if moment == "stopping":
                time.sleep(0.8)
                recorder.signal(signal.SIGTERM)
            time.sleep(after_s)
            recorder.process.kill()
            sent = board.written
            recorder.process.communicate()
        finally:
            recorder.__exit__()
    return replace(_count(folder / "runs", moment, after_s, sent), stalled_s=board.slowest_turn_s)


def _count(runs: Path, moment: str, after_s: float, sent: int) -> Kill:
    journal = next(runs.glob("*.journal"), None)
    run = next((path for path in runs.glob("*.parquet") if not path.name.startswith(".")), None)
    left = {(False, False): "nothing", (True, False): "journal", (False, True): "run", (True, True): "both"}
    outcome = left[journal is not None, run is not None]
    try:
        # A journal without a sample yet is a loss like any other, counted below.
        if journal is not None and _samples_in(journal):
            run, _ = recover(journal, None)
        found = [] if run is None else numbers(sound(run))
    except (LoggerError, AssertionError) as error:
        return Kill(moment, after_s, sent, sent, outcome, f"{type(error).__name__}: {error}")
    # Samples sent between the kill and the moment their number was read may be there too.
    return Kill(moment, after_s, sent, max(missing(found, max([sent, *(n + 1 for n in found)])), 0), outcome, "")


def _samples_in(journal: Path) -> bool:
    """Whether there is anything to recover from a recorder that was killed while it started."""
    return any(isinstance(entry, Arrival) for entry in JournalDecoder().decode(JournalReader(journal)))


def draw(rng: random.Random, number: int) -> tuple[str, float]:
    """The moment of kill `number`."""
    moment = ("recording", "sealing", "recording", "stopping", "sealing", "recording", "stopping", "starting")[
        number % 8
    ]
    longest = {"starting": 1.5, "recording": 4.0, "sealing": 4.0, "stopping": 1.0}[moment]
    return moment, rng.uniform(0.0, longest)


def study(count: int, seed: int, parallel: int) -> list[Kill]:
    """`count` kills, `parallel` at a time."""
    rng = random.Random(seed)
    plan = [draw(rng, number) for number in range(count)]

    def one(place: int) -> Kill:
        with tempfile.TemporaryDirectory() as name:
            return kill_once(Path(name), *plan[place])

    with ThreadPoolExecutor(parallel) as pool:
        return list(pool.map(one, range(count)))
