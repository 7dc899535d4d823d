"""Logs that try a judge of data hard: short and cut ones, odd boards, and voltages that other things move as well.

Currents here are made of plain pieces (steps, waves, inrush, ramps, still stretches), in any mixture, so that a log may
have one jump or hundreds. In the first list nothing is wrong with what was measured. In the second the voltage jumps
where the measured current has no step, because something past the sensor moves it: the battery is not told by that
current alone, and which of the causes it is the data do not show. In the third a current was typed in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from amptally.analysis.runs.run import Run
from amptally.analysis.signals.series import Floats
from tests.studies.unseen_battery import Pack, battery_text, draw_pack, lagged
from tests.studies.unseen_logs import (
    BATTERY,
    LEFT,
    RIGHT,
    VOLTS,
    Log,
    LogFamily,
    as_it_is,
    bench,
    between_minutes,
    constant_throughout,
    constant_with_rests,
    every_minute,
    noisy_number,
    one_number,
    pieces,
    stepped,
)
from tests.studies.unseen_machine import Record

SAMPLES = Path(__file__).parents[2] / "sample_runs"
CLEAR = "current_filled_in"
THIN = "voltage_jumps_alone"
FINE_S = 0.001


def _rng(seed: int, mark: int) -> np.random.Generator:
    return np.random.default_rng([seed, 0xD0, mark])


@dataclass(frozen=True, slots=True)
class Sampler:
    """How a board sees current and voltage."""

    rate_hz: float = 100.0
    step_a: float = 0.006
    step_v: float = 0.00125
    noise_a: float = 0.03
    noise_v: float = 0.002
    late_rows: float = 0.0
    """The voltage comes so many rows late; negative: the current."""
    filter_a_s: float = 0.0
    filter_v_s: float = 0.0
    averages: bool = True
    """Means of the current over the interval; else single readings."""
    averages_v: bool = True
    """Likewise of the voltage."""


def load(rng: np.random.Generator, seconds: float, fine_s: float) -> Floats:
    """A current of plain pieces [A], never negative; rests at the start."""
    time_s = np.arange(round(seconds / fine_s)) * fine_s
    begins = float(rng.uniform(0.0, 0.25)) * seconds
    size = float(np.exp(rng.uniform(np.log(4), np.log(30))))
    amps = np.full(len(time_s), size * float(rng.uniform(0.0, 1.0)))
    for _ in range(int(rng.integers(0, 4))):
        period_s = float(np.exp(rng.uniform(np.log(1.5), np.log(40))))
        amps = amps + size * float(rng.uniform(0.1, 0.7)) * np.sin(2 * np.pi * time_s / period_s + rng.uniform(0, 6))
    for _ in range(int(rng.integers(0, 8))):
        on_s = float(rng.uniform(0, seconds))
        off_s = on_s + float(np.exp(rng.uniform(np.log(0.5), np.log(seconds))))
        amps = amps + size * float(rng.uniform(-0.6, 0.9)) * ((time_s > on_s) & (time_s < off_s))
    for _ in range(int(rng.integers(0, 5))):
        since_s = time_s - float(rng.uniform(0, seconds))
        shape = (since_s > 0) * np.exp(-np.clip(since_s, 0, None) / float(rng.uniform(0.2, 4.0)))
        amps = amps + size * float(rng.uniform(0.3, 2.5)) * shape
    if rng.random() < 0.4:  # a floor that is never the same twice
        steps = rng.standard_normal(len(time_s)) * np.sqrt(fine_s)
        amps = amps + 0.4 * size * lagged(steps, fine_s, 1.0) * 30
    moving = (time_s >= begins) & (time_s < seconds * float(rng.uniform(0.8, 1.2)))
    return np.asarray(np.clip(amps, 0, None) * moving + float(rng.uniform(0.05, 0.4)))


def seen(rng: np.random.Generator, amps: Floats, volts: Floats, fine_s: float, how: Sampler) -> Record:
    """What the board makes of both; `amps` and `volts` lie `fine_s` apart."""
    every = max(1, round(1 / how.rate_hz / fine_s))
    late = round(how.late_rows * every)
    first, second = (amps, np.roll(volts, late)) if late >= 0 else (np.roll(amps, -late), volts)
    if how.filter_a_s:
        first = lagged(first, fine_s, how.filter_a_s, float(first[0]))
    if how.filter_v_s:
        second = lagged(second, fine_s, how.filter_v_s, float(second[0]))
    rows = len(amps) // every
    found: Record = {"t_s": np.arange(rows) * every * fine_s}
    for name, value, step, noise in (
        (BATTERY, first, how.step_a, how.noise_a),
        (VOLTS, second, how.step_v, how.noise_v),
    ):
        table = value[: rows * every].reshape(rows, every)
        mean = table.mean(axis=1) if how.averages else table[:, -1]
        found[name] = np.round((mean + noise * rng.standard_normal(rows)) / step) * step
    # A roll brings the end to the start.
    use = slice(abs(round(how.late_rows)), rows)
    return {name: value[use] - (value[use][0] if name == "t_s" else 0.0) for name, value in found.items()}


def plain(seed: int, seconds: float, how: Sampler, *, ohmic: bool = False) -> Log:
    """A drive of plain pieces, with a battery that relaxes or one of Ohm's law alone."""
    rng = _rng(seed, 1)
    fine_s = min(0.01, 1 / how.rate_hz)
    pack, amps = draw_pack(rng), load(rng, seconds, fine_s)
    volts = 25.4 - 0.02 * amps if ohmic else pack.volts(amps, fine_s, 0.05 * pack.capacity_ah)
    # Such a load may go on at the end, which no zero that moved can be told from.
    return Log(seen(rng, amps, volts, fine_s, how), battery_text(pack), frozenset({"zero_shift"}))


