"""Any rows of a run file as corrected samples in SI units."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from threading import get_ident
from typing import Literal

import numpy as np
import polars as pl

from amptally.analysis.errors import RunContentError
from amptally.analysis.results.leads import CURRENTS
from amptally.analysis.results.sensor_error import SensorError
from amptally.analysis.runs.columns import PassReader, in_units
from amptally.analysis.runs.corrections import corrected_rms, declared, offset_in_squares, sensor_error, sum_error
from amptally.analysis.runs.sample_times import UNORDERED, SampleTimes
from amptally.analysis.signals.gaps import GapRule
from amptally.analysis.signals.series import Flags, Floats, Places, Series, together
from amptally.analysis.signals.timeline import Timeline
from amptally.logger.channels import BY_NAME, BY_SI_NAME, Channel
from amptally.logger.errors import RunFileError
from amptally.logger.machine.description import Machine
from amptally.logger.machine.fields import Sensor
from amptally.logger.machine.sensor_place import ASSUMED_LEG
from amptally.logger.storage.edits import Edits
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import RunFile

AT_ONCE_ROWS = 1_000_000
"""Runs with no more samples are read as one block; longer ones block by block, wherever that is enough."""
BATTERY_CURRENT, *SIDE_CURRENTS = CURRENTS
BELIEVABLE_A = BY_SI_NAME["battery_current_a"].valid[1] * BY_SI_NAME["battery_current_a"].si_per_step
"""The limit of a stored current: beyond it an extreme is damage."""
STRETCH_ROWS = 240_000
"""Four row groups of a recorded file: arrays of its samples still fit in a processor's cache."""


