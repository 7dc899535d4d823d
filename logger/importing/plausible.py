"""Units, signs and times that cannot be right: millivolts read as volts, a discharge drawn as negative, hours for ms.

Only what the numbers contradict is told; what they leave open is taken as asked. Limits are those of a small
battery-electric machine, wide enough for any of them (trade practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from amptally.logger.channels import COLUMN_UNITS, TIME_COLUMN, Channel
from amptally.logger.errors import Correction
from amptally.logger.importing.specs import MapSpec, TimeSpec, corrected, refusal

Floats = NDArray[np.float64]

_USUAL = {"µV": (1.5, 120.0), "µA": (0.02, 600.0), "µs": (400.0, 2700.0)}
"""What nine tenths of the numbers of a quantity stay below on a small machine, in SI units (pulses in µs)."""
_SURELY_ABOVE = ("battery_voltage_v", "pulse_a_us", "pulse_b_us")
"""Channels that are never far below the usual for nine tenths of a log."""
_SLOW_STEP_S = 2.0
"""Rows further apart are not taken for seconds unless somebody says so."""
_SLOW_LOG_STEPS_S = (30, 60, 120, 180, 300, 600, 900, 1200, 1800, 3600)
"""Intervals of slow loggers; as milliseconds they would be odd."""
_LONG_DAY_S, _SHORT_DRIVE_S = 86_400.0, 30.0
_LONGEST_S = 3 * 86_400.0
_SHORTEST_STEP_US = 100.0
_MIN_ROWS = 10
_DUPLICATE_SHARE = 0.2
_MAX_ROWS, _SLICES = 400_000, 10
_BIN_S = 0.5
_RESISTANCE_OHM = (2e-4, 5.0)
"""Of any battery with its wires: a fifth of a milliohm to that of a few penlight cells."""
_CLEAR, _VERY_CLEAR = 0.6, 0.9
"""Correlation of the changes of voltage and current."""
_MIN_CHANGE_A = 1e-4
_ZERO_A = 0.2
"""A current below it may be the zero of its sensor."""
_ONE_SIGN = 0.9
"""Share of all charge moved that flows one way in a log of one direction: a drive recovers less than a tenth."""
_STEADY = 0.15
"""A current within this share of its level is constant."""
_TREND, _STEADILY = 0.004, 0.8
"""Relative change of a voltage under a constant current, and its correlation with time, that show a direction."""


@dataclass(frozen=True, slots=True)
class _Log:
    """What was read, as arrays."""

    time_s: Floats
    """Shape (n,), as the next two."""
    amps: Floats
    """Of the battery, or of both motor channels together; NaN where not measured."""
    volts: Floats
    """Of the battery; NaN where not measured."""
    currents: tuple[str, ...]
    """Channels in `amps`; empty without one."""


def usual_unit(channel: Channel, number: float) -> str | None:
    """The unit in which a number of the file is most usual for a channel; None where it is unusual in each."""
    low, high = _USUAL.get(channel.unit, (0.0, math.inf))
    if not math.isfinite(high):
        return None
    middle = math.log(low * high) / 2
    fitting = {
        abs(math.log(value) - middle): unit
        for unit, steps in COLUMN_UNITS[channel.unit].items()
        if low <= (value := abs(number) * steps * channel.si_per_step) <= high
    }
    return fitting[min(fitting)] if fitting else None


def judge(
    where: str, frame: pl.DataFrame, time: TimeSpec, maps: Sequence[MapSpec], *, time_said: bool, duplicates: int,
    discharge: str, discharge_said: bool,
) -> str | None:  # fmt: skip
    """Raise ImportDataError for what cannot be right, with what was probably meant; a note where the log is a charge.

    `frame` as it will be stored. `duplicates` is the number of rows dropped because another has their time.
    """
    _judge_time(where, frame, time, said=time_said, duplicates=duplicates)
    for spec in maps:
        _judge_size(where, frame, spec, maps, discharge)
    log = _log_of(frame)
    if not log.currents:
        return None
    ohm = _response_ohm(log)
    if ohm is not None:
        _judge_resistance(where, ohm, [spec for spec in maps if spec.channel.unit == "µA"])
    return _judge_sign(where, log, ohm, discharge, said=discharge_said)


def _judge_time(where: str, frame: pl.DataFrame, time: TimeSpec, *, said: bool, duplicates: int) -> None:
    t_us = frame[TIME_COLUMN].to_numpy()
    rows = len(t_us) + duplicates
    step_s = float(np.median(np.diff(t_us))) * 1e-6 if len(t_us) > 1 else 0.0
    length_s = float(t_us[-1]) * 1e-6
    unit, column = time.unit or "s", time.column
    if rows >= _MIN_ROWS and unit in ("ms", "us") and (step_s * 1e6 < _SHORTEST_STEP_US):
        likely = "s" if unit == "ms" or step_s * 1e6 < 1 else "ms"
        raise refusal(f"{where}: read in {unit}, the rows of column {column!r} would be {step_s * 1e6:g} µs apart. "
                      f"Probably it is in {likely}; if not, add --as-read.",
                      corrected(time, column, likely))  # fmt: skip
    if duplicates > _DUPLICATE_SHARE * rows:
        raise refusal(f"{where}: {duplicates} of {rows} rows have the time of an earlier one and would be dropped, and "
                      f"with them perhaps the largest current. Name a finer time column than {column!r}; or add "
                      "--as-read to keep the first row of each time.")  # fmt: skip
    if unit != "s" or len(t_us) < 3 or step_s < _SLOW_STEP_S:
        return
    likely = next(
        (unit for unit, smaller in (("s", 1.0), ("ms", 1e3)) if not (unit == "s" and said)
         and _slow_log(step_s / smaller, length_s / smaller)), "ms" if step_s < 2000 else "us"
    )  # fmt: skip
    likely_spec = corrected(time, column, likely)
    apart = f"the rows of column {column!r} would be {step_s:g} s apart, {_span(length_s)} in all"
    if not said:
        raise refusal(f"{where}: nothing says in which unit the time is. In seconds, {apart}. Write {column}:s, "
                      f"{column}:ms or {column}:us; {likely} is the likeliest.", likely_spec)  # fmt: skip
    if length_s > _LONGEST_S:
        raise refusal(f"{where}: read in seconds, {apart}. Probably it is in {likely}; if not, add --as-read.",
                      likely_spec)  # fmt: skip


def _slow_log(step_s: float, length_s: float) -> bool:
    """Whether rows this far apart are rather those of a slow logger than a thousand times closer together."""
    if step_s < _SLOW_STEP_S:
        return False
    return round(step_s, 3) in _SLOW_LOG_STEPS_S or (length_s < _LONG_DAY_S and length_s / 1000 < _SHORT_DRIVE_S)


def _span(seconds: float) -> str:
    for unit, size_s in (("days", 86_400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if seconds >= 2 * size_s:
            return f"{seconds / size_s:.3g} {unit}"
    return f"{seconds:.3g} s"


def _judge_size(where: str, frame: pl.DataFrame, spec: MapSpec, maps: Sequence[MapSpec], discharge: str) -> None:
    channel = spec.channel
    if (
        channel.unit not in _USUAL
        or spec.unit is None
        or (discharge == "negative" and channel.name not in frame.columns)
    ):
        return
    size: Any = frame[channel.name].abs().quantile(0.9)
    if size is None or not size:
        return
    low, high = _USUAL[channel.unit]
    value = float(size) * channel.si_per_step
    small = value < low and channel.si_name in _SURELY_ABOVE
    if channel.unit == "µs" and frame[channel.name].max() == 1:
        return  # levels, not lengths
    likely = usual_unit(channel, float(size) / spec.units[spec.unit])
    if (value > high or small) and likely not in (None, spec.unit):
        shown = f"{value:.0f}" if value >= 100 else f"{value:.3g}"
        raise refusal(f"{where}: read in {spec.unit}, column {spec.column!r} would make {channel.si_name} {shown} "
                      f"{channel.si_unit}. Probably it is in {likely}; if not, add --as-read.",
                      all_of_a_kind(spec, likely, maps))  # fmt: skip


def all_of_a_kind(spec: MapSpec, unit: str | None, maps: Sequence[MapSpec]) -> Correction | None:
    """The same with another unit for a column and for all others of its quantity that were read in its unit."""
    alike = (other for other in maps if (other.channel.unit, other.unit) == (spec.channel.unit, spec.unit))
    if unit is None:
        return None
    return Correction(maps={each.channel.si_name: MapSpec(each.channel, each.column, unit).text for each in alike})


def _log_of(frame: pl.DataFrame) -> _Log:
    """The battery's side of a log; of a long one some stretches, so that neighbours stay neighbours."""
    if frame.height > _MAX_ROWS:
        length, every = _MAX_ROWS // _SLICES, frame.height // _SLICES
        frame = pl.concat([frame.slice(place * every, length) for place in range(_SLICES)])

    def values(name: str) -> Floats:
        column = (
            frame[name]
            if name in frame.columns
            else pl.Series([None], dtype=pl.Float64).new_from_index(0, frame.height)
        )
        return column.cast(pl.Float64).fill_null(math.nan).to_numpy() * 1e-6

    sides = ("left_current_ua", "right_current_ua")
    currents: tuple[str, ...] = ("battery_current_ua",) if "battery_current_ua" in frame.columns else sides
    if not set(currents) <= set(frame.columns):
        currents = ()
    amps = sum((values(name) for name in currents), np.zeros(frame.height))
    return _Log(frame[TIME_COLUMN].to_numpy() * 1e-6, amps, values("battery_voltage_uv"), currents)