def part(seed: int, make: Callable[[int], Log], shortest_s: float, longest_s: float) -> Log:
    """A random part of a log, as `report --from --to` takes it."""
    log, rng = make(seed), _rng(seed, 2)
    time_s = log.record["t_s"]
    whole_s = float(time_s[-1])
    taken_s = min(float(rng.uniform(shortest_s, longest_s)), whole_s)
    begin_s = float(rng.uniform(0, whole_s - taken_s))
    use = (time_s >= begin_s) & (time_s <= begin_s + taken_s)
    found = {name: value[use] for name, value in log.record.items()}
    return replace(log, record=found | {"t_s": found["t_s"] - found["t_s"][0]})


def sample_part(seed: int) -> Log:
    """A part of a sample run: 10 to 90 s."""
    path = sorted(SAMPLES.glob("*.parquet"))[seed % 2]
    run = Run.open(path)
    found: Record = {}
    for name in (BATTERY, VOLTS, LEFT, RIGHT):
        series = run.series(name)
        assert series is not None
        found["t_s"], found[name] = series.time_s, series.value
    text = (SAMPLES / "cart.toml").read_text(encoding="utf-8")
    return part(seed, lambda _: Log(found, text), 10.0, 90.0)


def chopped(seed: int) -> Log:
    """Single readings of a current that a controller chops at 8 to 18 kHz, partly smoothed: much of it is noise."""
    rng = _rng(seed, 3)
    fine_s = 0.01
    pack, amps = draw_pack(rng), load(rng, 90.0, fine_s)
    volts = pack.volts(amps, fine_s, 0.05 * pack.capacity_ah)
    duty = np.clip(0.15 + amps / max(float(amps.max()), 1.0), 0.05, 0.95)
    on = rng.random(len(amps)) < duty
    ripple = float(rng.uniform(0.1, 0.5)) * amps * np.where(on, 1 / duty - 1, -1.0)
    return Log(seen(rng, amps + ripple, volts - pack.ohm * ripple, fine_s, Sampler(averages=False)), battery_text(pack))


def rarer(seed: int, channel: str, every: int) -> Log:
    """One of both channels has a reading in every so many rows only."""
    log = plain(seed, 240.0, Sampler(rate_hz=50.0))
    value = log.record[channel].copy()
    value[np.arange(len(value)) % every != 0] = np.nan
    return replace(log, record=log.record | {channel: value})


def parting(seed: int, ppm: float, seconds: float) -> Log:
    """The voltage's clock runs apart; a finding may say so. Where that is not seen the two have nothing in common."""
    log = plain(seed, seconds, Sampler(rate_hz=10.0))
    time_s = log.record["t_s"]
    volts = np.interp(time_s * (1 - 1e-6 * ppm), time_s, log.record[VOLTS])
    allowed = frozenset({"time_bases_differ", "zero_shift", CLEAR})
    return replace(log, record=log.record | {VOLTS: volts}, allowed=allowed)


