"""The checks that run while samples arrive: each turns a slice of samples into alarms that begin and end.

Levels and holds are our own choice unless the machine file gives them; docs/methods.md, Alarms while recording.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, TypeAlias

import numpy as np

from amptally.analysis.alarms.fuse_air_watch import UNDECLARED, AirLimit, HottestAir
from amptally.analysis.alarms.fuse_watch import (
    NEAR_RISE,
    FuseLimit,
    NetworkWatch,
    RowsWatch,
    WindowWatch,
    watched_windows,
)
from amptally.analysis.alarms.signals import START, Array, Change, Checkpoints, Latch, Signals, grown
from amptally.analysis.protection.fuse_curve import NEAR_MARGIN
from amptally.analysis.protection.thermal_memory import fitted_network
from amptally.analysis.results.estimate import COVERAGE_FACTOR
from amptally.analysis.results.leads import CURRENTS, LEADS
from amptally.analysis.results.reason import Reason, Severity
from amptally.analysis.results.sensor_terms import CLIPPED_SHARE

NEAR_RATIO, NEAR_AGAIN = 1 / NEAR_MARGIN, 0.7
"""Share of the load that may open the fuse, in current, that counts as near, and below which it is armed again."""
INSIDE_RATIO, INSIDE_AGAIN = 1.0, 0.9
AGAIN_SHARE = 0.02
"""A voltage arms its check again once it stands this share above the limit …"""
AGAIN_S = 1.0
"""… for this long."""
LOST_S = 0.15
"""Without a new pulse for this long, seven of them at 50 Hz: lost. This and what follows is our own choice."""
GOING_S = 0.1
HELD_S = 5.0
HELD_CHANGES = 10
HELD_EVERY_S = 0.5
"""Only a receiver whose widths have changed at least this often, and at least HELD_CHANGES times, can be recognised as
holding its last pulse."""
BALANCE_S = 1.0
"""The balance of currents is a mean over this long, so that noise and the sensors' different delays cancel."""
BALANCE_A = 1.0
BALANCE_SHARE = 0.03
"""Allowed beside the declared sensor errors: BALANCE_A and this share of the battery current."""

Supply: TypeAlias = Literal["battery", "lower_block", "upper_block", "controller_supply", "receiver_supply"]
Rule: TypeAlias = Literal["sheet_cutoff", "bms_cutoff", "sheet_minimum", "controller_cutoff"]


@dataclass(frozen=True, slots=True)
class Notice:
    """An alarm began, or the one of the same key ended."""

    key: str
    at_s: float
    value: float
    """When it ended, the worst value."""
    raised: Reason | None = None
    """What began: the code and severity of the alarm, and its numbers. None where it ended."""
    limit: float = math.nan
    unit: str = ""


class Check(Protocol):
    """Evaluates one slice of samples after another."""

    def take(self, signals: Signals) -> list[Notice]:
        """The alarms that began and ended in these samples."""
        ...

    def worst(self) -> dict[str, float]:
        """Worst value so far of each open alarm, by key."""
        ...


