"""Logs of real kinds in which nothing is wrong, or one known thing, and numbers that somebody typed in by hand.

Of the first every finding about bad data is a false alarm unless the case allows it; of the last the share that is
found is the hit rate. Loads, batteries and drives are those of `unseen_battery` and `unseen_machine`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from amptally.analysis.report.build import build_report
from amptally.analysis.signals.series import Floats
from tests.analysis.build_runs import measured
from tests.studies.unseen_battery import Pack, battery_text, colder, draw_pack, lagged
from tests.studies.unseen_circuits import odd_loop, opened, small_loop
from tests.studies.unseen_machine import (
    Board,
    Leg,
    Piece,
    Record,
    Trip,
    Vehicle,
    Wait,
    Way,
    draw_vehicle,
    drive,
    lay,
    record,
)

NEVER = ("current_filled_in", "channel_stuck", "zero_shift", "cut_top")
"""What real data must not be called."""
WATCHED = (
    *NEVER,
    "channels_disagree",
    "channels_swapped",
    "current_scale",
    "current_sign",
    "voltage_jumps_alone",
    "voltage_unanswering",
    "time_bases_differ",
    "channel_partial",
    "arrangement_mismatch",
    "wheel_stalled",
    "weak_block",
)
"""Every finding that says that data or machine are not what they should be."""
BATTERY, VOLTS, LEFT, RIGHT = "battery_current_a", "battery_voltage_v", "left_current_a", "right_current_a"
PULSES = ("pulse_a_us", "pulse_b_us")


@dataclass(frozen=True, slots=True)
class Log:
    """One log."""

    record: Record
    machine: str
    allowed: frozenset[str] = frozenset()
    """Findings that would be right."""
    expected: str = ""
    """A finding that should be raised; a code, or the beginning of one ending in *."""
    remedy: str = ""
    """What its reader adds to the machine file on reading the finding current_filled_in."""
    left_share: float | None = None
    """True share of the left side in the charge of both; None where it is not asked."""


@dataclass(frozen=True, slots=True)
class LogFamily:
    """A kind of log."""

    name: str
    make: Callable[[int], Log]
    typed: bool = False
    """Somebody typed the current in."""


@dataclass(frozen=True, slots=True)
class LogOutcome:
    """One log, judged."""

    family: str
    seed: int
    raised: frozenset[str]
    """Watched codes, and all that the case expects."""
    false: frozenset[str]
    """Watched codes that should not be there."""
    hit: bool | None
    """Whether what was expected was raised; None where nothing was."""
    cured: bool | None
    """Whether `current_filled_in` goes once its remedy is followed; None where it was not raised or has none."""
    share_error: float | None
    """Error of the left side's share; None where refused or not asked."""


def _rng(seed: int, mark: int) -> np.random.Generator:
    return np.random.default_rng([seed, 0xB0, mark])


def resolution_text(step_a: float) -> str:
    """The remedy that the finding prints: the step of the reading."""
    return f"[sensors.battery_current]\nresolution = {step_a}\n"


def bench(
    seed: int,
    interval_s: float,
    levels: Callable[[np.random.Generator, Floats], Floats],
    *,
    step_a: float = 0.01,
    step_v: float = 0.001,
    noise_a: float = 0.0,
    start: float = 0.05,
    chemistry: str | None = None,
) -> Log:
    """A battery on a tester that logs every `interval_s`: single readings, a current that its regulator holds."""
    rng = _rng(seed, 1)
    pack = draw_pack(rng, chemistry)
    fine_s = min(interval_s, 0.5)
    seconds = min(max(400 * interval_s, 2400.0), 12 * 3600.0)
    time_s = np.arange(round(seconds / fine_s)) * fine_s
    shape = levels(rng, time_s)
    drawn_ah = float(shape.sum()) * fine_s / 3600
    amps = shape * (float(rng.uniform(0.4, 1.1)) * pack.capacity_ah / max(abs(drawn_ah), 1e-9))
    amps = np.clip(amps, -pack.capacity_ah, 2.0 * pack.capacity_ah)
    under = np.flatnonzero(pack.volts(amps, fine_s, start * pack.capacity_ah) < pack.end_v)
    if len(under):  # the tester ends there and looks on for a while
        stop = max(int(under[0]), 120 * round(interval_s / fine_s))
        amps = np.where(np.arange(len(amps)) < stop, amps, 0.0)[: stop + 60 * round(interval_s / fine_s)]
        time_s = time_s[: len(amps)]
    volts = pack.volts(amps, fine_s, start * pack.capacity_ah)
    every = round(interval_s / fine_s)
    seen_a = np.round((amps[::every] + noise_a * rng.standard_normal(len(amps[::every]))) / step_a) * step_a
    seen_v = np.round((volts[::every] + 0.5 * step_v * rng.standard_normal(len(seen_a))) / step_v) * step_v
    made = {"t_s": time_s[::every], BATTERY: seen_a, VOLTS: seen_v}
    return Log(made, battery_text(pack), remedy=resolution_text(max(step_a, 1e-3)))


