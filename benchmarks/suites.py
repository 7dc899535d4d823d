"""What is measured, line by line; each function gives lines of the table and the values behind them."""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchmarks import data
from benchmarks.agreed import disagreements, windows_within
from benchmarks.growth import MOST, Growth
from benchmarks.measure import Taken, measure, together
from benchmarks.recording import share_of_core
from benchmarks.table import Line

ROOT = Path(__file__).parent.parent
DAY_ROWS = 24 * data.HOUR_ROWS
FLEET_ROWS = 90_000
"""Of each run of a summary: a minute at rest and half a minute of driving."""


@dataclass
class Bench:
    """Where files lie, how often each thing is run, and how large it is."""

    folder: Path
    repeats: int = 3
    rows: int = data.HOUR_ROWS
    day_rows: int = DAY_ROWS
    runs: int = 80
    values: dict[str, Any] = field(default_factory=dict)

    def drive(self, rows: int) -> Path:
        """The run file of the first `rows` samples, made once."""
        path = self.folder / f"drive-{rows}.parquet"
        return path if path.exists() else data.write_drive(path, rows)

    def csv(self, rows: int) -> Path:
        """The same as CSV."""
        path = self.folder / f"drive-{rows}.csv"
        return path if path.exists() else data.write_csv(self.drive(rows), path)


def _took(taken: Taken) -> str:
    """Wall time, and in brackets processor time."""
    return f"{taken.seconds:.2f} s ({taken.processor_s:.2f})"


def _mb(size: float) -> str:
    return f"{size / 1e6:,.0f} MB"


def _peaks(*taken: Taken) -> str:
    return ", ".join(f"{each.peak_mb:,.0f} MB" for each in taken)


def _samples(rows: int) -> str:
    return f"{rows / 1e6:.3g} M samples"


def storage(bench: Bench) -> list[Line]:
    """Size of a run file, and how long a million samples take to be written."""
    run, csv = bench.drive(bench.rows).stat().st_size, bench.csv(bench.rows).stat().st_size
    lines = []
    for what, plain, goal in (
        ("run file against its columns as plain integers", bench.rows * data.ROW_BYTES, 0.35),
        ("run file against what the converter gives", bench.rows * data.CONVERTER_ROW_BYTES, None),
        ("run file against CSV", csv, 0.10),
    ):
        met = None if goal is None else run <= goal * plain
        lines.append(Line(what, f"{_mb(run)} = {100 * run / plain:.0f} %", _mb(plain), plain / run, "",
                          _samples(bench.rows), f"{100 * goal:.0f} %" if goal else "", met))  # fmt: skip
    out = bench.folder / "out"
    out.mkdir(exist_ok=True)
    taken = measure("ours:write", bench.drive(bench.rows), out, repeats=bench.repeats)
    lines.append(Line("write a million samples, durable and compared", _took(taken), "", None,
                      _peaks(taken), "1 M samples", "0.3 s", taken.seconds <= 0.3))  # fmt: skip
    return lines


def decoding(bench: Bench) -> list[Line]:
    """Wire bytes to columns."""
    wire = bench.folder / "wire.bin"
    if not wire.exists():
        wire.write_bytes(data.wire_bytes(min(bench.rows, data.STRETCH_ROWS)))
    out = bench.folder / "journal"
    out.mkdir(exist_ok=True)
    found = together({
        "live": ("ours:decode", [wire, 4096]),
        "again": ("ours:redecode", [wire, out]),
        "decode": ("ours:decode", [wire, 1 << 20]),
    }, bench.repeats)  # fmt: skip
    lines = []
    for name, what, goal in (("live", "decode live, 4 kB chunks", 10.0), ("decode", "decode in 1 MB chunks", None),
                             ("again", "journal to run file, all of recover", 40.0)):  # fmt: skip
        taken = found[name]
        speed = taken.result["bytes"] / taken.processor_s / 1e6
        lines.append(Line(what, f"{speed:.1f} MB/s", "", None, _peaks(taken), _mb(taken.result["bytes"]),
                          f"{goal:g} MB/s" if goal else "", None if goal is None else speed >= goal))  # fmt: skip
    return lines


def recording(bench: Bench) -> list[Line]:
    """Processor time of `amptally record` at 1 kHz."""
    folder = bench.folder / "recorded"
    folder.mkdir(exist_ok=True)
    share = share_of_core(folder)
    told = f"{100 * share:.1f} % of a core"
    return [Line("record at 1 kHz", told, "", None, "", "10 channels", "3 %", share <= 0.03)]


