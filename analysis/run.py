"""The one door to the logger: opens a run, applies the machine file's corrections, loads only what is asked for."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from analysis.errors import RunContentError
from analysis.gaps import find_gaps
from logger.channels import BY_NAME, BY_SI_NAME, TIME_COLUMN, Channel
from logger.clock import DRIFT_LIMIT_PPM
from logger.edits import Edits, edits_path, merged, read_edits
from logger.errors import LoggerError
from logger.machine import Machine, arrangement_mismatch, load, parse
from logger.machine_fields import Sensor
from logger.metadata import Gap, Metadata
from logger.runfile import RunFile, open_run, run_files

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Series:
    """One channel's valid samples in SI units, corrected."""

    time_s: Floats
    """Run time, shape (n,), strictly increasing."""
    value: Floats
    """Shape (n,), finite."""
    gap_after: Flags
    """Shape (n − 1,): the interval that follows the sample is a gap."""

    @property
    def interval_s(self) -> float:
        """Median sample interval; infinite for fewer than two samples."""
        return float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else float("inf")

    @property
    def sampled_s(self) -> float:
        """Time covered by samples, gaps left out."""
        return float(np.diff(self.time_s)[~self.gap_after].sum())


@dataclass(frozen=True, slots=True)
class SensorError:
    """What the machine file declares of one sensor, 1 σ, SI; None where it is silent."""

    offset_u: float | None = None
    gain_u: float | None = None
    delay_u: float | None = None
    noise: float | None = None
    resolution: float | None = None
    full_scale: float | None = None
    bandwidth_hz: float | None = None