def stepped(rng: np.random.Generator, time_s: Floats) -> Floats:
    """Two to ten levels, each for a while, rests among them."""
    count = int(rng.integers(4, 16))
    edges = np.sort(rng.uniform(0, float(time_s[-1]), count - 1))
    levels = rng.choice(np.concatenate(([0.0], rng.uniform(0.2, 1.5, int(rng.integers(2, 5))))), count)
    levels[0], levels[1] = 0.0, 1.0
    return np.asarray(levels[np.searchsorted(edges, time_s)])


def constant_with_rests(rng: np.random.Generator, time_s: Floats) -> Floats:
    """Rest, one load, rest."""
    end_s = float(time_s[-1])
    first, last = float(rng.uniform(0.02, 0.1)) * end_s, float(rng.uniform(0.7, 0.95)) * end_s
    return np.asarray(((time_s > first) & (time_s < last)).astype(float))


def constant_throughout(rng: np.random.Generator, time_s: Floats) -> Floats:  # noqa: ARG001
    """One load from the first row to the last."""
    return np.ones(len(time_s))


def pulsed(rng: np.random.Generator, time_s: Floats) -> Floats:
    """The same pulse again and again, as resistance tests have it."""
    period_s = max(float(rng.uniform(60, 600)), 20 * float(time_s[1]))
    return np.asarray((np.mod(time_s, period_s) > 0.6 * period_s).astype(float))


def resting(seed: int, interval_s: float) -> Log:
    """A battery that settles after work: the current reads its offset throughout."""
    rng = _rng(seed, 2)
    pack = draw_pack(rng)
    count = 500
    amps = np.concatenate((np.full(600, 0.3 * pack.capacity_ah), np.zeros(round(count * interval_s))))
    volts = pack.volts(amps, 1.0, 0.3 * pack.capacity_ah)[600 :: max(1, round(interval_s))][:count]
    offset = float(rng.choice([0.0, 0.00854505, 0.01, -0.02]))
    made = {
        "t_s": np.arange(len(volts)) * interval_s,
        BATTERY: np.full(len(volts), offset),
        VOLTS: np.round(volts + 0.0005 * rng.standard_normal(len(volts)), 3),
    }
    return Log(made, battery_text(pack), remedy=resolution_text(0.01))


def charging(seed: int, interval_s: float, rest: bool = True) -> Log:
    """Constant current, then constant voltage, then off."""
    rng = _rng(seed, 3)
    pack = draw_pack(rng)
    seconds = 4 * 3600.0
    time_s = np.arange(round(seconds / interval_s)) * interval_s
    begin_s = 300.0 if rest else -1.0
    full_s, end_s = float(rng.uniform(0.4, 0.6)) * seconds, float(rng.uniform(0.85, 0.97)) * seconds
    most = float(rng.uniform(0.1, 0.2)) * pack.capacity_ah
    amps = (
        -np.where(time_s < full_s, most, most * np.exp(-(time_s - full_s) / 2400))
        * (time_s > begin_s)
        * (time_s < end_s)
    )
    volts = pack.volts(amps, interval_s, 0.6 * pack.capacity_ah)
    held = float(volts[np.searchsorted(time_s, full_s) - 1])
    volts = np.where((time_s >= full_s) & (time_s < end_s), held, volts)
    made = {
        "t_s": time_s,
        BATTERY: np.round(amps + 0.002 * rng.standard_normal(len(amps)), 2),
        VOLTS: np.round(volts + 0.001 * rng.standard_normal(len(amps)), 3),
    }
    return Log(made, battery_text(pack), remedy=resolution_text(0.01))