def report(bench: Bench) -> list[Line]:
    """The full report against alternatives that compute part of it; no time is reported before the values agree."""
    run, csv = bench.drive(bench.rows), bench.csv(bench.rows)
    found = together({
        "ours": ("ours:report", [run]),
        "pandas on CSV": ("plain:pandas_csv", [csv]),
        "pandas on Parquet": ("plain:pandas_parquet", [run]),
        "numpy, five windows": ("plain:numpy_parquet", [run]),
        "SQL (duckdb)": ("plain:duckdb_sql", [run]),
        "numpy, all windows": ("plain:numpy_parquet", [run, "all"]),
        "bound": ("plain:read_and_sum", [run]),
        "curves": ("ours:curves", [run]),
    }, bench.repeats)  # fmt: skip
    windows = windows_within(bench.rows * 0.001)
    ours = found["ours"]
    for name, taken in found.items():
        if name not in ("ours", "bound", "curves"):
            wrong = disagreements(ours.result, taken.result, windows)
            if wrong:
                raise ArithmeticError(f"{name} and ours disagree: {'; '.join(wrong)}")
    bench.values["report"] = ours.result
    size = _samples(bench.rows)
    lines = [Line("full report", _took(ours), "", None, _peaks(ours), size, "1 s, 600 MB",
                  ours.seconds <= 1 and ours.peak_mb <= 600)]  # fmt: skip
    goals = {"pandas on CSV": 10.0, "pandas on Parquet": 3.0, "numpy, five windows": None, "SQL (duckdb)": None,
             "numpy, all windows": 1.0}  # fmt: skip
    for name, goal in goals.items():
        other = found[name]
        ratio = other.seconds / ours.seconds
        text = "" if goal is None else f"{goal:g} times" if goal > 1 else "faster"
        lines.append(Line(f"full report against {name}", _took(ours), _took(other), ratio,
                          _peaks(ours, other), size, text, None if goal is None else ratio > goal))  # fmt: skip
    mine, other = found["curves"], found["numpy, all windows"]
    lines.append(Line("read and three exposure curves alone, against numpy, all windows", _took(mine),
                      _took(other), other.seconds / mine.seconds, _peaks(mine, other), size, "faster",
                      mine.seconds < other.seconds))  # fmt: skip
    bound = found["bound"]
    lines.append(Line("full report against the bound: read and sum its columns", _took(ours),
                      _took(bound), bound.seconds / ours.seconds, _peaks(ours, bound), size))  # fmt: skip
    return lines


def day(bench: Bench) -> list[Line]:
    """Ten seconds out of a day, and the report of all of it."""
    run = bench.drive(bench.day_rows)
    taken = measure("ours:ten_seconds", run, 0.6 * bench.day_rows * 0.001, repeats=max(bench.repeats, 3))
    hours = bench.day_rows / data.HOUR_ROWS
    told = f"{1e3 * taken.seconds:.0f} ms ({1e3 * taken.processor_s:.0f})"
    lines = [Line(f"open {hours:.3g} h and read 10 s of three channels", told, "", None, _peaks(taken),
                  _samples(bench.day_rows), "50 ms", taken.seconds <= 0.05)]  # fmt: skip
    found = together({"hour": ("ours:report", [bench.drive(bench.rows)]), "day": ("ours:report", [run])}, 1)
    hour, day = found["hour"], found["day"]
    per_sample = day.processor_s / bench.day_rows / (hour.processor_s / bench.rows)
    lines.append(Line(f"full report of {hours:.3g} h: cost of a sample against the shorter drive",
                      f"{_took(day)}: {per_sample:.2f} times", _took(hour), None, _peaks(day, hour),
                      _samples(bench.day_rows), "1.2 times, 1.5 GB",
                      per_sample <= 1.2 and day.peak_mb <= 1500))  # fmt: skip
    return lines