@dataclass
class Run:
    """One run as analysis sees it. Build it with `open`."""

    path: Path
    file: RunFile
    metadata: Metadata
    edits: Edits
    machine: Machine | None
    machine_replaced: bool
    """The description came from the caller, not from the run file."""
    start_row: int
    rows: int
    time_s: Floats
    """Run time of every sample in range, shape (n,)."""
    drift_applied_ppm: float | None
    _series: dict[str, Series | None] = field(default_factory=dict)

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        machine: Path | None = None,
        from_s: float | None = None,
        to_s: float | None = None,
    ) -> Run:
        """Open a run file, or the part of it between two run times.

        Raises RunFileError, MachineFileError (logger.errors) or RunContentError, each one line.
        """
        file = open_run(path)
        if file.rows == 0:
            raise RunContentError(f"{path} holds no samples: nothing was recorded. Record the drive again.")
        edits = read_edits(path)
        metadata = merged(file.metadata, edits)
        if machine is not None:
            described: Machine | None = load(machine)
        elif metadata.machine is not None:
            described = parse(metadata.machine, "run metadata")
        else:
            described = None
        time_us = file.read([])[TIME_COLUMN].to_numpy()
        if (np.diff(time_us) <= 0).any():
            raise RunContentError(f"{path}: its time does not increase everywhere. Import it again to repair that.")
        drift = _usable_drift_ppm(metadata.clock)
        time_s = time_us * 1e-6 / (1.0 + (drift or 0.0) * 1e-6)
        first = 0 if from_s is None else int(np.searchsorted(time_s, from_s, "left"))
        last = len(time_s) if to_s is None else int(np.searchsorted(time_s, to_s, "right"))
        if last <= first:
            raise RunContentError(
                f"{path} has no samples between {from_s or 0:g} s and {to_s or time_s[-1]:g} s: "
                f"it ends at {time_s[-1]:g} s. Choose another range."
            )
        run = cls(
            path, file, metadata, edits, described, machine is not None, first, last - first, time_s[first:last], drift
        )
        if machine is not None:
            mismatch = run.arrangement_mismatch()
            if mismatch is not None:
                raise RunContentError(f"{machine} does not fit this run: {mismatch}")
        return run

    @property
    def duration_s(self) -> float:
        """Last minus first sample."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def interval_s(self) -> float | None:
        """Median interval over all samples; None for a single one."""
        return float(np.median(np.diff(self.time_s))) if self.rows > 1 else None

    def has(self, si_name: str) -> bool:
        """The run holds at least one valid sample of this channel."""
        return self.series(si_name) is not None

    def sensor(self, si_name: str) -> SensorError:
        """Declared errors of the sensor of this channel."""
        declared = self._declared(BY_SI_NAME[si_name])
        if declared is None:
            return SensorError(**self._board_terms(si_name))
        return SensorError(
            declared.offset_u,
            declared.gain_u,
            declared.delay_u,
            declared.noise,
            declared.resolution,
            declared.full_scale or self._board_terms(si_name)["full_scale"],
            declared.bandwidth_hz or self._board_terms(si_name)["bandwidth_hz"],
        )

    def _declared(self, channel: Channel) -> Sensor | None:
        if self.machine is None:
            return None
        name = channel.name.rsplit("_", 1)[0] if channel.si_unit else channel.name
        return self.machine.sensors.get(name)

    def _board_terms(self, si_name: str) -> dict[str, float | None]:
        """Full scale and filter corner as the board's own descriptor gives them."""
        terms: dict[str, float | None] = {"full_scale": None, "bandwidth_hz": None}
        board = self.metadata.board or {}
        channel = BY_SI_NAME[si_name]
        for entry in board.get("channels", ()):
            if isinstance(entry, dict) and entry.get("channel") == channel.name:
                full_scale, corner = entry.get("full_scale"), entry.get("corner_mhz")
                if isinstance(full_scale, int) and full_scale > 0:
                    terms["full_scale"] = full_scale * channel.si_per_step
                if isinstance(corner, int) and corner > 0:
                    terms["bandwidth_hz"] = corner / 1000
        return terms

    def series(self, si_name: str) -> Series | None:
        """Valid samples of one channel, corrected as (raw − offset) / (1 + gain), late by delay_s; None without any."""
        if si_name not in self._series:
            self._series[si_name] = self._load(BY_SI_NAME[si_name])
        return self._series[si_name]

    def _load(self, channel: Channel) -> Series | None:
        if channel.name not in self.file.columns:
            return None
        column = self.file.read([channel.name], self.start_row, self.rows)[channel.name]
        valid = column.is_not_null().to_numpy()
        if not valid.any():
            return None
        value = column.drop_nulls().to_numpy() * channel.si_per_step
        time_s = self.time_s if valid.all() else self.time_s[valid]
        declared = self._declared(channel)
        if declared is not None:
            value = (value - (declared.offset or 0.0)) / (1.0 + (declared.gain or 0.0))
            time_s = time_s - (declared.delay_s or 0.0)
        return Series(time_s, value.astype(np.float64), self._gaps(time_s))

    def _gaps(self, time_s: Floats) -> Flags:
        """Gaps by the interval rule, and those that a reset left without a known length."""
        gap_after = find_gaps(time_s, self.metadata.max_gap_s)
        for gap in self.metadata.gaps:
            place = int(np.searchsorted(time_s, gap.start_s + 1e-6, "right")) - 1
            if gap.end_s is None and 0 <= place < len(gap_after):
                gap_after[place] = True
        return gap_after

    def gaps(self) -> list[Gap]:
        """Gaps between the samples of the run, with the reason where the recorder knew one."""
        found = []
        for place in np.flatnonzero(self._gaps(self.time_s)):
            start, end = float(self.time_s[place]), float(self.time_s[place + 1])
            recorded = next((g for g in self.metadata.gaps if start - 1e-3 <= g.start_s * self._scale() < end), None)
            kind = recorded.kind if recorded is not None else "source"
            unknown = recorded is not None and recorded.end_s is None
            found.append(Gap(start, None if unknown else end, kind))
        return found

    def _scale(self) -> float:
        return 1.0 / (1.0 + (self.drift_applied_ppm or 0.0) * 1e-6)

    def arrangement_mismatch(self) -> str | None:
        """Why the machine description cannot be this machine's, judged by battery voltage; None where it can."""
        volts = self.series("battery_voltage_v")
        if self.machine is None or volts is None:
            return None
        return arrangement_mismatch(self.machine, float(np.median(volts.value)))

    def label(self, si_name: str) -> str:
        """How a channel is called in front of people."""
        return BY_SI_NAME[si_name].label

    @property
    def columns(self) -> tuple[str, ...]:
        """SI names of the channels that the file has."""
        return tuple(BY_NAME[name].si_name for name in self.file.columns)


