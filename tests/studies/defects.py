"""Ways in which a drive's data can be wrong, put into simulated drives, and the findings that they raise.

Machines and drives are drawn and simulated (logger/simulator), or those of the unseen logs with other boards, batteries
and lengths. A drive is tried as it is, at other rates and with fewer
channels (there every finding is a false alarm), then with one defect after the other. The tests try a few drives,
`python -m benchmarks.bad_data` many.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from amptally.analysis.quality.screening import judge
from amptally.analysis.runs.run import Run
from amptally.logger.simulator import Scenario, draw_cart, draw_drive, draw_wander, simulate
from tests.analysis.build_runs import write_run
from tests.studies import unseen_logs
from tests.studies.unseen_battery import colder
from tests.studies.unseen_laps import small_loop
from tests.studies.unseen_logs import Log
from tests.studies.unseen_machine import Board

Floats = npt.NDArray[np.float64]
Record = dict[str, Floats]
"""Channels in SI units by name, t_s among them; NaN is null."""
Change = Callable[[Record, np.random.Generator], Record]
CART = Path(__file__).parents[2] / "sample_runs" / "cart.toml"
BATTERY, VOLTS, LEFT, RIGHT = "battery_current_a", "battery_voltage_v", "left_current_a", "right_current_a"
KEPT = (BATTERY, VOLTS, LEFT, RIGHT, "midpoint_voltage_v", "controller_voltage_v", "receiver_voltage_v", "mark")


@dataclass(frozen=True, slots=True)
class Defect:
    """One way of being wrong."""

    name: str
    code: str
    """Expected finding; empty where there is nothing wrong."""
    put_in: Change
    """From the measured channels to what the file holds."""


def scaled(channel: str, factor: float) -> Change:
    """A wrong scale or sign."""
    return lambda record, _: record | {channel: factor * record[channel]}


def swapped(one: str, other: str) -> Change:
    """Two channels under each other's names."""
    return lambda record, _: record | {one: record[other], other: record[one]}


def cut(channel: str, share: float) -> Change:
    """Tops cut at a share of the greatest reading."""

    def put_in(record: Record, _: np.random.Generator) -> Record:
        top = share * float(record[channel].max())
        return record | {channel: np.minimum(record[channel], top)}

    return put_in