def servos(seed: int) -> Log:
    """A receiver's supply in the battery lead: bursts of one or two amperes, many a minute; the motors stand or run."""
    rng = _rng(seed, 4)
    fine_s, seconds = 0.01, 90.0
    pack = draw_pack(rng)
    amps = load(rng, seconds, fine_s) if seed % 2 else np.full(round(seconds / fine_s), 0.2)
    time_s = np.arange(len(amps)) * fine_s
    for _ in range(60):
        since_s = time_s - float(rng.uniform(0, seconds))
        amps = amps + float(rng.uniform(0.3, 2.0)) * ((since_s > 0) & (since_s < float(rng.uniform(0.1, 1.5))))
    return Log(seen(rng, amps, pack.volts(amps, fine_s, 1.0), fine_s, Sampler()), battery_text(pack))


# What moves the voltage past the sensor: (log's own current, what the battery feels beside it or across its contact).


def _base(kind: str, seconds: float, fine_s: float, pack: Pack, rng: np.random.Generator) -> Floats:
    if kind == "drive":
        return load(rng, seconds, fine_s)
    level = float(rng.uniform(0.2, 0.6)) * pack.capacity_ah if kind == "held" else float(rng.uniform(0.0, 0.4))
    return np.full(round(seconds / fine_s), level)


def _on_off(rng: np.random.Generator, time_s: Floats, times: int) -> Floats:
    """0 or 1, switched at so many moments."""
    edges = np.sort(rng.uniform(0.05, 0.95, times)) * float(time_s[-1])
    return np.asarray(np.searchsorted(edges, time_s) % 2, float)


def beside(seed: int, kind: str, what: str, times: int) -> Log:
    """Something past the sensor: another load or a charger switched, or a contact that gives way and comes back."""
    rng = _rng(seed, 5)
    fine_s, seconds = (0.01, 120.0) if kind == "drive" else (0.1, 1800.0)
    how = Sampler() if kind == "drive" else Sampler(rate_hz=float(rng.choice([1.0, 10.0])))
    pack = draw_pack(rng)
    amps = _base(kind, seconds, fine_s, pack, rng)
    on = _on_off(rng, np.arange(len(amps)) * fine_s, times)
    other = {"load": 1.0, "charger": -0.5}.get(what, 0.0) * float(rng.uniform(0.15, 0.4)) * pack.capacity_ah * on
    volts = pack.volts(amps + other, fine_s, 0.2 * pack.capacity_ah)
    if what == "contact":
        volts = volts - float(rng.uniform(0.5, 2.0)) * pack.ohm * amps * on - 0.02 * on
    return Log(seen(rng, amps, volts, fine_s, how), battery_text(pack), frozenset({CLEAR, THIN}))


def typed_plain(seed: int, how: Callable[[np.random.Generator, Record], Floats], seconds: float, board: Sampler) -> Log:
    """A drive of plain pieces whose current was typed in."""
    log = plain(seed, seconds, board)
    rng = _rng(seed, 6)
    found = log.record | {BATTERY: how(rng, log.record)}
    return replace(log, record=found, allowed=frozenset({CLEAR, THIN}), expected=CLEAR)


def _board(rng: np.random.Generator) -> Sampler:
    return Sampler(
        rate_hz=float(rng.choice([1, 5, 20, 50, 100])),
        late_rows=float(rng.integers(-3, 4)),
        filter_a_s=float(rng.choice([0.0, 0.02, 0.2, 0.8])),
        filter_v_s=float(rng.choice([0.0, 0.02, 0.2, 0.8])),
        averages=bool(rng.random() < 0.5),
    )


def _any_board(seed: int) -> Log:
    how = _board(_rng(seed, 7))
    return plain(seed, float(_rng(seed, 8).uniform(30, 150)) * (1 if how.rate_hz >= 5 else 4), how)