def tested(name: str, text: str) -> Log:
    """A measured set of tests/data."""
    time_s, amps, volts = measured(name)
    return Log({"t_s": time_s, BATTERY: amps, VOLTS: volts}, text, remedy=resolution_text(0.1))


MEASURED = (
    (
        "pack_24v_65a_discharge.csv",
        '[battery]\nchemistry = "li_ion"\nblocks = 1\narrangement = "single"\nblock_voltage_v = 22.2\ncutoff_v = 18\n'
        "capacity_ah = 65\ncapacity_hours = 1\n",
    ),
    (
        "lead_acid_12v_1p5a_discharge.csv",
        '[battery]\nchemistry = "agm"\nblocks = 1\narrangement = "single"\nblock_voltage_v = 12\ncutoff_v = 10.8\n'
        "capacity_ah = 17\ncapacity_hours = 20\n",
    ),
)


@dataclass(frozen=True, slots=True)
class Driven:
    """What a driven log is made of, before a case changes it."""

    rng: np.random.Generator
    pack: Pack
    vehicle: Vehicle
    trip: Trip
    board: Board
    sheet: Pack
    """As its battery was when new and warm."""

    def record(self) -> Record:
        """As its board has it."""
        return record(self.trip, self.pack, self.board, self.rng)

    def machine(self, more: str = "", sensed: str = "supply_leg", declared: bool = True) -> str:
        """A machine file."""
        sensors = self.board.text() if declared else ""
        return (
            battery_text(self.pack, self.sheet)
            + f'[controller]\nsensed = "{sensed}"\nmixing = "controller"\n'
            + more
            + sensors
        )


CHANNELS = (BATTERY, VOLTS, LEFT, RIGHT, "controller_voltage_v", "receiver_voltage_v", *PULSES)


def driven(
    seed: int,
    *,
    board: Board | None = None,
    way: Callable[[np.random.Generator], Way] = odd_loop,
    laps: float = 3.2,
    chemistry: str | None = None,
    vehicle: Callable[[Vehicle], Vehicle] = lambda each: each,
    pack: Callable[[Pack], Pack] = lambda each: each,
    worn: Callable[[Pack], Pack] = lambda each: each,
    rest_s: float = 12.0,
    step_s: float = 0.01,
    waits: tuple[tuple[float, float], ...] = (),
    then: Callable[[np.random.Generator], list[Leg | Wait]] = lambda _: [],
) -> Driven:
    """Some laps on a circuit of its own. `waits`: laps driven when it waits, and how long [s]; `then`: what follows."""
    rng = _rng(seed, 4)
    laid = lay(way(rng), rng)
    own, new = vehicle(draw_vehicle(rng)), pack(draw_pack(rng, chemistry))
    battery = worn(new)
    places = tuple((lap * laid.length_m, wait_s) for lap, wait_s in waits)
    parts: list[Leg | Wait] = [Wait(rest_s), Leg(laid, 0.0, laps * laid.length_m, waits=places), *then(rng)]
    parts.append(Wait(rest_s))
    trip = drive(parts, own, battery, rng, step_s=step_s, start_ah=0.05 * battery.capacity_ah)
    return Driven(rng, battery, own, trip, board or Board(channels=CHANNELS), new)


def as_it_is(seed: int, **how: object) -> Log:
    """A drive in which nothing is wrong."""
    made = driven(seed, **how)  # type: ignore[arg-type]
    return Log(made.record(), made.machine(declared=seed % 2 == 0))


def cruise_way(rng: np.random.Generator) -> Way:
    """One long straight on a smooth floor."""
    return Way((Piece(float(rng.uniform(150, 500)), 0.0, float(rng.uniform(1.0, 1.8))),), roughness=0.01)


def saturated(seed: int) -> Log:
    """A sensor whose range ends below what a long climb takes; otherwise lightly used."""

    def hilly(rng: np.random.Generator) -> Way:
        base = odd_loop(rng)
        return replace(base, hills=((5.0, 5.0 + float(rng.uniform(9, 16)), 0.10),))

    made = driven(seed, way=hilly)
    top = 0.6 * float(made.trip.truth[BATTERY].max())
    board = replace(made.board, range_a=round(top, 1), step_a=round(top, 1) / 2048, noise_a=0.002 * top)
    made = replace(made, board=board)
    return Log(made.record(), made.machine(), frozenset({"cut_top", "channels_disagree"}), "cut_top")