def filled(pieces: int, noise: float = 0.0) -> Change:
    """A battery current written in by hand: one number, one for each piece of the run, or with a little noise."""

    def put_in(record: Record, rng: np.random.Generator) -> Record:
        mean = float(record[BATTERY].mean())
        each = np.round(mean * (1 + 0.05 * rng.standard_normal(pieces)), 1)
        value = each[np.arange(len(record["t_s"])) * pieces // len(record["t_s"])]
        return record | {BATTERY: value * (1 + noise * rng.standard_normal(len(value)))}

    return put_in


def elsewhere(noise_v: float) -> Change:
    """A voltage that is not this battery's: a level that drifts a little, with noise."""

    def put_in(record: Record, rng: np.random.Generator) -> Record:
        time_s = record["t_s"]
        volts = 25.2 + 0.1 * np.sin(time_s / 40 + rng.uniform(0, 6)) + noise_v * rng.standard_normal(len(time_s))
        return record | {VOLTS: volts}

    return put_in


def on_clock(channels: tuple[str, ...], late_s: float, ppm: float = 0.0) -> Change:
    """Channels whose clock started apart, or runs at another rate."""

    def put_in(record: Record, _: np.random.Generator) -> Record:
        time_s = record["t_s"]
        true_s = (time_s - late_s) * (1 - 1e-6 * ppm)
        return record | {name: np.interp(true_s, time_s, record[name]) for name in channels}

    return put_in


def driven(record: Record) -> tuple[int, int]:
    """First and last sample under load."""
    size = np.abs(record[BATTERY])
    loaded = np.flatnonzero(size > min(5.0, 0.3 * float(size.max())))
    return int(loaded[0]), int(loaded[-1])


def held(channel: str, seconds: float) -> Change:
    """A channel that keeps one reading for a while in the middle of the drive."""

    def put_in(record: Record, rng: np.random.Generator) -> Record:
        first, last = driven(record)
        count = min(int(seconds / float(np.median(np.diff(record["t_s"])))), (last - first) // 2)
        start = int(rng.integers(first, last - count))
        value = record[channel].copy()
        value[start : start + count] = value[start]
        return record | {channel: value}

    return put_in


def nulled(channel: str, share: float) -> Change:
    """A channel that is null in one stretch."""

    def put_in(record: Record, rng: np.random.Generator) -> Record:
        count = int(share * len(record["t_s"]))
        start = int(rng.integers(0, len(record["t_s"]) - count))
        value = record[channel].copy()
        value[start : start + count] = np.nan
        return record | {channel: value}

    return put_in


def shifted(channel: str, by_a: float) -> Change:
    """A zero that moves at the greatest current."""

    def put_in(record: Record, _: np.random.Generator) -> Record:
        later = np.arange(len(record["t_s"])) > int(np.argmax(record[channel]))
        return record | {channel: record[channel] + by_a * later}

    return put_in


def thinned(step: int) -> Change:
    """Every n-th sample alone."""
    return lambda record, _: {name: value[::step] for name, value in record.items()}


def meant(step: int) -> Change:
    """Means over n samples."""

    def put_in(record: Record, _: np.random.Generator) -> Record:
        rows = len(record["t_s"]) // step
        return {name: value[: rows * step].reshape(rows, step).mean(axis=1) for name, value in record.items()}

    return put_in


def rounded(step_a: float, step_v: float) -> Change:
    """A coarse instrument."""
    return lambda record, _: {
        name: np.round(value / step_a) * step_a if name.endswith("_a")
        else np.round(value / step_v) * step_v if name.endswith("_v") else value
        for name, value in record.items()
    }  # fmt: skip


def only(*channels: str) -> Change:
    """Fewer channels."""
    return lambda record, _: {name: record[name] for name in ("t_s", *channels)}


GOOD = (
    Defect("as recorded", "", lambda record, _: record),
    Defect("every 10th sample", "", thinned(10)),
    Defect("every 100th sample", "", thinned(100)),
    Defect("means over 5 samples", "", meant(5)),
    Defect("steps of 0.1 A and 0.1 V", "", rounded(0.1, 0.1)),
    Defect("battery current and voltage alone", "", only(BATTERY, VOLTS)),
    Defect("currents alone", "", only(BATTERY, LEFT, RIGHT)),
)
FACTORS = (0.001, 0.1, 0.5, 1.3, 2.0, 10.0)
BAD = (
    Defect("battery current turned", "current_sign", scaled(BATTERY, -1)),
    Defect("left current turned", "channels_disagree", scaled(LEFT, -1)),
    *(Defect(f"battery current × {k:g}", "channels_disagree", scaled(BATTERY, k)) for k in FACTORS),
    *(Defect(f"left current × {k:g}", "channels_disagree", scaled(LEFT, k)) for k in FACTORS),
    *(Defect(f"battery current × {k:g}, no channels", "current_scale",
             lambda record, rng, k=k: only(BATTERY, VOLTS)(scaled(BATTERY, k)(record, rng), rng))
      for k in (0.001, 10.0)),
    Defect("battery and left swapped", "channels_swapped", swapped(BATTERY, LEFT)),
    *(Defect(f"battery tops cut at {k:.0%} of the greatest", "cut_top", cut(BATTERY, k)) for k in (0.95, 0.8, 0.6)),
    Defect("the same at 80%, in steps of 0.1 A", "cut_top",
           lambda record, rng: rounded(0.1, 0.001)(cut(BATTERY, 0.8)(record, rng), rng)),
    *(Defect(f"left tops cut at {k:.0%} of the greatest", "cut_top", cut(LEFT, k)) for k in (0.8, 0.6)),
    Defect("battery current one number", "current_filled_in", filled(1)),
    Defect("one number for each of 8 pieces", "current_filled_in", filled(8)),
    Defect("one number with 0.5 % noise", "current_filled_in", filled(1, 0.005)),
    *(Defect(f"voltage from elsewhere, noise {1e3 * k:g} mV", "voltage_unanswering", elsewhere(k))
      for k in (0.0, 0.003, 0.03)),
    *(Defect(f"voltage {k:g} s late", "time_bases_differ", on_clock((VOLTS,), k)) for k in (0.15, 0.5, 2.0, 20.0)),
    Defect("voltage 2 s early", "time_bases_differ", on_clock((VOLTS,), -2.0)),
    *(Defect(f"voltage's clock {k / 1e4:g} % apart", "time_bases_differ", on_clock((VOLTS,), 0.0, k))
      for k in (1000.0, 5000.0, 20000.0)),
    Defect("both channels 1 s late", "time_bases_differ", on_clock((LEFT, RIGHT), 1.0)),
    *(Defect(f"left current null in {k:.0%}", "channel_partial", nulled(LEFT, k)) for k in (0.02, 0.5)),
    *(Defect(f"{name} stuck for {k:g} s", "channel_stuck", held(channel, k))
      for name, channel in (("battery current", BATTERY), ("left current", LEFT), ("battery voltage", VOLTS))
      for k in (8.0, 20.0)),
    *(Defect(f"battery zero moved by {k:g} A", "zero_shift", shifted(BATTERY, k)) for k in (0.5, 1.0, 3.0, -1.0)),
    Defect("left zero moved by 2 A", "zero_shift", shifted(LEFT, 2.0)),
)  # fmt: skip


def codes(record: Record, folder: Path, machine: str | None) -> list[str]:
    """What is said of a run that holds these channels."""
    path = folder / "run.parquet"
    path.unlink(missing_ok=True)
    channels = {name: value for name, value in record.items() if name != "t_s"}
    write_run(path, record["t_s"], channels, machine=machine)
    return [finding.code for finding in judge(Run.open(path))]


def drawn(seed: int) -> Record:
    """The measured channels of another machine on another drive of two to four laps, or on a way without laps."""
    way = draw_wander(seed) if seed % 4 == 3 else draw_drive(seed, laps=2 + seed % 3)
    drive = simulate(seed, scenario=Scenario(draw_cart(seed), way), interval_us=10_000)
    return {"t_s": drive.measured["t_s"], **{name: drive.measured[name] for name in KEPT}}


def simulated(seed: int) -> tuple[Record, str]:
    """Such a drive and the demo's machine file."""
    return drawn(seed), CART.read_text(encoding="utf-8")


def _unseen(**how: object) -> Callable[[int], Log]:
    return lambda seed: unseen_logs.as_it_is(seed, **how)


def _board(**how: float) -> Board:
    return Board(channels=unseen_logs.CHANNELS, **how)  # type: ignore[arg-type]


OTHERS: dict[str, Callable[[int], Log]] = {
    "50 Hz": _unseen(board=_board(rate_hz=50)),
    "20 Hz, single readings": _unseen(board=_board(rate_hz=20, averages=False)),
    "10 bits": unseen_logs.coarse,
    "li_ion": _unseen(chemistry="li_ion"),
    "lfp": _unseen(chemistry="lfp"),
    "cold and worn": _unseen(chemistry="agm", worn=lambda pack: colder(pack, 2.0, 0.7)),
    "parallel blocks": unseen_logs.parallel,
    "drifting clock": unseen_logs.drifting,
    "pauses": _unseen(waits=((0.6, 15.0), (1.7, 40.0), (2.5, 8.0))),
    "20 s": _unseen(way=small_loop, laps=2.4, rest_s=2.0),
    "3 h at 5 Hz": _unseen(
        board=_board(rate_hz=5), laps=200.0, step_s=0.05, pack=lambda pack: replace(pack, capacity_ah=200.0)
    ),
}
"""Other machines and boards, nothing wrong with any."""


def other(seed: int) -> tuple[Record, str]:
    """A drive of one of them, in turn."""
    log = list(OTHERS.values())[seed % len(OTHERS)](seed)
    return log.record, log.machine


MACHINES = {"simulated": simulated, "other": other}


def study(
    seed: int, kinds: tuple[Defect, ...] = (*GOOD, *BAD), machines: str = "simulated"
) -> list[tuple[str, list[str]]]:
    """Name of each kind with the codes raised on one drive of `MACHINES`."""
    record, machine = MACHINES[machines](seed)
    with tempfile.TemporaryDirectory() as name:
        return [
            (kind.name, codes(kind.put_in(record, np.random.default_rng([seed, place])), Path(name), machine))
            for place, kind in enumerate(kinds)
        ]
