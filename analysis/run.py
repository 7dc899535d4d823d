"""The one door to the logger: opens a run, applies the machine file's corrections, loads only what is asked for."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, partial
from pathlib import Path

import numpy as np
import numpy.typing as npt

from analysis.errors import RunContentError
from analysis.gaps import find_gaps
from analysis.locate import first_row
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

LONGEST_S = 1e9
"""Thirty years: a time beyond it is damage, and too coarse in a float for the steps between samples."""


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
        at = np.flatnonzero(self.gap_after)
        if len(at) == len(self.gap_after):
            return 0.0
        return float(self.time_s[-1] - self.time_s[0] - (self.time_s[at + 1] - self.time_s[at]).sum())


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
    _flags: Flags | None = None
    _late: dict[float, Floats] = field(default_factory=dict)
    """Sample times less a delay: channels with one delay share them, so that `together` sees that they are the same."""
    _from_start: Run | None = None

    @classmethod
    def open(
        cls, path: Path, *, machine: Path | None = None, from_s: float | None = None, to_s: float | None = None
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
        drift = _usable_drift_ppm(metadata.clock)
        times_s = cache(partial(_run_time_s, file, drift))
        first = 0 if from_s is None else first_row(times_s, file.rows, from_s)
        last = file.rows if to_s is None else first_row(times_s, file.rows, math.nextafter(to_s, math.inf))
        if last <= first:
            end_s = float(times_s(file.rows - 1, 1)[0])
            raise RunContentError(
                f"{path} has no samples between {from_s or 0:g} s and {end_s if to_s is None else to_s:g} s: "
                f"it ends at {end_s:g} s. Choose another range."
            )
        time_s = times_s(first, last - first)
        run = cls(path, file, metadata, edits, described, machine is not None, first, last - first, time_s, drift)
        if machine is not None:
            mismatch = run.arrangement_mismatch()
            if mismatch is not None:
                raise RunContentError(f"{machine} does not fit this run: {mismatch}")
        return run

    def from_start(self) -> Run:
        """The same run from its first sample to the end of this part: what came before the part belongs to it too."""
        if self.start_row == 0:
            return self
        if self._from_start is None:
            rows = self.start_row + self.rows
            time_s = _run_time_s(self.file, self.drift_applied_ppm, 0, rows)
            self._from_start = replace(self, start_row=0, rows=rows, time_s=time_s, _series={}, _flags=None, _late={})
        return self._from_start

    @property
    def told_charge(self) -> float | None:
        """Charge at the start as the operator said when recording, a fraction; None where it is none."""
        said = self.metadata.start_charge
        return said if said is not None and 0 <= said <= 1 else None

    @property
    def told_rest_h(self) -> float | None:
        """Hours of rest before the start as the operator said; None where it is no such number."""
        said = self.metadata.rested_h
        return said if said is not None and 0 <= said < math.inf else None

    @property
    def duration_s(self) -> float:
        """Last minus first sample."""
        return float(self.time_s[-1] - self.time_s[0])

    @cached_property
    def interval_s(self) -> float | None:
        """Median interval over all samples; None for a single one."""
        return float(np.median(np.diff(self.time_s))) if self.rows > 1 else None

    def has(self, si_name: str) -> bool:
        """The run holds at least one valid sample of this channel."""
        return self.series(si_name) is not None

    def sensor(self, si_name: str) -> SensorError:
        """Declared errors of the sensor of this channel; full scale and filter corner also as the board tells."""
        said, board = self.declared(si_name), self._board_terms(si_name)
        full_scale, corner_hz = said.full_scale or board["full_scale"], said.bandwidth_hz or board["bandwidth_hz"]
        return SensorError(said.offset_u, said.gain_u, said.delay_u, said.noise, said.resolution, full_scale, corner_hz)

    def declared(self, si_name: str) -> Sensor:
        """The machine file's section on a channel's sensor, empty without one.

        The RMS, least and greatest current of an interval come from their lead's sensor unless they have their own.
        """
        sensors = self.machine.sensors if self.machine else {}
        name = _section(BY_SI_NAME[si_name])
        lead, found, _ = name.partition("_current_")
        return sensors.get(name) or (sensors.get(f"{lead}_current") if found else None) or Sensor()

    def _board_terms(self, si_name: str) -> dict[str, float | None]:
        """Full scale and filter corner as the board's own descriptor gives them."""
        terms: dict[str, float | None] = {"full_scale": None, "bandwidth_hz": None}
        described = (self.metadata.board or {}).get("channels")
        channel = BY_SI_NAME[si_name]
        for entry in described if isinstance(described, list) else ():
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
        column = self.file.read([channel.name], self.start_row, self.rows, with_time=False)[channel.name]
        if column.null_count() == len(column):
            return None
        valid = column.is_not_null().to_numpy()
        value = column.drop_nulls().to_numpy() * channel.si_per_step
        time_s = self.time_s if valid.all() else self.time_s[valid]
        gap_after = self._all_gaps() if valid.all() else self._gaps(time_s)
        late_s = self.declared(channel.si_name).delay_s or 0.0
        if late_s:
            time_s = self._late.setdefault(late_s, time_s - late_s) if valid.all() else time_s - late_s
        return Series(time_s, self._corrected(channel, value, valid), gap_after)

    def _corrected(self, channel: Channel, value: Floats, valid: Flags) -> Floats:
        """(raw − offset) / (1 + gain); an RMS that shares its lead's section loses the offset as squares do."""
        said = self.declared(channel.si_name)
        offset, scale = said.offset or 0.0, 1.0 + (said.gain or 0.0)
        own = self.machine is not None and _section(channel) in self.machine.sensors
        if not offset or own or not channel.si_name.endswith("_rms_a"):
            return value if not offset and scale == 1.0 else np.asarray((value - offset) / scale)
        mean = np.full(len(value), offset / 2)  # where the mean is not known the RMS stays as it is
        lead = channel.name.replace("_current_rms_", "_current_")
        if lead in self.file.columns:
            column = self.file.read([lead], self.start_row, self.rows, with_time=False)[lead]
            raw = column.fill_null(0).to_numpy() * channel.si_per_step
            mean = np.where(column.is_not_null().to_numpy(), raw, offset / 2)[valid]
        return np.asarray(np.sqrt(np.maximum(value**2 - 2 * offset * mean + offset**2, 0.0)) / scale)

    def _all_gaps(self) -> Flags:
        """Gaps between the samples of the run, whatever channels they hold."""
        if self._flags is None:
            self._flags = self._gaps(self.time_s)
        return self._flags

    def _gaps(self, time_s: Floats) -> Flags:
        """Gaps by the interval rule, and those that a reset left without a known length; times as recorded."""
        limit = self.metadata.max_gap_s
        gap_after = find_gaps(time_s, None if limit is None or math.isnan(limit) else limit)
        for gap in self.metadata.gaps:
            place = int(np.searchsorted(time_s, gap.start_s * self._scale() + 1e-6, "right")) - 1
            if gap.end_s is None and 0 <= place < len(gap_after):
                gap_after[place] = True
        return gap_after

    def gaps(self) -> list[Gap]:
        """Gaps between the samples of the run, with the reason where the recorder knew one."""
        known = sorted((gap for gap in self.metadata.gaps if math.isfinite(gap.start_s)), key=lambda gap: gap.start_s)
        starts_s = np.array([gap.start_s for gap in known]) * self._scale()
        found = []
        for place in np.flatnonzero(self._all_gaps()):
            start, end = float(self.time_s[place]), float(self.time_s[place + 1])
            at = int(np.searchsorted(starts_s, start - 1e-3))
            recorded = known[at] if at < len(known) and starts_s[at] < end else None
            unknown = recorded is not None and recorded.end_s is None
            found.append(Gap(start, None if unknown else end, recorded.kind if recorded is not None else "source"))
        return found

    @property
    def gap_unknown(self) -> bool:
        """Somewhere time went on although nobody knows how long nothing was measured."""
        return any(gap.end_s is None for gap in self.gaps())

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


