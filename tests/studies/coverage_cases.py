"""Drives of other machines and boards for the coverage study, each with the true values of the report's figures.

Vehicles, batteries and boards are those of `unseen_machine` and `unseen_battery`. A case is one way of being unlike the
demo: a slow board, no battery sensor, sensors in the motor leads, blocks in parallel, lithium, cold, a clock that is
wrong, a fuse that opens, a drive of 20 s or of 3 h, pauses, a second circuit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.fuse import assess_fuse
from amptally.analysis.protection.fuse_eligibility import FuseSpec
from amptally.analysis.signals.series import Floats
from tests.studies.unseen_battery import colder
from tests.studies.unseen_circuits import odd_loop, small_loop
from tests.studies.unseen_logs import (
    BATTERY,
    CHANNELS,
    LEFT,
    RIGHT,
    Driven,
    drifting,
    driven,
    parallel,
    side_by_side,
    with_blown_fuse,
)
from tests.studies.unseen_machine import Board, Leg, Record, Wait, lay

LEADS = {"battery": BATTERY, "left": LEFT, "right": RIGHT}
FUSE_IN = {"battery": "main", "left": "left", "right": "right"}
RATINGS_A = np.array([20, 25, 30, 35, 40, 50, 60, 80])
SCALES_S = (0.1, 1.0, 10.0)
RMS_S = (1, 10)
REST_S = 1.5
"""From the first sample on, the machine stands for so long in every case."""


class Case(NamedTuple):
    """What a board recorded, its machine file, and what is true: by the dotted name in the report's JSON."""

    record: Record
    machine: str
    truth: dict[str, float]


def ratings_a(made: Driven) -> dict[str, float]:
    """A fuse for each lead that more or less fits its RMS current."""
    rms = {place: float(np.sqrt(np.mean(made.trip.truth[name] ** 2))) for place, name in LEADS.items()}
    return {
        place: float(RATINGS_A[np.abs(RATINGS_A - 2.2 * max(value, 10.0)).argmin()]) for place, value in rms.items()
    }


def protection(made: Driven) -> str:
    """The rest of [controller], [motor] and the fuses of a machine file."""
    ratings = ratings_a(made)
    text = "continuous_a = 60\npeak_a = 180\n[motor]\nrated_a = 27\nrated_voltage_v = 24\nstall_a = 170\n"
    for place, rating in ratings.items():
        text += f'[fuse.{FUSE_IN[place]}]\nfamily = "blade_large"\nrating_a = {rating:g}\n'
        text += 'ambient_c = 25\nposition = "supply_leg"\n'
    return text


def windowed_rms_a(amps: Floats, step_s: float, window_s: float) -> float:
    """Maximum RMS over windows of one length [A]."""
    count = round(window_s / step_s)
    sums = np.concatenate(([0.0], np.cumsum(amps**2)))
    return float(np.sqrt((sums[count:] - sums[:-count]).max() / count))


def truth(made: Driven) -> dict[str, float]:
    """The true values, from the drive on its fine grid."""
    trip, pack, step_s = made.trip, made.pack, made.trip.step_s
    time_s, amps = trip.time_s, trip.truth[BATTERY]
    # `Driven.record` has its battery begin full.
    volts, open_v = pack.volts(amps, step_s, 0.0), pack.open_v(pack.drawn_ah(amps, step_s, 0.0))
    power = amps * volts
    rest_v = float(np.median(volts[time_s < REST_S]))
    found = {
        "energy.net_ah": float(amps.sum()) * step_s / 3600,
        "energy.net_wh": float(power.sum()) * step_s / 3600,
        "energy.discharged_wh": float(np.maximum(power, 0).sum()) * step_s / 3600,
        "battery.rest_voltage_v": rest_v,
        "battery.min_voltage_v": float(volts.min()),
        "battery.worst_sag_v": rest_v - float(volts.min()),
        "battery.load_drop_v": float((open_v - volts).max()),
    }
    back_wh = float(np.maximum(-power, 0).sum()) * step_s / 3600
    if back_wh > 0:
        found["energy.recovered_wh"] = back_wh
    none = np.zeros(len(amps) - 1, bool)
    for lead, name in LEADS.items():
        value = trip.truth[name]
        found[f"current.{lead}.mean_a"] = float(value.mean())
        found[f"current.{lead}.peak_a"] = float(np.abs(value).max())
        for window_s in RMS_S:
            found[f"current.{lead}.rms_a.{window_s}"] = windowed_rms_a(value, step_s, window_s)
        spec = FuseSpec(FUSE_IN[lead], "blade_large", ratings_a(made)[lead], 25, "supply_leg", "supply_leg")
        margin = assess_fuse(spec, Exposure.prepare(time_s, value, none)).margin.value
        if margin is not None:
            found[f"fuse.{FUSE_IN[lead]}.margin"] = margin
    half_ah = 0.5 * found["energy.net_ah"]
    return found | {f"battery.resistance_ohm.{scale:g}": pack.after_ohm(scale, half_ah) for scale in SCALES_S}