class FuseCheck:
    """`fuse_near` and `fuse_inside` of one fuse, at the lines of the report's verdict."""

    _LEVELS: Mapping[str, tuple[Severity, float]] = {
        "fuse_near": ("caution", NEAR_RATIO),
        "fuse_inside": ("danger", INSIDE_RATIO),
    }

    def __init__(self, fuse: FuseLimit, air: AirLimit = UNDECLARED) -> None:
        windows_s = watched_windows(fuse.rows)
        self._fuse, self._derated_a = fuse, fuse.derated_a
        self._air = HottestAir(air)
        self._time = START
        self._first_s: float | None = None
        self._last = (0.0, 0.0)
        self._network = NetworkWatch(fitted_network(fuse.rows))
        self._windows = WindowWatch(windows_s)
        self._rows = RowsWatch(fuse.rows, windows_s, NEAR_RISE * fuse.derated_a**2, (NEAR_AGAIN / NEAR_RATIO) ** 2)
        self._latches = {
            "fuse_near": Latch(NEAR_RATIO, NEAR_AGAIN),
            "fuse_inside": Latch(INSIDE_RATIO, INSIDE_AGAIN),
        }

    def take(self, signals: Signals) -> list[Notice]:
        """The board's interval RMS is used where it is sent, else the samples; in a gap the fuse cools."""
        name = f"{self._fuse.lead}_current_rms_a"
        interval_rms = name in signals
        rows = signals.rows(name if interval_rms else f"{self._fuse.lead}_current_a")
        if rows is None:
            return []
        run_s, current_a = rows
        self._time, _, growth_s = signals.sampled(self._time, run_s)
        if self._first_s is None:
            self._first_s, self._last = float(run_s[0]), (0.0, float(current_a[0]))
        before_s, before_a = self._last
        time_s = run_s - self._first_s
        start_a = current_a if interval_rms else np.concatenate(([before_a], current_a[:-1]))
        missing = growth_s <= 0
        start_a, end_a = np.where(missing, 0.0, start_a), np.where(missing, 0.0, current_a)
        self._last = (float(time_s[-1]), float(current_a[-1]))
        network_a2 = self._network.take(np.concatenate(([before_s], time_s)), start_a, end_a)
        held_a2s = self._windows.take(time_s, start_a, end_a)
        max_a2 = np.maximum(start_a * start_a, end_a * end_a)
        likely, share = np.empty(len(time_s)), np.empty(len(time_s))
        for part, air_c in self._air.parts(signals, run_s):
            self._derate(air_c)
            likely[part] = np.sqrt(network_a2[part]) / self._derated_a
            share[part] = self._rows.take(time_s[part], held_a2s[:, part], max_a2[part], network_a2[part])
        allowed = np.sqrt(share * NEAR_RISE)
        found = []
        for code, ratio in (("fuse_near", allowed), ("fuse_inside", likely)):
            severity, limit = self._LEVELS[code]
            for change in self._latches[code].follow(time_s, ratio, ratio):
                key, at_s = f"{code}/{self._fuse.place}", float(run_s[change.index])
                if not change.is_set:
                    found.append(Notice(key, at_s, change.value))
                    continue
                loads = {"likely_load": float(likely[change.index]), "possible_load": float(allowed[change.index])}
                raised = Reason(code, severity, place=self._fuse.place, **loads)
                found.append(Notice(key, at_s, change.value, raised, limit))
        return found

    def _derate(self, air_c: float | None) -> None:
        """The rating in this air; in air beyond all tables that of the hottest known one stays."""
        derated_a = None if air_c is None else self._fuse.derated_in_a(air_c)
        if derated_a is not None and derated_a != self._derated_a:
            self._derated_a = derated_a
            self._rows.move_line(NEAR_RISE * derated_a**2)

    def worst(self) -> dict[str, float]:
        """Maximum ratio."""
        return {f"{code}/{self._fuse.place}": latch.worst for code, latch in self._latches.items() if latch.active}


@dataclass(frozen=True, slots=True)
class VoltageLimit:
    """A voltage that should stay above a limit."""

    code: str
    supply: Supply
    channels: tuple[str, ...]
    """SI names; the first one that is measured counts."""
    minimum_v: float
    rule: Rule
    """What the limit is."""
    hold_s: float = 0.5
    """Sampled time at or below the limit before the alarm is raised."""
    less: str | None = None
    """SI name of a voltage to subtract."""
    severity: Severity = "caution"


class VoltageCheck:
    """Under-voltage that lasts."""

    def __init__(self, limit: VoltageLimit) -> None:
        self._limit = limit
        self._key = f"{limit.code}/{limit.supply}/{limit.minimum_v:g}"
        self._time = START
        self._latch = Latch(-limit.minimum_v, -limit.minimum_v * (1 + AGAIN_SHARE), limit.hold_s, AGAIN_S)

    def take(self, signals: Signals) -> list[Notice]:
        """Needs one of its channels."""
        limit = self._limit
        channel = next((name for name in limit.channels if name in signals), None)
        if channel is None:
            return []
        rows = signals.rows(channel) if limit.less is None else signals.rows(channel, limit.less)
        if rows is None:
            return []
        run_s, volts = rows[0], rows[1] if limit.less is None else rows[1] - rows[2]
        self._time, axis_s, _ = signals.sampled(self._time, run_s)
        found = []
        for change in self._latch.follow(axis_s, -volts, volts):
            raised = Reason(
                limit.code,
                limit.severity,
                supply=limit.supply,
                voltage_v=change.value,
                hold_s=limit.hold_s,
                minimum_v=limit.minimum_v,
                rule=limit.rule,
            )
            found.append(_notice(self._key, run_s, change, raised, limit.minimum_v, "V"))
        return found

    def worst(self) -> dict[str, float]:
        """Minimum voltage."""
        return {self._key: self._latch.worst} if self._latch.active else {}


