"""The same drive through amptally: what is measured of our own code, each in a process of its own."""

from __future__ import annotations

import io
import json
import statistics
from pathlib import Path
from typing import Any

from benchmarks.agreed import LEADS
from benchmarks.measure import Clock


def report(path: str) -> dict[str, Any]:
    """Everything: every value with its interval, three exposure curves, fuses, wires, resistance, charge left, JSON."""
    from amptally.analysis.report.build import build_report
    from amptally.analysis.runs.run import Run

    clock = Clock()
    document = build_report(Run.open(Path(path))).as_json()
    json.dump(document, io.StringIO(), allow_nan=False)
    took = clock.took()
    return {**values(document), **took, "curve_points": len(document["current"]["battery"]["exposure"])}


def values(document: dict[str, Any]) -> dict[str, float]:
    """The values of a report that the plain alternatives compute too."""
    energy, battery = document["energy"], document["battery"]
    found = {name: energy[name]["value"] for name in
             ("net_wh", "net_ah", "discharged_ah", "recovered_ah", "mean_power_w")}  # fmt: skip
    found |= {name: battery[name]["value"] for name in
              ("min_voltage_v", "rest_voltage_v", "worst_sag_v", "receiver_min_v")}  # fmt: skip
    for lead in LEADS:
        current = document["current"][lead]
        found |= {f"{lead}_peak_a": current["peak_a"]["value"], f"{lead}_mean_a": current["mean_a"]["value"]}
        found |= {f"{lead}_rms_{window}_s_a": each["value"] for window, each in current["rms_a"].items()}
    return found


def curves(path: str) -> dict[str, Any]:
    """Read the run and compute the three exposure curves alone."""
    from amptally.analysis.exposure.exposure import window_list
    from amptally.analysis.exposure.run_exposure import prepare_exposure
    from amptally.analysis.runs.run import Run

    clock = Clock()
    run = Run.open(Path(path))
    found: dict[str, Any] = {}
    for lead in LEADS:
        exposure = prepare_exposure(run, lead)
        assert exposure is not None
        windows = window_list(exposure.duration_s, exposure.interval_s, (0.2, 0.6, 5.0, 50.0), (60.0,))
        found[lead] = [(float(window), exposure.worst(float(window)).rms_a) for window in windows]
    return {"points": len(found["battery"]), **clock.took()}


def ten_seconds(path: str, at_s: str) -> dict[str, Any]:
    """Open a long run and read ten seconds of three channels somewhere in it."""
    from amptally.analysis.runs.run import Run

    clock = Clock()
    run = Run.open(Path(path), from_s=float(at_s), to_s=float(at_s) + 10)
    series = [run.series(name) for name in ("battery_current_a", "left_current_a", "battery_voltage_v")]
    took = clock.took()
    return {"samples": sum(len(each.value) for each in series if each is not None), **took}


def zoom(path: str) -> dict[str, Any]:
    """Traces of the dashboard at forty views from the whole run to a hundredth of a second, packed as they are sent."""
    import gzip

    import numpy as np

    from amptally.analysis.runs.run import Run
    from amptally.dashboard.figures.lanes import lanes_of, usual_keys
    from amptally.dashboard.figures.traces import View, traces_figure
    from amptally.dashboard.library import OpenRun
    from amptally.dashboard.theme import LIGHT

    clock = Clock()
    opened = OpenRun(Run.open(Path(path)))
    lanes = lanes_of(opened.run)
    shown = tuple(lane for lane in lanes if lane.key in usual_keys(lanes))
    first, last = opened.run.start_s, opened.run.end_s
    traces_figure(opened, View((first, last), None, shown), LIGHT)
    took = clock.took()
    rng = np.random.default_rng(1)
    seconds, sizes = [], []
    for width in np.geomspace(last - first, 0.01, 40):
        begin = first + float(rng.uniform(0, last - first - width))
        view = View((begin, begin + float(width)), None, shown)
        each = Clock()
        sent = json.dumps(traces_figure(opened, view, LIGHT), separators=(",", ":")).encode()
        seconds.append(each.took()["seconds"])
        sizes.append(len(gzip.compress(sent, 5)))
    return {"views": len(seconds), "median_s": statistics.median(seconds), "most_bytes": max(sizes), **took}


def decode(path: str, chunk: str) -> dict[str, Any]:
    """Wire bytes to columns, in chunks of so many bytes."""
    from amptally.logger.wire.decoder import BoardDecoder

    data = Path(path).read_bytes()
    size = int(chunk)
    decoder = BoardDecoder()
    rows = total = 0
    clock = Clock()
    for start in range(0, len(data), size):
        for item in decoder.feed(data[start : start + size]):
            if hasattr(item, "values"):
                rows += len(item.values)
                total += int(item.values[-1, 0])
    return {"rows": rows, "last": total, **clock.took(), "bytes": len(data)}


def redecode(path: str, out: str) -> dict[str, Any]:
    """A journal of these bytes, four kilobytes a record, to the run file: what `recover` does."""
    from amptally.logger.recording.recovery import rebuild
    from amptally.logger.storage.journal import JournalReader, JournalWriter

    folder = Path(out)
    for stale in folder.glob("*"):
        stale.unlink()
    data = Path(path).read_bytes()
    writer = JournalWriter(folder / "again.journal", {"run_id": "again"})
    for place, start in enumerate(range(0, len(data), 4096)):
        writer.append("bytes", 1_000_000 + place * 20_000, data[start : start + 4096])
    writer.close()
    clock = Clock()
    rebuild(JournalReader(folder / "again.journal"), folder / "again.parquet", {"run_id": "again"}, "recovered")
    return {**clock.took(), "bytes": len(data)}


def write(path: str, out: str) -> dict[str, Any]:
    """A million samples in memory to a durable run file: write, fsync, read back, compare."""
    import polars as pl

    from amptally.logger.storage.runfile import write_frame
    from benchmarks.data import metadata

    frame = pl.read_parquet(path).head(1_000_000)
    target = Path(out) / "written.parquet"
    target.unlink(missing_ok=True)
    clock = Clock()
    write_frame(target, frame, metadata("written"))
    return {**clock.took(), "bytes": target.stat().st_size}


def summary(folder: str, out: str, workers: str) -> dict[str, Any]:
    """The table over a folder of runs, from nothing."""
    from amptally.analysis.report.summary import summarise_folder

    table = Path(out) / f"summary-{workers}.parquet"
    table.unlink(missing_ok=True)
    clock = Clock()
    outcome = summarise_folder(Path(folder), table, workers=int(workers))
    return {"rows": outcome.rows, "failed": outcome.failed, **clock.took()}


def windows(path: str, count: str) -> dict[str, Any]:
    """So many windows of one exposure curve; reading and preparing are not counted."""
    import numpy as np

    from amptally.analysis.exposure.run_exposure import prepare_exposure
    from amptally.analysis.runs.run import Run

    exposure = prepare_exposure(Run.open(Path(path)), "battery")
    assert exposure is not None
    lengths = np.geomspace(2 * exposure.interval_s, exposure.duration_s, int(count))
    clock = Clock()
    total = sum(exposure.worst(float(length)).rms_a for length in lengths)
    return {"total": total, **clock.took()}