def light_and_saturated(seed: int) -> Log:
    """A ±20 A sensor on a light machine: starts pass its range for an instant, the rest is a few amperes."""
    made = driven(seed, vehicle=lambda each: replace(each, mass_kg=45.0, slope_m_s2=1.2))
    top = 0.85 * float(made.trip.truth[BATTERY].max())
    board = replace(made.board, range_a=round(top, 1), step_a=0.0244, noise_a=0.01)
    made = replace(made, board=board)
    return Log(made.record(), made.machine(), frozenset({"cut_top"}))


def wheels_up(seed: int, last: float = 0.0, battery: bool = True) -> Log:
    """Motors at light load: the machine on a stand, the stick held at some levels, at the end at `last`."""
    rng = _rng(seed, 5)
    pack = draw_pack(rng)
    step_s, seconds = 0.01, 120.0
    time_s = np.arange(round(seconds / step_s)) * step_s
    edges = np.sort(rng.uniform(12, 105, 7))
    stick = lagged(
        np.concatenate(([0.0], rng.uniform(0.1, 1.0, 6), [last]))[np.searchsorted(edges, time_s)], step_s, 0.3
    )
    legs = [stick * (0.5 + each * stick) for each in rng.uniform(0.5, 1.3, 2)]
    coarse = float(rng.choice([0.02, 0.05, 0.1]))
    noise = coarse * float(rng.choice([0.0, 0.2]))
    total = legs[0] + legs[1] + 0.2
    volts = pack.volts(total, step_s, 0.1 * pack.capacity_ah)
    board = Board(step_a=coarse, noise_a=noise)
    made: Record = {"t_s": time_s}
    for name, value in ((BATTERY, total), (LEFT, legs[0]), (RIGHT, legs[1])):
        made[name] = board.read(rng, value, coarse, noise)
    made[VOLTS] = board.read(rng, volts, 0.005, 0.002)
    if not battery:
        del made[BATTERY]
    made["pulse_a_us"], made["pulse_b_us"] = np.round(1500 + 400 * stick), np.full(len(time_s), 1500.0)
    machine = battery_text(pack) + '[controller]\nsensed = "supply_leg"\nmixing = "controller"\n' + board.text()
    return Log(made, machine)


def coarse(seed: int) -> Log:
    """10 bits over ±100 A and over 30 V, no noise to blur a step."""
    board = Board(step_a=200 / 1024, step_v=30 / 1024, noise_a=0.03, noise_v=0.003, channels=CHANNELS)
    return as_it_is(seed, board=board)


def side_by_side(seed: int) -> Driven:
    """A drive on two blocks in parallel."""
    return driven(seed, chemistry="agm", pack=lambda each: replace(each, cells=6, capacity_ah=2 * each.capacity_ah))


def parallel(seed: int, more: str = "") -> Log:
    """Two blocks side by side, the second with its own sensor."""
    made = side_by_side(seed)
    found = made.record()
    found["block_b_current_a"] = np.round(found[BATTERY] * 0.47 / 0.0061) * 0.0061
    text = battery_text(replace(made.pack, capacity_ah=made.pack.capacity_ah / 2))
    text = text.replace("blocks = 1", "blocks = 2").replace('"single"', '"parallel"')
    return Log(found, text + '[controller]\nsensed = "supply_leg"\nmixing = "controller"\n' + more + made.board.text())


def motor_leads(seed: int) -> Log:
    """Left and right in the motor leads."""
    made = driven(seed, board=Board(motor_leads=True, channels=CHANNELS))
    return Log(made.record(), made.machine(sensed="motor_lead"))


def drifting(seed: int, more: str = "") -> Log:
    """A board whose clock runs up to half a percent wrong and jitters: all of its channels alike."""
    made = driven(seed)
    found = made.record()
    step_s = float(found["t_s"][1])
    wrong = found["t_s"] * (1 + float(made.rng.uniform(-5e-3, 5e-3)))
    return Log(found | {"t_s": wrong + made.rng.uniform(-0.1, 0.1, len(wrong)) * step_s}, made.machine(more))