def _response_ohm(log: _Log) -> float | None:
    """Drop of the voltage for each ampere more, from changes within a second; None where they show nothing clear."""
    both = np.isfinite(log.amps) & np.isfinite(log.volts)
    time_s, amps, volts = log.time_s[both], log.amps[both], log.volts[both]
    if len(time_s) < _MIN_ROWS:
        return None
    width_s = max(_BIN_S, float(np.median(np.diff(time_s))))
    place = np.floor((time_s - time_s[0]) / width_s + 1e-6).astype(np.int64)
    firsts = np.flatnonzero(np.diff(place, prepend=place[0] - 1))
    count = np.diff(firsts, append=len(place))
    mean_a, mean_v = np.add.reduceat(amps, firsts) / count, np.add.reduceat(volts, firsts) / count
    next_to = np.abs(np.diff(place[firsts])) == 1
    change_a, change_v = np.diff(mean_a)[next_to], np.diff(mean_v)[next_to]
    saa, svv, sav = (float(np.dot(x, y)) for x, y in ((change_a, change_a), (change_v, change_v), (change_a, change_v)))
    if len(change_a) < 3 or np.abs(change_a).max() < _MIN_CHANGE_A or svv == 0:
        return None
    clear = abs(sav) / math.sqrt(saa * svv)
    steps = int((np.abs(change_a) > 0.3 * np.abs(change_a).max()).sum())
    return -sav / saa if clear > _VERY_CLEAR or (clear > _CLEAR and steps >= 3) else None