@dataclass
class Samples:
    """A run file, or some consecutive rows of it, with what describes it."""

    path: Path
    file: RunFile
    metadata: Metadata
    edits: Edits
    machine: Machine | None
    machine_replaced: bool
    """The description came from the caller, not from the run file."""
    battery_measured: bool
    """The file holds samples of a sensor in the battery's own lead."""
    start_row: int
    rows: int
    drift_applied_ppm: float | None
    _times: SampleTimes
    """Of all rows of the file."""
    _held_flags: tuple[int, int, Flags] | None = None
    """The gap flags requested last: first row, number of rows, flags."""
    _pass_readers: dict[int, PassReader] = field(default_factory=dict)
    """By thread, while its passes go side by side; other threads read for themselves meanwhile."""

    @property
    def at_once(self) -> bool:
        """Short enough to be read as one block."""
        return self.rows <= AT_ONCE_ROWS

    def ranges(self) -> Iterator[tuple[int, int]]:
        """First row and end (exclusive) of the blocks in which a run is read; a short run is one block."""
        step = self.rows if self.at_once else STRETCH_ROWS
        for begin in range(0, self.rows, step):
            yield begin, min(begin + step, self.rows)

    @cached_property
    def time_s(self) -> Floats:
        """Run time of every sample in range, shape (n,): 8 bytes for each, however long the run is."""
        return self._times.of(self.start_row, self.rows)

    def _times_s(self, start: int, rows: int) -> Floats:
        """Run time of some rows of this part."""
        if self.at_once or "time_s" in self.__dict__:
            return self.time_s if rows == self.rows else self.time_s[start : start + rows]
        return self._times.of(self.start_row + start, rows)

    def rows_at(self, moments_s: Floats) -> Places:
        """The first row at each of some increasing moments or later; `rows` where there is none."""
        found, done = np.full(len(moments_s), self.rows), 0
        for begin, stop in self.ranges():
            time_s = self._times_s(begin, stop - begin)
            until = int(np.searchsorted(moments_s, time_s[-1], "right"))
            found[done:until], done = begin + np.searchsorted(time_s, moments_s[done:until]), until
        return found

    @cached_property
    def timeline(self) -> Timeline:
        """Ends, interval and gaps. Raises RunContentError where time does not increase everywhere."""
        stretches = (self._times_s(begin, stop - begin) for begin, stop in self.ranges())
        try:
            return Timeline.of(stretches, self._gap_rule, 1e-6 * self._scale())
        except RunFileError:  # a ValueError too, and no matter of order
            raise
        except ValueError as error:
            raise RunContentError(UNORDERED.format(self.path)) from error

    @property
    def start_s(self) -> float:
        """Run time of the first sample."""
        return self.timeline.start_s

    @property
    def end_s(self) -> float:
        """Run time of the last sample."""
        return self.timeline.end_s

    @property
    def duration_s(self) -> float:
        """Last minus first sample."""
        return self.end_s - self.start_s

    @property
    def interval_s(self) -> float | None:
        """Median interval over all samples; None for a single one."""
        return self.timeline.interval_s

    @property
    def sensed(self) -> str | None:
        """Where the machine file puts the left and right current sensors: supply_leg, motor_lead or unknown."""
        return self.machine.controller.sensed if self.machine and self.machine.controller else None

    @property
    def sides_leg(self) -> str:
        """The same, with the usual place where the machine file does not declare it."""
        return self.sensed or ASSUMED_LEG

    @property
    def battery_current_from(self) -> Literal["measured", "left_plus_right"] | None:
        """Where `battery_current_a` comes from; None where there is none.

        Without a sensor in the battery's lead it is left + right + what the machine draws standing still, if left and
        right are measured in supply legs.
        """
        if self.battery_measured:
            return "measured"
        both = all(BY_SI_NAME[name].name in self.file.columns for name in SIDE_CURRENTS)
        return "left_plus_right" if both and self.sides_leg == "supply_leg" else None

    @property
    def standby_a(self) -> float | None:
        """What the battery carries beside left and right, as declared [A]; None where it is not."""
        return self.machine.standby_a if self.machine else None

    def _added_up(self, si_name: str) -> bool:
        """This channel is the sum of left and right, not one of the file's."""
        return si_name == BATTERY_CURRENT and self.battery_current_from == "left_plus_right"

    def sensor(self, si_name: str) -> SensorError:
        """Declared errors of the sensor of this channel; full scale and filter corner also from the board."""
        if self._added_up(si_name):
            left, right = (self.sensor(name) for name in SIDE_CURRENTS)
            return sum_error(left, right)
        return sensor_error(self.declared(si_name), self.metadata.board, BY_SI_NAME[si_name])

    def declared(self, si_name: str) -> Sensor:
        """The machine file's section on a channel's sensor, empty without one; of a sum, when its samples are."""
        if self._added_up(si_name):
            return Sensor(delay_s=self.declared(SIDE_CURRENTS[0]).delay_s)
        return declared(self.machine, BY_SI_NAME[si_name])

    def samples(self, si_name: str, start: int, rows: int) -> Series | None:
        """Valid samples among some rows of this part, corrected; None without any."""
        walk = self._pass_reader
        return (self._load if walk is None else walk.load)(si_name, start, rows)

    @property
    def _pass_reader(self) -> PassReader | None:
        return self._pass_readers.get(get_ident())

    def _load(self, si_name: str, start: int, rows: int) -> Series | None:
        if self._added_up(si_name):
            return self._sum_of_sides(start, rows)
        channel = BY_SI_NAME[si_name]
        if channel.name not in self.file.columns:
            return None
        column = self._column(channel.name, start, rows)
        if column.null_count() == len(column):
            return None
        late_s = self.declared(channel.si_name).delay_s or 0.0
        if not column.null_count():
            time_s = self._times.late(self._times_s(start, rows), late_s)
            value = self._corrected(channel, column, None, start, rows)
            return Series(time_s, value, self._flags(start, rows), self.interval_s)
        valid = column.is_not_null().to_numpy()
        time_s = self._times_s(start, rows)[valid]
        value = self._corrected(channel, column.drop_nulls(), valid, start, rows)
        return Series(time_s - late_s if late_s else time_s, value, self._gap_rule.find(time_s))

    def _sum_of_sides(self, start: int, rows: int) -> Series | None:
        """Left + right + standby at left's samples, where right covers them."""
        left, right = (self.samples(name, start, rows) for name in SIDE_CURRENTS)
        if left is None or right is None:
            return None
        time_s, one, other, gap_after = together(left, right)
        if not len(time_s):
            return None
        whole = self.interval_s if len(time_s) == rows else None
        return Series(time_s, one + other + (self.standby_a or 0.0), gap_after, whole)

    def _column(self, name: str, start: int, rows: int) -> pl.Series:
        walk = self._pass_reader
        # A request longer than a block with its margins reads one channel alone, and evicts nothing that others need.
        if walk is not None and walk.together is not None and rows <= 2 * STRETCH_ROWS:
            return walk.together.column(name, self.start_row + start, rows)
        return self.file.read([name], self.start_row + start, rows, with_time=False)[name]

    def _corrected(self, channel: Channel, steps: pl.Series, valid: Flags | None, start: int, rows: int) -> Floats:
        """Samples as the machine file corrects them; an RMS may need its lead's current in the same rows."""
        sensor = self.declared(channel.si_name)
        lead = BY_NAME.get(channel.name.replace("_current_rms_", "_current_"))
        if lead is None or not offset_in_squares(self.machine, channel, sensor):
            return in_units(steps, channel.si_per_step, sensor.offset or 0.0, 1.0 + (sensor.gain or 0.0))
        raw = self._column(lead.name, start, rows) if lead.name in self.file.columns else None
        mean = None if raw is None else raw if valid is None else raw.filter(pl.Series(valid))
        return corrected_rms(in_units(steps, channel.si_per_step), mean, lead.si_per_step, sensor)

    @cached_property
    def _gap_rule(self) -> GapRule:
        limit = self.metadata.max_gap_s
        resets = (gap.start_s * self._scale() for gap in self.metadata.gaps if gap.end_s is None)
        return GapRule(None if limit is None or math.isnan(limit) else limit, tuple(resets))

    def _flags(self, start: int, rows: int) -> Flags:
        """Gaps between all samples of some rows, the same array for all channels."""
        held = self._held_flags
        if held is None or held[:2] != (start, rows):
            self._held_flags = held = start, rows, self.timeline.flags(start, start + rows)
        return held[2]

    def _scale(self) -> float:
        return 1.0 / (1.0 + (self.drift_applied_ppm or 0.0) * 1e-6)