def with_blown_fuse(seed: int) -> Driven:
    """The left fuse opens in mid-drive; the right side drives on for a few seconds, then the operator stops."""
    made = driven(seed)
    trip = made.trip
    at = int(made.rng.uniform(0.4, 0.7) * len(trip.time_s))
    stop = at + int(made.rng.uniform(1.5, 8.0) / trip.step_s)
    truth = dict(trip.truth)
    left = truth[LEFT].copy()
    left[at:] = 0.0
    right = truth[RIGHT].copy()
    right[at:stop] = np.maximum(1.6 * right[at:stop], 4.0)
    right[stop:] = 0.0
    truth |= {LEFT: left, RIGHT: right, BATTERY: left + right + made.vehicle.standby_a}
    for name in ("throttle", "steering"):
        truth[name] = np.where(np.arange(len(left)) < stop, truth[name], 0.0)
    return replace(made, trip=replace(trip, truth=truth))


def blown(seed: int) -> Log:
    """A fuse that opens."""
    made = with_blown_fuse(seed)
    return Log(made.record(), made.machine(), frozenset({"wheel_stalled"}))


def balance_40_60(seed: int) -> Log:
    """One side pulls 40 parts of the straight load, the other 60."""
    made = driven(seed, vehicle=lambda each: replace(each, balance=0.4))
    truth = made.trip.truth
    share = float(truth[LEFT].sum() / (truth[LEFT].sum() + truth[RIGHT].sum()))
    return Log(made.record(), made.machine(), left_share=share)


def without(seed: int, *channels: str) -> Log:
    """A board without some channels."""
    made = driven(seed)
    return Log({k: v for k, v in made.record().items() if k not in channels}, made.machine())


def pulses(seed: int, change: Callable[[Floats], Floats]) -> Log:
    """Pulse channels that are no pulses of a radio; a finding should say so."""
    made = driven(seed)
    found = made.record()
    return Log(found | {name: change(found[name]) for name in PULSES}, made.machine(), expected="pulse*")


def lamp(seed: int) -> Log:
    """A lamp switched on in mid-drive stays on at the end: in the battery lead alone, its channels are silent."""
    made = driven(seed)
    truth = dict(made.trip.truth)
    on = np.arange(len(truth[BATTERY])) > 0.5 * len(truth[BATTERY])
    truth[BATTERY] = truth[BATTERY] + float(made.rng.uniform(0.8, 3.0)) * on
    return Log(replace(made, trip=replace(made.trip, truth=truth)).record(), made.machine(), frozenset({"zero_shift"}))


def typed(
    seed: int, how: Callable[[np.random.Generator, Record], Floats], rate_hz: float, *, bench_log: bool = False
) -> Log:
    """A drive, or a stepped load, whose current was typed in; the voltage is real."""
    if bench_log:
        made = bench(seed, 1 / rate_hz, stepped)
        found, machine = made.record, made.machine
    else:
        own = driven(seed, board=Board(rate_hz=rate_hz, channels=(BATTERY, VOLTS)), laps=4.2)
        found, machine = own.record(), own.machine()
    rng = _rng(seed, 6)
    # Nobody types the true current: the step may lie anywhere but where the voltage jumps.
    allowed = frozenset({"current_filled_in", "voltage_jumps_alone"})
    return Log(found | {BATTERY: how(rng, found)}, machine, allowed, "current_filled_in")


def one_number(rng: np.random.Generator, found: Record) -> Floats:
    """Its mean, to half an ampere."""
    level = float(np.round(2 * found[BATTERY].mean() * rng.uniform(0.8, 1.3)) / 2)
    return np.full(len(found["t_s"]), level or 0.5)


def pieces(rng: np.random.Generator, found: Record) -> Floats:
    """A number for each of five to twelve pieces."""
    count = int(rng.integers(5, 13))
    edges = np.sort(rng.uniform(0, float(found["t_s"][-1]), count - 1))
    levels = np.round(found[BATTERY].mean() * rng.uniform(0.5, 1.6, count), 1)
    return np.asarray(levels[np.searchsorted(edges, found["t_s"])])