def _judge_resistance(where: str, ohm: float, maps: Sequence[MapSpec]) -> None:
    low, high = _RESISTANCE_OHM
    if low <= abs(ohm) <= high:
        return
    factor = 1000 if abs(ohm) > high else 1e-3
    meant: dict[str, str] = {}
    for spec in maps:
        steps = spec.units[spec.unit or "A"] * factor
        unit = next((unit for unit, of_unit in spec.units.items() if of_unit == steps), None)
        if unit is not None:
            meant[spec.channel.si_name] = MapSpec(spec.channel, spec.column, unit).text
    if meant and low <= abs(ohm) / factor <= high:
        size = f"{abs(ohm):.3g} Ω" if abs(ohm) >= 1 else f"{abs(ohm) * 1000:.2g} mΩ"
        raise refusal(f"{where}: with these units the battery and its wires have a resistance of {size}, which "
                      "cannot be. Probably the currents are a factor of 1000 off; if not, add --as-read.",
                      Correction(maps=meant))  # fmt: skip


def _judge_sign(where: str, log: _Log, ohm: float | None, discharge: str, *, said: bool) -> str | None:
    amps = log.amps[np.isfinite(log.amps)]
    flowing = amps[np.abs(amps) > 0.05 * np.abs(amps).max(initial=0.0)]
    if not len(flowing) or np.abs(flowing).max() == 0:
        return None
    other = Correction(discharge="negative" if discharge == "positive" else "positive")
    turned, why = (ohm < 0 if ohm is not None else None), "the voltage rises where the current does"
    if turned is None and (falls := _falls(log)) is not None:
        negative = bool(np.median(flowing) < 0)
        turned = negative == falls
        why = "the voltage falls under a charge" if negative else "the voltage rises under a discharge"
    if turned:
        raise refusal(f"{where}: {why}, so its sign is turned: discharge was taken as {discharge}. "
                      f"Probably it is {other.discharge}; if not, add --as-read.", other)  # fmt: skip
    into = -float(flowing[flowing < 0].sum()) / float(np.abs(flowing).sum())
    if into < _ONE_SIGN:
        return None
    if turned is None and np.median(np.abs(flowing)) < _ZERO_A:
        return None
    if turned is None and not said:
        raise refusal(f"{where}: the current is negative, which here means charging, and the voltage does not show "
                      f"whether that is so. If it is a charge, add --discharge {discharge}.", other)  # fmt: skip
    return "the log is a charge: the current flows into the battery"


def _falls(log: _Log) -> bool | None:
    """Whether the voltage falls under a nearly constant current; None where it is not constant, or hardly moves."""
    high = np.abs(log.amps) > 0.5 * np.nanmax(np.abs(log.amps))
    level_a = float(np.median(log.amps[high]))
    steady = np.isfinite(log.volts) & (np.abs(log.amps - level_a) < _STEADY * abs(level_a))
    time_s, volts = log.time_s[steady], log.volts[steady]
    if len(volts) < _MIN_ROWS or 2 * len(volts) < int(high.sum()) or np.ptp(volts) == 0:
        return None
    tenth = max(len(volts) // 10, 1)
    first, last = float(np.median(volts[:tenth])), float(np.median(volts[-tenth:]))
    alike = float(np.corrcoef(time_s, volts)[0, 1])
    return None if abs(last - first) < _TREND * abs(first) or abs(alike) < _STEADILY else last < first
