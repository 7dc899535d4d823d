"""How often laps are counted exactly, how near their boundaries lie, and how often laps are seen where there are none.

    python -m benchmarks.lap_finder [--seeds 100] [--first-seed 0] [--workers 2] [--json FILE]

Machines, loops, numbers of laps, pace, stops and stalls are drawn from the seed and simulated (logger/simulator); the
finder was tuned on seeds 1000 to 1059. Criteria:

Count: the laps reported are floor(T + 0.02), T the distance from first to last sample in true laps. By marks: the true
crossings less one.

Boundaries: in a run without marks a lap may begin anywhere, so the place is taken from the run itself: the median true
place of its boundaries on the loop. Each boundary is compared with the moment at which the cart truly came past that
place; all of them must lie within 2 % of the run's median true lap.

None: no lap is reported.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from amptally.analysis.laps.circuits import find_laps
from amptally.analysis.laps.frames import run_frames
from amptally.analysis.laps.laps import Laps, assess_laps
from amptally.analysis.laps.per_charge import laps_in
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.runs.run import Run
from amptally.logger.simulator import Drive, Scenario, draw_cart, draw_drive, draw_scenario, draw_wander, simulate
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_frame
from benchmarks.workers import study_pool
from tests.studies.lap_runs import NOTHINGS, Truth, count, stored

Floats = npt.NDArray[np.float64]
CART = Path(__file__).parent.parent / "sample_runs" / "cart.toml"
NEAR = 0.02
MIXES = {
    "battery current alone": ("battery_current_a",),
    "battery voltage alone": ("battery_voltage_v",),
    "both channel currents": ("left_current_a", "right_current_a"),
    "both command pulses": ("pulse_a_us", "pulse_b_us"),
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """One run by one way."""

    what: str
    wanted: int
    found: int
    error: float | None
    """Greatest error of a boundary, in laps; None without boundaries."""
    seconds: float

    @property
    def exact(self) -> bool:
        """The count is right."""
        return self.found == self.wanted

    @property
    def near(self) -> bool:
        """So are all boundaries."""
        return self.exact and self.error is not None and self.error <= NEAR


def parts_of(laps: Laps) -> tuple[tuple[float, ...], ...]:
    """Boundaries of laps that follow one another."""
    parts: list[list[float]] = []
    for lap in laps.each:
        if not parts or parts[-1][-1] != lap.start_s:
            parts.append([lap.start_s])
        parts[-1].append(lap.end_s)
    return tuple(map(tuple, parts))


def machine_text(marked_by: str, length_m: float) -> str:
    """The demo cart's description with another loop."""
    text = CART.read_text(encoding="utf-8").replace("length_m = 32.7", f"length_m = {length_m:.2f}")
    return text.replace('marked_by = "marker"', f'marked_by = "{marked_by}"')


def written(folder: Path, columns: dict[str, npt.NDArray[np.int64]], machine: str | None) -> Path:
    """A run file of stored columns."""
    path = folder / f"{len(list(folder.iterdir()))}.parquet"
    frame = pl.DataFrame(
        {name: pl.Series(name, values, pl.Int64 if name == "t_us" else pl.Int32) for name, values in columns.items()}
    )
    write_frame(path, frame, Metadata(run_id=path.stem, machine=machine))
    return path


def lapped(seed: int) -> list[Outcome]:
    """A drive with laps, by every way."""
    drive = simulate(seed, scenario=draw_scenario(seed))
    truth, length_m = Truth.of(drive), drive.scenario.drive.course.length_m
    end_s = drive.duration_s
    whole = truth.complete(0.0, end_s)
    out = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for way, marked_by in (("signals", "signal"), ("distance", "distance"), ("marks", "marker")):
            path = written(folder, dict(drive.stored), machine_text(marked_by, length_m))
            out.append(_timed(f"laps, {way}", whole, path, truth))
        run = Run.open(path)
        rng = np.random.default_rng([seed, 0x1A])
        from_s, to_s = rng.uniform(15, 60), end_s - rng.uniform(15, 60)
        if to_s - from_s > 2.5 * (drive.crossings_s[-1] - drive.crossings_s[0]) / max(len(drive.crossings_s) - 1, 1):
            part = Run.open(path, from_s=from_s, to_s=to_s)
            out.append(_by_frames("laps, signals, cut at both ends", truth, part, None, from_s, to_s))
        out += [_by_frames(f"laps, {mix}", truth, run, names, 0.0, end_s) for mix, names in MIXES.items()]
        faulty = dict(drive.stored) | {"mark": faulty_marks(drive, np.random.default_rng([seed, 0x1B]))}
        path = written(folder, faulty, machine_text("marker", length_m))
        out.append(_timed("laps, faulty marks", whole, path, truth))
    return out