def _run_time_s(file: RunFile, drift_ppm: float | None, start: int, rows: int) -> Floats:
    """Run time of so many samples from row `start` on. Raises RunContentError where it cannot be one."""
    column = file.read([], start, rows)[TIME_COLUMN]
    time_us = column.to_numpy()
    if column.null_count() or (np.diff(time_us) <= 0).any():
        raise RunContentError(f"{file.path}: its time does not increase everywhere. Import it again to repair that.")
    time_s = np.asarray(time_us * 1e-6 / (1.0 + (drift_ppm or 0.0) * 1e-6))
    if max(abs(float(time_s[0])), abs(float(time_s[-1]))) > LONGEST_S:
        raise RunContentError(f"{file.path}: its time reaches {time_s[-1]:.3g} s. Import it again with the right unit.")
    return time_s


def _section(channel: Channel) -> str:
    """Name of the channel's [sensors.*] section: its column without the unit."""
    return channel.name.rsplit("_", 1)[0] if channel.si_unit else channel.name


def sibling_runs(path: Path) -> list[tuple[Path, Metadata, str | None]]:
    """The other runs of a folder, oldest first, with the id of their battery; unreadable and empty ones left out."""
    found = []
    for other in run_files(path.parent):
        if other.resolve() == path.resolve():
            continue
        try:
            file = open_run(other)
            metadata = file.metadata
            machine = parse(metadata.machine, "run metadata") if metadata.machine else None
        except LoggerError:
            continue
        if file.rows:
            found.append((other, metadata, machine.battery.id if machine and machine.battery else None))
    return sorted(found, key=lambda item: item[1].start_utc or "")


def _usable_drift_ppm(clock: dict[str, float | None]) -> float | None:
    """Drift to correct for: known, within the limit, and larger than what the fit cannot tell."""
    drift, rate_u = clock.get("drift_ppm"), clock.get("rate_u")
    if drift is None or rate_u is None or not 2e6 * rate_u <= abs(drift) <= DRIFT_LIMIT_PPM:
        return None
    return drift


def together(first: Series, second: Series) -> tuple[Floats, Floats, Floats, Flags]:
    """Two channels at the sample times of the first, within the stretch both cover: time, first, second, gaps.

    The second is interpolated linearly where its samples lie elsewhere; an interval in which it has a gap is one here.
    """
    if first.time_s is second.time_s or np.array_equal(first.time_s, second.time_s):
        return first.time_s, first.value, second.value, first.gap_after | second.gap_after
    start = int(np.searchsorted(first.time_s, second.time_s[0]))
    inside = slice(start, int(np.searchsorted(first.time_s, second.time_s[-1], "right")))
    time_s = first.time_s[inside]
    if len(time_s) < 2:
        empty = np.empty(0)
        return empty, empty, empty, np.empty(0, bool)
    gap_after = first.gap_after[start : inside.stop - 1]
    if second.gap_after.any():
        place = np.clip(np.searchsorted(second.time_s, time_s, "right") - 1, 0, len(second.gap_after) - 1)
        reach = np.concatenate(([0], np.cumsum(second.gap_after)))
        gap_after = gap_after | (reach[place[1:] + 1] > reach[place[:-1]])
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