def sibling_runs(path: Path) -> list[tuple[Path, Metadata, str | None]]:
    """The other runs in the folder of `path`, oldest first, with the id of their battery; unreadable ones left out."""
    found = []
    for other in run_files(path.parent):
        if other.resolve() == path.resolve():
            continue
        try:
            metadata = open_run(other).metadata
            machine = parse(metadata.machine, "run metadata") if metadata.machine else None
        except LoggerError:
            continue
        found.append((other, metadata, machine.battery.id if machine and machine.battery else None))
    return sorted(found, key=lambda item: item[1].start_utc or "")


def _usable_drift_ppm(clock: dict[str, float | None]) -> float | None:
    """Drift to correct for: known, within the limit, and larger than what the fit cannot tell."""
    drift, rate_u = clock.get("drift_ppm"), clock.get("rate_u")
    if drift is None or rate_u is None or abs(drift) > DRIFT_LIMIT_PPM or abs(drift) < 2e6 * rate_u:
        return None
    return drift


def together(first: Series, second: Series) -> tuple[Floats, Floats, Floats, Flags]:
    """Two channels at the sample times of the first, within the stretch both cover: time, first, second, gaps.

    The second is interpolated linearly where its samples lie elsewhere; an interval in which it has a gap is one here.
    """
    if first.time_s is second.time_s or np.array_equal(first.time_s, second.time_s):
        return first.time_s, first.value, second.value, first.gap_after | second.gap_after
    inside = (first.time_s >= second.time_s[0]) & (first.time_s <= second.time_s[-1])
    time_s = first.time_s[inside]
    if len(time_s) < 2:
        empty = np.empty(0)
        return empty, empty, empty, np.empty(0, bool)
    where = np.flatnonzero(inside)
    gap_after = first.gap_after[where[0] : where[-1]].copy()
    place = np.clip(np.searchsorted(second.time_s, time_s, "right") - 1, 0, len(second.gap_after) - 1)
    reach = np.concatenate(([0], np.cumsum(second.gap_after)))
    gap_after |= reach[place[1:] + 1] > reach[place[:-1]]
    return time_s, first.value[inside], np.interp(time_s, second.time_s, second.value), gap_after


OPENING_ERRORS: tuple[type[Exception], ...] = (LoggerError, RunContentError, OSError)
"""What opening a run may raise; each holds one plain line."""


@dataclass(frozen=True, slots=True)
class Glance:
    """What a list of runs needs of one run file, its samples unread."""

    run_id: str
    machine: str | None
    """Name in the machine file."""
    started_utc: str | None
    duration_s: float
    samples: int
    channels: int
    notes: tuple[str, ...]
    tags: tuple[str, ...]


def glance(path: Path) -> Glance:
    """Read what describes a run. Raises one of OPENING_ERRORS."""
    file = open_run(path)
    if file.rows == 0:
        raise RunContentError(f"{path} holds no samples: nothing was recorded. Record the drive again.")
    metadata = merged(file.metadata, read_edits(path))
    machine = parse(metadata.machine, "run metadata") if metadata.machine is not None else None
    ends = [int(file.read([], row, 1)[TIME_COLUMN][0]) for row in (0, file.rows - 1)]
    drift = _usable_drift_ppm(metadata.clock)
    duration_s = (ends[1] - ends[0]) * 1e-6 / (1.0 + (drift or 0.0) * 1e-6)
    return Glance(
        metadata.run_id,
        machine.name if machine else None,
        metadata.start_utc,
        duration_s,
        file.rows,
        len(file.columns),
        metadata.notes,
        metadata.tags,
    )


def run_stamp(path: Path) -> tuple[int, ...]:
    """Changes whenever a run file or its edits change. Raises OSError."""
    found = path.stat()
    edits = edits_path(path)
    added = edits.stat().st_mtime_ns if edits.exists() else 0
    return found.st_mtime_ns, found.st_size, added


def run_paths(folder: Path) -> list[Path]:
    """The run files of a folder by name; none where there is no such folder."""
    return list(run_files(folder))