def faulty_marks(drive: Drive, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """The drive's marks with three in ten pressed twice within 0.7 s and, in longer drives, an inner one left out."""
    times = list(drive.crossings_s)
    if len(times) > 5:
        del times[int(rng.integers(1, len(times) - 1))]
    again = [moment + float(rng.uniform(0.1, 0.7)) for moment in times if rng.random() < 0.3]
    time_s = drive.measured["t_s"]
    return np.asarray(np.searchsorted(np.sort(times + again), time_s, "right") + rng.integers(0, 50))


def _timed(what: str, wanted: int, path: Path, truth: Truth) -> Outcome:
    run = Run.open(path)
    start = time.perf_counter()
    laps = assess_laps(run, Doubts())
    seconds = time.perf_counter() - start
    return Outcome(what, wanted, len(laps.each), truth.error(parts_of(laps)), seconds)


def _by_frames(what: str, truth: Truth, run: Run, names: tuple[str, ...] | None, from_s: float, to_s: float) -> Outcome:
    start = time.perf_counter()
    frames = run_frames(run, names)
    assert frames is not None
    found = find_laps(frames)
    seconds = time.perf_counter() - start
    wanted = truth.complete(from_s, to_s)
    return Outcome(what, wanted, count(found), truth.error(found.boundaries_s), seconds)


def lapless(seed: int) -> list[Outcome]:
    """Runs without laps: drives that never come back, one lap alone, and signals that mean nothing."""
    out = []
    wandering = Scenario(draw_cart(seed), draw_wander(seed))
    alone = draw_scenario(seed, laps=1)
    columns = {
        "none, drive that never repeats": dict(simulate(seed, scenario=wandering).stored),
        "none, one lap alone": dict(simulate(seed, scenario=alone).stored),
        **{f"none, {what}": stored(make(np.random.default_rng([seed, 0x1C]))) for what, make in NOTHINGS.items()},
    }
    with tempfile.TemporaryDirectory() as name:
        for what, table in columns.items():
            run = Run.open(written(Path(name), table, machine_text("signal", 32.7)))
            start = time.perf_counter()
            found = len(assess_laps(run, Doubts()).each)
            out.append(Outcome(what, 0, found, None, time.perf_counter() - start))
    return out


def foretold(seed: int) -> tuple[int, float | None, float | None, float | None]:
    """From the first half of a drive's laps: how many the charge of the other half gives. Truth, value, low, high."""
    drive = simulate(seed, scenario=Scenario(draw_cart(seed), draw_drive(seed, laps=14)), interval_us=10_000)
    time_s, amps = drive.measured["t_s"], drive.measured["battery_current_a"]
    charge = np.concatenate(([0.0], np.cumsum(0.5 * (amps[1:] + amps[:-1]) * np.diff(time_s)))) / 3600
    each = np.diff(np.interp(drive.crossings_s, time_s, charge))
    half = len(each) // 2
    ahead = float(each[half:].sum())
    found = laps_in(Estimate(ahead, ahead, ahead, "Ah"), each[:half])
    return len(each) - half, found.value, found.low, found.high


def table(outcomes: list[Outcome]) -> list[dict[str, object]]:
    """One row for each kind of run."""
    by_name: dict[str, list[Outcome]] = defaultdict(list)
    for outcome in outcomes:
        by_name[outcome.what].append(outcome)
    rows: list[dict[str, object]] = []
    for what, found in by_name.items():
        none = what.startswith("none")
        errors = sorted(each.error for each in found if each.exact and each.error is not None)
        rows.append(
            {
                "what": what,
                "runs": len(found),
                "count exact": None if none else sum(each.exact for each in found) / len(found),
                "none reported": sum(each.exact for each in found) / len(found) if none else None,
                "boundaries near": None if none else sum(each.near for each in found) / len(found),
                "median of greatest error": statistics.median(errors) if errors and not none else None,
                "seconds": statistics.median(each.seconds for each in found),
                "misses": [
                    (place, each.wanted, each.found)
                    for place, each in enumerate(found)
                    if not (each.exact if none else each.near)
                ],
            }
        )
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.seeds)
    outcomes: list[Outcome] = []
    with study_pool(args.workers) as pool:
        for done in pool.map(lapped, seeds):
            outcomes += done
        for done in pool.map(lapless, seeds):
            outcomes += done
        forecasts = list(pool.map(foretold, seeds))
    rows = table(outcomes)
    print("| run | runs | count exact | and boundaries within 2 % | none reported | greatest error, median | time |")
    print("|---|---|---|---|---|---|---|")
    for row in rows:
        cells = [row["count exact"], row["boundaries near"], row["none reported"], row["median of greatest error"]]
        shown = [f"{100 * cell:.{digits}f} %" if isinstance(cell, float) else "–"
                 for cell, digits in zip(cells, (0, 0, 0, 2), strict=True)]  # fmt: skip
        print(f"| {row['what']} | {row['runs']} | " + " | ".join(shown) + f" | {row['seconds']:.2f} s |")
    held = [low is not None and low <= truth and (high is None or truth <= high) for truth, _, low, high in forecasts]
    widths = [(high - low) / truth for truth, _, low, high in forecasts if low is not None and high is not None]
    print(f"\nLaps in a charge from half the drive: truth in the 95 % interval {100 * statistics.mean(held):.0f} %, "
          f"median width {100 * statistics.median(widths):.0f} %.")  # fmt: skip
    if args.json:
        args.json.write_text(json.dumps({"rows": rows, "forecasts": forecasts}, indent=1))


if __name__ == "__main__":
    main()