def every_minute(rng: np.random.Generator, found: Record) -> Floats:
    """Read off a meter once a minute, held until the next reading."""
    marks = np.arange(0, float(found["t_s"][-1]) + 60, 60.0) + rng.uniform(0, 20)
    readings = np.round(np.interp(marks, found["t_s"], found[BATTERY]), 1)
    return np.asarray(readings[np.clip(np.searchsorted(marks, found["t_s"]) - 1, 0, None)])


def between_minutes(rng: np.random.Generator, found: Record) -> Floats:
    """The same, with straight lines between."""
    marks = np.arange(0, float(found["t_s"][-1]) + 60, 60.0) + rng.uniform(0, 20)
    readings = np.round(np.interp(marks, found["t_s"], found[BATTERY]), 1)
    return np.interp(found["t_s"], marks, readings)


def noisy_number(rng: np.random.Generator, found: Record) -> Floats:
    """One number with a little noise added."""
    level = one_number(rng, found)
    return np.asarray(level * (1 + 0.01 * rng.standard_normal(len(level))))


def _bench(
    interval_s: float, levels: Callable[[np.random.Generator, Floats], Floats], **how: float
) -> Callable[[int], Log]:
    return lambda seed: bench(seed, interval_s, levels, **how)  # type: ignore[arg-type]


LOGS: tuple[LogFamily, ...] = (
    *(LogFamily(f"stepped load every {k:g} s", _bench(k, stepped)) for k in (1, 2, 5, 10, 30, 60)),
    LogFamily("stepped load, 1 s, steps of 0.1 A", _bench(1.0, stepped, step_a=0.1)),
    LogFamily("stepped load, 1 s, 1 mA with noise", _bench(1.0, stepped, step_a=0.001, noise_a=0.002)),
    *(LogFamily(f"constant current and rests, {k:g} s", _bench(k, constant_with_rests)) for k in (1, 10, 60)),
    *(LogFamily(f"constant current throughout, {k:g} s", _bench(k, constant_throughout)) for k in (1, 10, 60)),
    LogFamily("pulse test, 1 s", _bench(1.0, pulsed)),
    LogFamily("pulse test, 10 s", _bench(10.0, pulsed)),
    *(LogFamily(f"rest alone, {k:g} s", lambda seed, k=k: resting(seed, k)) for k in (1.0, 60.0)),
    *(
        LogFamily(f"measured: {name.split('_')[0]}", lambda _, each=(name, text): tested(*each))
        for name, text in MEASURED
    ),
    LogFamily("charging, 1 s", lambda seed: charging(seed, 1.0)),
    LogFamily("charging, 60 s", lambda seed: charging(seed, 60.0)),
    LogFamily("charging from the first row, 10 s", lambda seed: charging(seed, 10.0, rest=False)),
    LogFamily("drive as it is, 100 Hz", as_it_is),
    LogFamily("drive, 50 Hz", lambda seed: as_it_is(seed, board=Board(rate_hz=50, channels=CHANNELS))),
    LogFamily(
        "drive, 20 Hz, single readings",
        lambda seed: as_it_is(seed, board=Board(rate_hz=20, averages=False, channels=CHANNELS)),
    ),
    LogFamily("drive, 1 Hz", lambda seed: as_it_is(seed, board=Board(rate_hz=1, channels=CHANNELS))),
    LogFamily("20 s drive", lambda seed: as_it_is(seed, way=small_loop, laps=2.4, rest_s=2.0)),
    LogFamily("drive with pauses", lambda seed: as_it_is(seed, waits=((0.6, 15.0), (1.7, 40.0), (2.5, 8.0)))),
    LogFamily(
        "3 h drive, 5 Hz",
        lambda seed: as_it_is(seed, board=Board(rate_hz=5, channels=CHANNELS), laps=200.0, step_s=0.05),
    ),
    LogFamily(
        "steady cruise",
        lambda seed: as_it_is(seed, way=cruise_way, laps=0.99, vehicle=lambda v: replace(v, unsteady=0.002)),
    ),
    LogFamily(
        "steady cruise, 10-bit",
        lambda seed: as_it_is(
            seed,
            way=cruise_way,
            laps=0.99,
            vehicle=lambda v: replace(v, unsteady=0.002),
            board=Board(step_a=200 / 1024, step_v=30 / 1024, noise_a=0.03, noise_v=0.004, channels=CHANNELS),
        ),
    ),
    LogFamily("wheels up, light load", wheels_up),
    LogFamily("wheels up, still turning at the end", lambda seed: wheels_up(seed, 0.3)),
    LogFamily("the same, no battery sensor", lambda seed: wheels_up(seed, 0.3, battery=False)),
    LogFamily(
        "lfp, voltage in steps of 0.1 V",
        lambda seed: as_it_is(
            seed,
            chemistry="lfp",
            pack=lambda p: replace(p, ohm_scale=0.4, capacity_ah=40.0),
            board=Board(step_v=0.1, noise_v=0.0, channels=CHANNELS),
        ),
    ),
    LogFamily("saturated on a long climb", saturated),
    LogFamily("saturated for instants, light use", light_and_saturated),
    LogFamily("10 bits over ±100 A", coarse),
    LogFamily("no battery sensor", lambda seed: without(seed, BATTERY)),
    LogFamily("battery alone", lambda seed: without(seed, LEFT, RIGHT, *PULSES)),
    LogFamily("sensors in the motor leads", motor_leads),
    LogFamily("parallel blocks", parallel),
    LogFamily(
        "lfp, flat voltage",
        lambda seed: as_it_is(seed, chemistry="lfp", pack=lambda p: replace(p, ohm_scale=0.5, capacity_ah=60.0)),
    ),
    LogFamily("li_ion", lambda seed: as_it_is(seed, chemistry="li_ion")),
    LogFamily("cold and worn", lambda seed: as_it_is(seed, chemistry="agm", worn=lambda p: colder(p, 2.0, 0.7))),
    LogFamily("drifting clock", drifting),
    LogFamily("one blown fuse", blown),
    LogFamily("40:60 balance", balance_40_60),
    LogFamily("a lamp stays on", lamp),
    LogFamily("one pulse channel", lambda seed: without(seed, "pulse_b_us")),
    LogFamily("pulses of 18 µs", lambda seed: pulses(seed, lambda value: 18.0 + np.round((value - 1500) / 250))),
    LogFamily("pulses as levels 0 and 1", lambda seed: pulses(seed, lambda value: (value > 1500).astype(float))),
)
TYPED: tuple[LogFamily, ...] = tuple(
    LogFamily(
        f"typed: {name}, {place}",
        lambda seed, each=(how, rate, on_bench): typed(seed, each[0], each[1], bench_log=each[2]),
        typed=True,
    )
    for name, how in (
        ("one number", one_number),
        ("by pieces", pieces),
        ("every minute", every_minute),
        ("lines between minutes", between_minutes),
        ("one number with 1 % noise", noisy_number),
    )
    for place, rate, on_bench in (
        ("drive at 100 Hz", 100.0, False),
        ("drive at 1 Hz", 1.0, False),
        ("stepped load at 1 Hz", 1.0, True),
    )
)
BY_NAME = {family.name: family for family in (*LOGS, *TYPED)}
ONE_SEED = frozenset(f"measured: {name.split('_')[0]}" for name, _ in MEASURED)
"""Families that are the same for every seed."""