class PulseCheck:
    """`pulse_lost` for one command input: no new pulse, although there were some before."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._time = START
        self._latch = Latch(LOST_S, GOING_S, free_s=0.5)
        self._count = math.nan
        self._alive_s = math.inf

    def take(self, signals: Signals) -> list[Notice]:
        """A pulse is new where the count has changed and the width is not 0, as far as both are sent."""
        letter = self.name
        names = [name for name in (f"pulse_{letter}_us", f"pulse_{letter}_count") if name in signals]
        rows = signals.rows(*names) if names else None
        if rows is None:
            return []
        run_s, columns = rows[0], dict(zip(names, rows[1:], strict=True))
        self._time, axis_s, _ = signals.sampled(self._time, run_s)
        fresh = np.ones(len(run_s), bool)
        count = columns.get(f"pulse_{letter}_count")
        if count is not None:
            fresh = grown(count, float(count[0]) if math.isnan(self._count) else self._count) != 0
            self._count = float(count[-1])
        width_us = columns.get(f"pulse_{letter}_us")
        if width_us is not None:
            fresh &= width_us > 0
        last_s = _latest(axis_s, fresh, self._alive_s)
        self._alive_s = float(last_s[-1])
        # Infinity: there has been no pulse yet, so none can be missing.
        quiet_s = np.maximum(axis_s - last_s, 0.0)
        raised = Reason("pulse_lost", "danger", input=letter.upper(), limit_s=LOST_S)
        changes = self._latch.follow(axis_s, quiet_s, quiet_s)
        return [_notice(f"pulse_lost/{letter}", run_s, change, raised, LOST_S, "s") for change in changes]

    def worst(self) -> dict[str, float]:
        """Longest time without a pulse."""
        return {f"pulse_lost/{self.name}": self._latch.worst} if self._latch.active else {}


class HeldPulseCheck:
    """`pulse_held`: pulses go on, but none of their widths changes by a step while the machine draws current."""

    def __init__(self, moving_a: float) -> None:
        self._moving_a = moving_a
        self._time = START
        self._latch = Latch(HELD_S, HELD_S / 5)
        self._widths: dict[str, float] = {}
        self._changes = 0
        self._still_since_s = math.inf
        self._changed_s = 0.0

    def take(self, signals: Signals) -> list[Notice]:
        """Needs a width and the battery current; both widths where both are sent."""
        names = [name for name in ("pulse_a_us", "pulse_b_us") if name in signals]
        rows = signals.rows("battery_current_a", *names) if names else None
        if rows is None:
            return []
        run_s, current_a, widths = rows[0], rows[1], dict(zip(names, rows[2:], strict=True))
        self._time, axis_s, _ = signals.sampled(self._time, run_s)
        changed = np.zeros(len(run_s), bool)
        sent = np.zeros(len(run_s), bool)
        for name, width_us in widths.items():
            changed |= grown(width_us, self._widths.get(name, float(width_us[0]))) != 0
            sent |= width_us > 0
            self._widths[name] = float(width_us[-1])
        since_s = _latest(axis_s, changed | ~sent | (np.abs(current_a) < self._moving_a), self._still_since_s)
        changes = self._changes + np.cumsum(changed)
        changed_s = _latest(axis_s, changed, self._changed_s)
        usual = (changes >= HELD_CHANGES) & (changed_s <= HELD_EVERY_S * changes)
        self._still_since_s, self._changed_s = float(since_s[-1]), float(changed_s[-1])
        self._changes = int(changes[-1])
        held_s = np.where(usual, np.maximum(axis_s - since_s, 0.0), 0.0)
        raised = Reason("pulse_held", limit_s=HELD_S)
        held = self._latch.follow(axis_s, held_s, held_s)
        return [_notice("pulse_held", run_s, change, raised, HELD_S, "s") for change in held]

    def worst(self) -> dict[str, float]:
        """Longest time without a change."""
        return {"pulse_held": self._latch.worst} if self._latch.active else {}


@dataclass(frozen=True, slots=True)
class BalanceLimit:
    """Declared errors of the three current sensors, 1 σ, by lead; what is not declared is 0."""

    offset_u_a: Mapping[str, float]
    gain_u: Mapping[str, float]


class BalanceCheck:
    """`balance`: battery − left − right, all in supply legs, is more than their sensors can be wrong by."""

    def __init__(self, limit: BalanceLimit) -> None:
        self._limit = limit
        self._time = START
        self._points = Checkpoints(2, BALANCE_S / 64, BALANCE_S)
        self._latch = Latch(0.0, -0.2 * BALANCE_A, free_s=AGAIN_S)
        self._sums = np.zeros(2)
        self._last: Array | None = None

    def take(self, signals: Signals) -> list[Notice]:
        """Needs all three currents."""
        rows = signals.rows(*CURRENTS)
        if rows is None:
            return []
        run_s, battery_a, left_a, right_a = rows
        self._time, axis_s, growth_s = signals.sampled(self._time, run_s)
        variance = sum(self._limit.offset_u_a.get(lead, 0.0) ** 2 for lead in LEADS) + sum(
            (self._limit.gain_u.get(lead, 0.0) * amps) ** 2 for lead, amps in zip(LEADS, rows[1:], strict=True)
        )
        allowed_a = BALANCE_A + BALANCE_SHARE * np.abs(battery_a) + COVERAGE_FACTOR * np.sqrt(variance)
        values = np.stack([battery_a - left_a - right_a, allowed_a])
        before = np.concatenate((values[:, :1] if self._last is None else self._last, values[:, :-1]), axis=1)
        pieces = growth_s * (before + values) / 2
        sums = np.cumsum(np.concatenate((self._sums[:, None], pieces), axis=1), axis=1)[:, 1:]
        self._points.append(axis_s, *sums)
        self._last, self._sums = values[:, -1:], sums[:, -1]
        table = self._points.table
        place = np.searchsorted(table[0], axis_s - BALANCE_S * (1 - 1e-9), side="right") - 1
        full = place >= 0
        place = np.maximum(place, 0)
        span_s = np.where(full, axis_s - table[0][place], 1.0)
        residual_a, limit_a = (sums - table[1:, place]) / span_s
        excess_a = np.where(full, np.abs(residual_a) - limit_a, -np.inf)
        found = []
        for change in self._latch.follow(axis_s, excess_a, residual_a):
            bound_a = float(limit_a[change.index])
            raised = Reason("balance", "caution", residual_a=change.value, mean_s=BALANCE_S, limit_a=bound_a)
            found.append(_notice("balance", run_s, change, raised, bound_a, "A"))
        return found

    def worst(self) -> dict[str, float]:
        """The residual that exceeded its limit most."""
        return {"balance": self._latch.worst} if self._latch.active else {}


class ClipCheck:
    """`sensor_clipped`: a current sensor at its full scale, in any of the values that the board sends of it."""

    def __init__(self, lead: str, full_scale_a: float) -> None:
        self._lead, self._full_scale_a = lead, full_scale_a
        self._key = f"sensor_clipped/{lead}"
        self._time = START
        limit_a = CLIPPED_SHARE * full_scale_a
        self._latch = Latch(limit_a, limit_a, free_s=AGAIN_S)

    def take(self, signals: Signals) -> list[Notice]:
        """Uncorrected values: the sensor's own range is meant."""
        names = [name for name in (f"{self._lead}_current{part}_a" for part in ("", "_min", "_max")) if name in signals]
        if not names:
            return []
        largest_a = np.abs(signals.raw(names[0]))
        for name in names[1:]:
            largest_a = np.fmax(largest_a, np.abs(signals.raw(name)))
        measured = ~np.isnan(largest_a)
        if not measured.any():
            return []
        run_s, largest_a = signals.run_s[measured], largest_a[measured]
        self._time, axis_s, _ = signals.sampled(self._time, run_s)
        raised = Reason("sensor_clipped", "danger", lead=self._lead, full_scale_a=self._full_scale_a)
        limit_a, changes = CLIPPED_SHARE * self._full_scale_a, self._latch.follow(axis_s, largest_a, largest_a)
        return [_notice(self._key, run_s, change, raised, limit_a, "A") for change in changes]

    def worst(self) -> dict[str, float]:
        """Maximum magnitude."""
        return {self._key: self._latch.worst} if self._latch.active else {}


def _notice(key: str, run_s: Array, change: Change, raised: Reason, limit: float, unit: str) -> Notice:
    """What a change of a check's latch means."""
    at_s = float(run_s[change.index])
    return Notice(key, at_s, change.value, raised, limit, unit) if change.is_set else Notice(key, at_s, change.value)


def _latest(axis_s: Array, flag: np.ndarray[tuple[int], np.dtype[np.bool_]], before_s: float) -> Array:
    """Sampled time of the latest true flag at or before each sample; `before_s` where there is none among these."""
    place = np.maximum.accumulate(np.where(flag, np.arange(len(flag)), -1))
    return np.where(place >= 0, axis_s[place], before_s)