def _usual(**how: Any) -> Callable[[int], Case]:
    def make(seed: int) -> Case:
        made = driven(seed, **how)
        return Case(made.record(), made.machine(protection(made)), truth(made))

    return make


def _no_battery_sensor(seed: int) -> Case:
    made = _usual(chemistry="agm")(seed)
    return made._replace(record={name: value for name, value in made.record.items() if name != BATTERY})


def _motor_leads(seed: int) -> Case:
    made = driven(seed, board=Board(motor_leads=True, channels=CHANNELS))
    found = truth(made)
    # What a sensor in a motor lead reads is that lead's current; a margin is that of the fuse, in the supply leg.
    for side in ("left", "right"):
        value = made.trip.truth[f"{side}_motor_a"]
        found[f"current.{side}.mean_a"] = float(value.mean())
        found[f"current.{side}.peak_a"] = float(np.abs(value).max())
        for window_s in RMS_S:
            found[f"current.{side}.rms_a.{window_s}"] = windowed_rms_a(value, made.trip.step_s, window_s)
    return Case(made.record(), made.machine(protection(made), sensed="motor_lead"), found)


def _parallel(seed: int) -> Case:
    made = side_by_side(seed)
    log = parallel(seed, protection(made))
    return Case(log.record, log.machine, truth(made))


def _drifting(seed: int) -> Case:
    made = driven(seed)
    log = drifting(seed, protection(made))
    return Case(log.record, log.machine, truth(made))


def _blown(seed: int) -> Case:
    made = with_blown_fuse(seed)
    return Case(made.record(), made.machine(protection(made)), truth(made))


def _second_circuit(rng: np.random.Generator) -> list[Leg | Wait]:
    laid = lay(odd_loop(rng, 0.7), rng)
    return [Wait(float(rng.uniform(2, 20))), Leg(laid, 0.0, 3.2 * laid.length_m)]


def _board(**how: Any) -> Board:
    return Board(channels=CHANNELS, **how)


CASES: dict[str, Callable[[int], Case]] = {
    "100 Hz, lead": _usual(chemistry="agm"),
    "50 Hz": _usual(board=_board(rate_hz=50)),
    "20 Hz": _usual(board=_board(rate_hz=20)),
    "20 Hz, single readings": _usual(board=_board(rate_hz=20, averages=False)),
    "no battery sensor": _no_battery_sensor,
    "sensors in the motor leads": _motor_leads,
    "parallel blocks": _parallel,
    "li_ion": _usual(chemistry="li_ion"),
    "lfp": _usual(chemistry="lfp"),
    "cold and worn": _usual(chemistry="agm", worn=lambda pack: colder(pack, 2.0, 0.7)),
    "drifting clock": _drifting,
    "blown fuse": _blown,
    "20 s drive": _usual(way=small_loop, laps=2.4, rest_s=2.0),
    "3 h drive, 5 Hz": _usual(
        board=_board(rate_hz=5), laps=200.0, step_s=0.05, pack=lambda pack: replace(pack, capacity_ah=200.0)
    ),
    "pauses": _usual(waits=((0.6, 15.0), (1.7, 40.0), (2.5, 8.0))),
    "two circuits": _usual(then=_second_circuit),
}
FEW = frozenset({"3 h drive, 5 Hz"})
"""Cases that take long: a study makes few of them."""
