"""The interface for notebooks. `import amptally as at`; docs/library.md is a worked example.

Every figure comes from the report of the run, so that it agrees with `amptally report` and is refused where the data
cannot support it. A report is computed once for each `Run` and then cached with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, TypeAlias

import polars as pl

from amptally.analysis.battery.sag import Sag
from amptally.analysis.errors import AnalysisError, ArgumentError
from amptally.analysis.exposure.current import Current
from amptally.analysis.exposure.exposure import window_rms
from amptally.analysis.forecast.remaining import Remaining
from amptally.analysis.integrals.energy import Energy
from amptally.analysis.laps.laps import Laps
from amptally.analysis.quality.doubts import Doubts
from amptally.analysis.quality.screening import judge
from amptally.analysis.report.build import Report, build_report
from amptally.analysis.results.estimate import Estimate, refuse
from amptally.analysis.results.leads import LEADS, PLACES
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs import catalogue
from amptally.analysis.runs.run import Run
from amptally.analysis.wording.catalogue import FINDINGS
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.formatting import full, moment
from amptally.analysis.wording.results import basis, phrase
from amptally.logger.errors import LoggerError

__all__ = [
    "AnalysisError",
    "CurrentExposure",
    "Estimate",
    "LoggerError",
    "Reason",
    "Report",
    "Run",
    "WorstWindow",
    "battery",
    "current",
    "energy",
    "explain",
    "exposure",
    "findings",
    "fuse_margin",
    "laps",
    "list_runs",
    "open_run",
    "remaining",
    "report",
]

Lead: TypeAlias = Literal["battery", "left", "right"]
"""A lead whose current may be measured."""
Place: TypeAlias = Literal["main", "left", "right"]
"""Position of a fuse; the main one carries the current of the battery lead."""


def open_run(
    path: str | Path, *, machine: str | Path | None = None, from_s: float | None = None, to_s: float | None = None
) -> Run:
    """Open a run file, or the part of it between two run times [s].

    `machine` is a machine file that replaces the description inside the run file.

    Raises LoggerError (no such file, not a run file, a mistake in the machine file) or AnalysisError (no samples, not
    this machine), each one line: what is wrong, where, what to do next.

    >>> run = at.open_run("drive.parquet", machine="cart.toml")
    """
    return Run.open(Path(path), machine=None if machine is None else Path(machine), from_s=from_s, to_s=to_s)


def list_runs(folder: str | Path) -> pl.DataFrame:
    """The run files of a folder as a table, newest first; of more than 2000 files the newest.

    Columns: path, run_id, machine, started_utc (text), duration_s [s], samples, notes, tags, problem. `problem` is the
    reason why a file cannot be opened, in one line; its unknown columns are null.

    Raises AnalysisError where there is no such folder.

    >>> paths = at.list_runs("runs").filter(pl.col("duration_s") > 60)["path"]
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise ArgumentError(f"{folder} is not a folder. Name the one that holds the run files, for example runs.")
    return pl.DataFrame(
        [
            (str(entry.path), *(getattr(entry.about, name, None) for name in _LISTED), entry.problem)
            for entry in catalogue.list_runs(folder)
        ],
        schema={"path": pl.String, **_LISTED, "problem": pl.String},
        orient="row",
    )


_LISTED: dict[str, pl.DataType | type[pl.DataType]] = {
    "run_id": pl.String,
    "machine": pl.String,
    "started_utc": pl.String,
    "duration_s": pl.Float64,
    "samples": pl.Int64,
    "notes": pl.List(pl.String),
    "tags": pl.List(pl.String),
}


def report(run: Run, *, rested_h: float | None = None, start_charge: float | None = None) -> Report:
    """The full report of a run; `to_json()` gives the document of docs/json.md.

    `rested_h` (hours of rest before, 0 or more) and `start_charge` (fraction of a full charge, 0 to 1) replace
    those given when recording. Computed once for each pair of them; open the run again after its files or its folder
    have changed.

    Raises AnalysisError for a number out of range.

    >>> text = at.report(run).to_json()
    """
    if rested_h is not None and not 0 <= rested_h < math.inf:
        raise ArgumentError(f"rested_h is {rested_h}: write hours of rest, 0 or more, for example 12.")
    if start_charge is not None and not 0 <= start_charge <= 1:
        raise ArgumentError(f"start_charge is {start_charge}: write a fraction from 0 to 1 (full), for example 0.8.")
    key = "report", f"{rested_h} {start_charge}"
    found = run.cache.get(key)
    if not isinstance(found, Report):
        run.cache[key] = found = build_report(run, rested_h=rested_h, fraction=start_charge)
    return found


def energy(run: Run) -> Energy:
    """Charge [Ah] and energy [Wh] out of the battery, back into it and net, mean and peak power [W]; each an Estimate.

    >>> at.energy(run).net_wh
    25.62 Wh (25.30 to 25.94)
    """
    return report(run).energy


def current(run: Run, lead: Lead) -> Current:
    """Peak, mean and largest RMS [A] of the current in one lead: battery, left or right.

    Raises AnalysisError for another lead.

    >>> at.current(run, "left").peak_a
    72.14 A or more (95 %: 71.39 or more)
    """
    return report(run).currents[_one_of(lead, LEADS, "lead")]