RATES_HZ = (1.0, 5.0, 20.0, 50.0, 100.0, 1000.0)
ODD: tuple[LogFamily, ...] = (
    *(
        LogFamily(f"plain drive of {k:g} s, 100 Hz", lambda seed, k=k: plain(seed, k, Sampler()))
        for k in (10.0, 26.0, 40.0, 60.0, 120.0, 300.0)
    ),
    LogFamily(
        "the same of 60 s, Ohm's law alone, no noise",
        lambda seed: plain(seed, 60.0, Sampler(noise_a=0.0, noise_v=0.0, step_a=1e-6, step_v=1e-6), ohmic=True),
    ),
    LogFamily(
        "the same with 20 mA and 2 mV of noise",
        lambda seed: plain(seed, 60.0, Sampler(noise_a=0.02, noise_v=0.002, step_a=1e-6, step_v=1e-6), ohmic=True),
    ),
    *(
        LogFamily(
            f"plain drive at {k:g} Hz",
            lambda seed, k=k: plain(seed, {1.0: 240.0, 1000.0: 30.0}.get(k, 60.0), Sampler(rate_hz=k)),
        )
        for k in RATES_HZ
    ),
    *(
        LogFamily(
            f"voltage {k:g} rows late, {rate:g} Hz",
            lambda seed, k=k, rate=rate: plain(seed, 60.0 if rate >= 5 else 300.0, Sampler(rate_hz=rate, late_rows=k)),
        )
        for k in (-3.0, -1.0, 1.0, 2.0, 3.0)
        for rate in (1.0, 5.0, 100.0)
    ),
    *(
        LogFamily(
            f"filters of {a:g} s on the current, {v:g} s on the voltage",
            lambda seed, a=a, v=v: plain(seed, 90.0, Sampler(filter_a_s=a, filter_v_s=v)),
        )
        for a, v in ((0.3, 0.0), (0.0, 0.3), (1.0, 0.0), (0.0, 1.0), (0.05, 0.01))
    ),
    LogFamily("steps of 0.5 A and 0.1 V", lambda seed: plain(seed, 90.0, Sampler(step_a=0.5, step_v=0.1))),
    LogFamily("steps of 0.5 A, fine voltage", lambda seed: plain(seed, 90.0, Sampler(step_a=0.5, noise_v=0.0005))),
    LogFamily(
        "noise of 1 A, fine voltage", lambda seed: plain(seed, 90.0, Sampler(noise_a=1.0, step_a=0.2, noise_v=0.0005))
    ),
    *(
        LogFamily(
            f"mean current, single voltage, every {k:g} s",
            lambda seed, k=k: plain(seed, max(240.0, 150 * k), Sampler(rate_hz=1 / k, averages_v=False)),
        )
        for k in (0.1, 1.0, 2.0, 5.0, 10.0, 60.0)
    ),
    LogFamily("current in every 50th row", lambda seed: rarer(seed, BATTERY, 50)),
    LogFamily("voltage in every 50th row", lambda seed: rarer(seed, VOLTS, 50)),
    *(
        LogFamily(
            f"voltage's clock {k / 1e4:g} % apart, {hours:g} h",
            lambda seed, k=k, hours=hours: parting(seed, k, 3600 * hours),
        )
        for k, hours in ((100.0, 1.0), (500.0, 1.0), (1000.0, 0.5), (3000.0, 0.5))
    ),
    LogFamily("any board", _any_board),
    LogFamily("10 to 60 s of a drive", lambda seed: part(seed, as_it_is, 10.0, 60.0)),
    LogFamily("part of a sample run", sample_part),
    LogFamily(
        "part of a stepped load, 1 s", lambda seed: part(seed, lambda each: bench(each, 1.0, stepped), 60.0, 1200.0)
    ),
    LogFamily(
        "part of a stepped load, 10 s", lambda seed: part(seed, lambda each: bench(each, 10.0, stepped), 600.0, 3000.0)
    ),
    LogFamily(
        "part of a constant load with rests, 1 s",
        lambda seed: part(seed, lambda each: bench(each, 1.0, constant_with_rests), 60.0, 1200.0),
    ),
    LogFamily(
        "part of a constant load, 5 s",
        lambda seed: part(seed, lambda each: bench(each, 5.0, constant_throughout), 300.0, 2000.0),
    ),
    LogFamily("chopped current, single readings", chopped),
    LogFamily("servos in the battery lead", servos),
)
BESIDE: tuple[LogFamily, ...] = tuple(
    LogFamily(f"{what}, {times} times, {kind}", lambda seed, each=(kind, what, times): beside(seed, *each))
    for kind in ("drive", "rest", "held")
    for what in ("load", "charger", "contact")
    for times in (1, 2, 8)
)
TYPED_PLAIN: tuple[LogFamily, ...] = tuple(
    LogFamily(
        f"typed: {name}, {seconds:g} s at {rate:g} Hz",
        lambda seed, each=(how, seconds, rate): typed_plain(seed, each[0], each[1], Sampler(rate_hz=each[2])),
        typed=True,
    )
    for name, how in (
        ("one number", one_number),
        ("by pieces", pieces),
        ("every minute", every_minute),
        ("lines between minutes", between_minutes),
        ("one number with 1 % noise", noisy_number),
    )
    for seconds, rate in ((60.0, 100.0), (300.0, 20.0), (600.0, 1.0))
)
BY_NAME = {family.name: family for family in (*ODD, *BESIDE, *TYPED_PLAIN)}