def zoom(bench: Bench) -> list[Line]:
    """The traces of the dashboard at views drawn from wide to narrow: time on the server, bytes sent."""
    lines = []
    for rows, goal_s in ((bench.rows, 0.1), (bench.day_rows, 0.3)):
        taken = measure("ours:zoom", bench.drive(rows), repeats=1)
        median_s, most = taken.result["median_s"], taken.result["most_bytes"]
        lines.append(Line(f"dashboard zoom, median of {taken.result['views']} views",
                          f"{1e3 * median_s:.0f} ms, at most {most / 1e3:.0f} kB", "", None, _peaks(taken),
                          _samples(rows), f"{1e3 * goal_s:.0f} ms, 200 kB",
                          median_s <= goal_s and most <= 200_000))  # fmt: skip
    return lines


def commands(bench: Bench) -> list[Line]:
    """Time of whole commands, imports included."""
    small = ROOT / "sample_runs" / "nine-laps-marked.parquet"
    lines = []
    for what, arguments, goal in (("amptally --help", ["--help"], 0.3),
                                  ("amptally report on a small run", ["report", str(small)], 1.0)):  # fmt: skip
        times, worked = [], []
        for _ in range(max(bench.repeats, 3) + 1):
            begun, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([sys.executable, "-c", "import sys, amptally; sys.exit(amptally.main())", *arguments],
                           check=True, capture_output=True, cwd=ROOT)  # fmt: skip
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            times.append(time.perf_counter() - begun)
            worked.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        taken = statistics.median(times[1:])  # the first one finds the files cold
        told = f"{taken:.2f} s ({statistics.median(worked[1:]):.2f})"
        lines.append(Line(what, told, "", None, "", "", f"{goal} s", taken <= goal))
    return lines


def _fleet(bench: Bench, runs: int) -> Path:
    """A folder of so many short runs, all of them hard links to a few with ids of their own."""
    folder = bench.folder / f"fleet-{runs}"
    if not folder.exists():
        folder.mkdir()
        source = bench.folder / "fleet-source.parquet"
        if not source.exists():
            data.write_drive(source, min(bench.rows, FLEET_ROWS))
        for number in range(runs):
            os.link(source, folder / f"run-{number:05d}.parquet")
    return folder


def summary(bench: Bench) -> list[Line]:
    """Many runs on one core and on two."""
    folder, out = _fleet(bench, bench.runs), bench.folder / "out"
    out.mkdir(exist_ok=True)
    found = together({"one": ("ours:summary", [folder, out, 1]), "two": ("ours:summary", [folder, out, 2])}, 1)
    one, two = found["one"], found["two"]
    return [Line(f"summary of {bench.runs} runs: two processes against one", f"{two.seconds:.1f} s",
                 f"{one.seconds:.1f} s", one.seconds / two.seconds, _peaks(two, one),
                 f"{bench.runs} × {min(bench.rows, FLEET_ROWS):,} samples", "1.8 times",
                 one.seconds / two.seconds >= 1.8)]  # fmt: skip


def growths(bench: Bench) -> list[Growth]:
    """Processor time against samples, windows and runs."""
    shares = (0.125, 0.25, 0.5, 1.0)
    sizes = [int(bench.rows * share) for share in shares]
    samples = together({str(rows): ("ours:report", [bench.drive(rows)]) for rows in sizes}, bench.repeats)
    counts = (25, 50, 100, 200, 400)
    run = bench.drive(bench.rows)
    windows = together({str(count): ("ours:windows", [run, count]) for count in counts}, bench.repeats)
    fleet = [max(bench.runs // share, 2) for share in (8, 4, 2)]
    out = bench.folder / "out"
    out.mkdir(exist_ok=True)
    runs = together({str(n): ("ours:summary", [_fleet(bench, n), out, 1]) for n in fleet}, 1)

    def line(name: str, against: str, points: list[int], taken: dict[str, Taken]) -> Growth:
        return Growth(name, against, tuple(map(float, points)), tuple(taken[str(n)].processor_s for n in points))

    return [
        line("samples", "samples, full report", sizes, samples),
        line("windows", "windows of an exposure curve", list(counts), windows),
        line("runs", "runs of a summary, one process", fleet, runs),
    ]


def growth_lines(found: list[Growth]) -> list[Line]:
    """One line a picture."""
    return [Line(f"growth with {growth.against}", f"exponent {growth.exponent:.2f}", "", None, "",
                 f"{growth.sizes[0]:,.0f} to {growth.sizes[-1]:,.0f}", f"{MOST}", growth.exponent <= MOST)
            for growth in found]  # fmt: skip


def tidy(folder: Path) -> None:
    """Remove what was made."""
    shutil.rmtree(folder, ignore_errors=True)