@dataclass(frozen=True, slots=True)
class WorstWindow:
    """The window of one length that holds the largest RMS."""

    window_s: float
    """Its length [s], of sampled time."""
    rms_a: Estimate
    """Root mean square of the current in it [A]."""
    start_s: float | None
    """Run time of its start [s]; None where the RMS is refused."""
    end_s: float | None
    """Run time of its end [s]; later than start_s + window_s where a gap lies between."""

    def __repr__(self) -> str:
        """`25.05 A (24.79 to 25.32) over 10 s from 2:31`."""
        begin = "" if self.start_s is None else f" from {moment(self.start_s)}"
        return f"{self.rms_a} over {self.window_s:g} s{begin}"


@dataclass(frozen=True, slots=True)
class CurrentExposure:
    """Exposure of one lead: how much current for how long."""

    lead: str
    """battery, left or right."""
    current: Current = field(repr=False)
    """All figures of the current."""
    doubts: Doubts = field(repr=False)
    """Doubts about the run's data."""

    def worst(self, window_s: float) -> WorstWindow:
        """The largest RMS over any window of this length [s].

        Refused where the current was not measured or is doubted, where the run is shorter than the window, or where
        the window is shorter than two sample intervals. Raises AnalysisError for a length that is not above 0.
        """
        if not 0 < window_s < math.inf:
            raise ArgumentError(f"window_s is {window_s}: write a length above 0 s, for example 10.")
        prepared = self.current.prepared
        if prepared is None:
            rms_a = refuse("A", *self.current.mean_a.reasons)
        else:
            rms_a = window_rms(prepared, window_s, self.current.error)
        rms_a = self.doubts.hold(rms_a, (f"{self.lead}_current_a", "peak"))
        if prepared is None or rms_a.value is None:
            return WorstWindow(window_s, rms_a, None, None)
        window = prepared.worst(window_s)
        return WorstWindow(window_s, rms_a, window.start_s, window.end_s)

    @property
    def curve(self) -> tuple[tuple[float, float], ...]:
        """(window [s], largest RMS [A]) from two sample intervals up to the whole run; empty where refused."""
        return self.current.exposure


def exposure(run: Run, lead: Lead) -> CurrentExposure:
    """The exposure of one lead's current (battery, left or right), ready for any length of window.

    Raises AnalysisError for another lead.

    >>> at.exposure(run, "left").worst(10.0)
    25.05 A (24.79 to 25.32) over 10 s from 2:31
    """
    return CurrentExposure(lead, current(run, lead), _doubts(run))


def fuse_margin(run: Run, place: Place) -> Estimate:
    """By how much the whole current could have been multiplied before the fuse may open, its memory included.

    Below 1 it may have opened. The low end is what the published opening times alone promise.
    `report(run).fuses[place]` says when it was warmest, against which rating, and the same against the latest opening.
    Nothing here says that a fuse is the right one.

    Raises AnalysisError for another place than main, left and right, and for a fuse that is not in the machine file.

    >>> at.fuse_margin(run, "left")
    1.28 (1.07 to 1.29)
    """
    fuses = report(run).fuses
    if _one_of(place, PLACES, "place") not in fuses:
        described = "it has no machine description" if run.machine is None else "its machine description names none"
        raise ArgumentError(
            f"{run.path}: no {place} fuse, {described}. "
            f"Describe it under [fuse.{place}] in a machine file and open the run with machine=FILE."
        )
    return fuses[place].margin


def battery(run: Run) -> Sag:
    """Voltages [V] at rest and at their lowest, sag, resistance [Ω] at three time scales, imbalance of the blocks.

    >>> at.battery(run).resistance.by_scale[1.0]
    17.90 mΩ (17.13 to 18.68)
    """
    return report(run).sag


def remaining(run: Run, *, rested_h: float | None = None, start_charge: float | None = None) -> Remaining:
    """Remaining charge [Ah], energy [Wh], time [s] and distance [m] at the load of this run.

    Options and errors as for `report`.

    >>> at.remaining(run, start_charge=0.8).charge_ah
    11.4 Ah (8.2 to 16.5)
    """
    return report(run, rested_h=rested_h, start_charge=start_charge).charge.remaining


def laps(run: Run) -> Laps:
    """The complete laps in `each` and the `method` that found them, or in `reasons` why there are none.

    >>> pl.DataFrame(at.laps(run).each).height
    9
    """
    return report(run).laps


def findings(run: Run) -> tuple[Reason, ...]:
    """Findings about the run, most severe first; each has a `code` (docs/json.md) and a `severity`.

    >>> for each in at.findings(run)[:2]:
    ...     print(each.severity, each.code)
    danger breaking_capacity
    danger breaking_capacity
    """
    return report(run).findings


def explain(subject: Estimate | Reason) -> str:
    """The sentence behind an estimate, a reason or a finding.

    For an estimate: its value and what its interval rests on, with the share of each source in the variance; or the
    reason why there is no value.

    >>> at.explain(at.energy(run).net_wh)
    '25.62 Wh (25.30 to 25.94). Basis: current gain 61 %, current offset 36 %, voltage gain 2 %.'
    """
    if isinstance(subject, Estimate):
        rests_on = basis(subject)
        return f"{full(subject)}. Basis: {rests_on}." if rests_on else f"{full(subject)}."
    if isinstance(subject, Reason) and subject.code not in FINDINGS:
        return phrase(subject)
    words = told(subject)
    return f"{words.what} Evidence: {words.evidence}. {words.next}"


def _doubts(run: Run) -> Doubts:
    """Doubts about the run's data, judged once."""
    key = "doubts", ""
    found = run.cache.get(key)
    if not isinstance(found, Doubts):
        run.cache[key] = found = judge(run)
    return found


def _one_of(name: str, known: tuple[str, ...], what: str) -> str:
    if name not in known:
        raise ArgumentError(f"'{name}' is not a {what}. Choose one of: {', '.join(known)}.")
    return name