def findings(log: Log, more: str = "") -> tuple[frozenset[str], float | None]:
    """(codes of the report's findings, left side's share of both channels' charge)."""
    with opened(log.record, log.machine + more) as run:
        told = build_report(run, with_ledger=False).as_json()
    channel = [told["energy"]["by_channel"][side]["net_ah"]["value"] for side in ("left", "right")]
    share = None if None in channel or not sum(channel) else channel[0] / sum(channel)
    return frozenset(finding["code"] for finding in told["findings"]), share


def judge(family: LogFamily, seed: int) -> LogOutcome:
    """Make a log, read its findings."""
    log = family.make(seed)
    codes, share = findings(log)
    fits = {
        code
        for code in codes
        if log.expected
        and (code == log.expected or (log.expected.endswith("*") and code.startswith(log.expected[:-1])))
    }
    false = {code for code in codes if code in WATCHED and code not in log.allowed}
    cured = None
    if "current_filled_in" in false and log.remedy:
        cured = "current_filled_in" not in findings(log, log.remedy)[0]
    error = None if share is None or log.left_share is None else share - log.left_share
    raised = frozenset(code for code in codes if code in WATCHED) | fits
    return LogOutcome(family.name, seed, raised, frozenset(false), bool(fits) if log.expected else None, cured, error)
