"""Twenty boards that print, each to the values it was fed or to the right question. docs/wire-format.md, Plain text."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest

from amptally.logger.errors import BoardTextError
from amptally.logger.machine.description import parse
from amptally.logger.recording.recorder import Options, Outcome, Recorder
from amptally.logger.recording.recovery import recover
from amptally.logger.storage.runfile import RunFile, open_run
from amptally.logger.wire.said import said_by
from tests.first_hour.boards import PrintingBoard, left, plugged_in, pulse, right, volts

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
MACHINE = parse(
    '[machine]\nname = "cart"\n[battery]\nblocks = 2\nblock_voltage_v = 12\narrangement = "series"\n'
    "[fuse.left]\nrating_a = 40\n[fuse.right]\nrating_a = 40\n",
    "cart.toml",
)
Truth = dict[str, Callable[[int], float]]
VOLTS: Truth = {"battery_voltage_uv": lambda k: volts(k) * 1e6}
LEFT: Truth = {"left_current_ua": lambda k: left(k) * 1e6}
RIGHT: Truth = {"right_current_ua": lambda k: right(k) * 1e6}
PULSE: Truth = {"pulse_a_us": pulse}


@dataclass(frozen=True)
class Case:
    """A board, what the operator says, and what must come of it."""

    board: PrintingBoard
    truth: Truth
    maps: Sequence[str] = ()
    time: str | None = None
    columns: Sequence[str] = ()
    step: float = 1.0
    """Greatest error: half a printed digit, in storage units."""
    said: str = ""
    """A part of what the recorder must say."""
    faults: dict[str, int] | None = None


def comma(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace(".", ",")


ANSWERED = {
    "own names": Case(
        PrintingBoard(lambda k: f"{k * 20},{volts(k):.2f},{left(k):.3f}", "time_ms,battery_voltage_v,left_current_a"),
        VOLTS | LEFT,
    ),
    "own names, other units": Case(
        PrintingBoard(
            lambda k: f"{k * 20000},{volts(k) * 1e3:.0f},{left(k) * 1e3:.0f},{pulse(k) / 1e3:.3f}",
            "time_us,battery_voltage_mv,left_current_ma,pulse_a_ms", every=50,
        ),
        VOLTS | LEFT | PULSE,
    ),
    "units in brackets, blanks in the names": Case(
        PrintingBoard(
            lambda k: f"{k / 50:.3f}, {volts(k):.2f}, {left(k) * 1e3:.0f}",
            "Time [s], Battery Voltage (V), Left Current [mA]", end="\r\n",
        ),
        VOLTS | LEFT,
    ),
    "semicolons and decimal commas": Case(
        PrintingBoard(
            lambda k: f"{k * 20};{comma(volts(k), 2)};{comma(left(k), 3)}", "time_ms;battery_voltage_v;left_current_a"
        ),
        VOLTS | LEFT,
    ),
    "tabs": Case(
        PrintingBoard(lambda k: f"{k * 20}\t{volts(k):.2f}\t{left(k):.3f}",
                      "time_ms\tbattery_voltage_v\tleft_current_a", end="\r\n"),
        VOLTS | LEFT,
    ),
    "several blanks": Case(
        PrintingBoard(lambda k: f"{k * 20:8d}  {volts(k):6.2f}  {left(k):7.3f}",
                      " time_ms  battery_voltage_v  left_current_a"),
        VOLTS | LEFT,
    ),
    "another order, the time last": Case(
        PrintingBoard(lambda k: f"{right(k):.3f},{volts(k):.2f},{left(k):.3f},{k * 20}",
                      "right_current_a,battery_voltage_v,left_current_a,millis()"),
        VOLTS | LEFT | RIGHT,
    ),
    "unknown columns": Case(
        PrintingBoard(lambda k: f"{k * 20},{volts(k):.2f},{k % 7},{left(k):.3f},on",
                      "time_ms,battery_voltage_v,fan_speed,left_current_a,state"),
        VOLTS | LEFT,
        said="2 columns are not recorded, as no channel has this name: 'fan_speed', 'state'.",
    ),
    "names of its own, mapped": Case(
        PrintingBoard(lambda k: f"{k * 20},{volts(k) * 1e3:.0f},{left(k):.3f},{right(k):.3f}",
                      "Time(ms),Vbat(mV),IL,IR", every=25),
        VOLTS | LEFT | RIGHT,
        maps=("battery_voltage_v=Vbat(mV)", "left_current_a=IL", "right_current_a=IR:A"),
    ),
    "a unit by --map, the time by --time": Case(
        PrintingBoard(lambda k: f"{k * 20},{volts(k) * 1e3:.0f}", "t,U"),
        VOLTS, maps=("battery_voltage_v=U:mV",), time="t:ms",
    ),
    "no header": Case(
        PrintingBoard(lambda k: f"{k * 20},{volts(k):.2f},{k % 9},{left(k):.3f}"),
        VOLTS | LEFT, columns=("time_ms", "battery_voltage_v", "skip", "left_current_a"),
    ),
    "no header, decimal commas": Case(
        PrintingBoard(lambda k: f"{k * 20};{comma(volts(k), 2)};{comma(left(k), 3)}"),
        VOLTS | LEFT, columns=("time_ms", "battery_voltage_v", "left_current_a"),
    ),
    "boot noise": Case(
        PrintingBoard(
            lambda k: f"{k * 20},{volts(k):.2f},{left(k):.3f}", "time_ms,battery_voltage_v,left_current_a", every=50,
            before=b"\xff\xfe\x8d\x12\xe0r\x00l\r\nboot: v1.3, reset cause 1\r\nsensors: 3 found\r\n\xfe\x80\x01",
        ),
        VOLTS | LEFT, faults={"text": 3},
    ),
    "labels": Case(
        PrintingBoard(lambda k: f"t={k * 20} V={volts(k):.2f} I={left(k):.3f}"),
        VOLTS | LEFT, maps=("battery_voltage_v=V", "left_current_a=I"), time="t:ms",
    ),
    "labels with units": Case(
        PrintingBoard(
            lambda k: f"time: {k * 20} ms, battery_voltage: {volts(k) * 1e3:.0f} mV, left_current: {left(k):.3f} A"
        ),
        VOLTS | LEFT,
    ),
    "10 Hz": Case(
        PrintingBoard(lambda k: f"{k * 100},{volts(k):.2f}", "time_ms,battery_voltage_v", rate_hz=10, speed=20), VOLTS
    ),
    "500 Hz": Case(
        PrintingBoard(lambda k: f"{k * 2000},{volts(k):.2f},{left(k):.3f}", "time_us,battery_voltage_v,left_current_a",
                      every=500, rate_hz=500, speed=2),
        VOLTS | LEFT,
    ),
    "a separator at the end of each line": Case(
        PrintingBoard(lambda k: f"{k * 20},{volts(k):.2f},{left(k):.3f},", "time_ms,battery_voltage_v,left_current_a"),
        VOLTS | LEFT,
    ),
}  # fmt: skip


UNTIMED = {
    f"no time, {rate_hz:g} Hz": Case(
        PrintingBoard(lambda k: f"{volts(k):.2f},{left(k):.3f}", "battery_voltage_v,left_current_a", rate_hz=rate_hz,
                      speed=1),
        VOLTS | LEFT,
    )
    for rate_hz in (20.0, 200.0)
}  # fmt: skip

ASKED = {
    "names nobody knows": (
        Case(PrintingBoard(lambda k: f"{k * 20},{volts(k):.2f},{left(k):.2f}", "Time(ms),Vbat,I_left", every=20), {}),
        "I read `Time(ms),Vbat,I_left`: no name I know: 'Vbat' (nearest: battery_voltage_v), 'I_left' (nearest: "
        "left_current_a). Write: --map battery_voltage_v=Vbat left_current_a=I_left",
    ),
    "labels nobody knows": (
        Case(PrintingBoard(lambda k: f"V={volts(k):.1f} I={left(k):.1f}"), {}),
        "I read `V=25.2 I=0.5`: no name I know: 'V' (nearest: battery_voltage_v), 'I' (nearest: battery_current_a). "
        "Write: --map battery_voltage_v=V battery_current_a=I",
    ),
    "a time without a unit": (
        Case(PrintingBoard(lambda k: f"{k * 20},{volts(k):.2f}", "time,battery_voltage_v", every=20, speed=1), {}),
        "I read `time,battery_voltage_v`: 'time' is a time that names no unit. Write: --time time:ms",
    ),
    "no names at all": (
        Case(PrintingBoard(lambda k: f"{k * 20},25.20,0.5"), {}),
        ": lines of 3 numbers, but no line of names. Say what they are, in order, for example --columns "
        "time_ms,battery_voltage_v,left_current_a; any other word skips a column.",
    ),
    "millivolts called volts": (
        Case(PrintingBoard(lambda k: f"{k * 20},25200", "time_ms,battery_voltage_v"), {}),
        "'battery_voltage_v' read as battery_voltage_v gives 25200 V: the machine file's battery has 24 V. It is "
        "probably in mV. Write: --map battery_voltage_v=battery_voltage_v:mV",
    ),
    "milliamperes called amperes": (
        Case(PrintingBoard(lambda k: f"{k * 20},25.2,640", "time_ms,battery_voltage_v,left_current_a"), {}),
        "'left_current_a' read as left_current_a gives 640 A: more than 3 times its 40 A fuse. It is probably in mA. "
        "Write: --map left_current_a=left_current_a:mA",
    ),
    "milliseconds called seconds": (
        Case(PrintingBoard(lambda k: f"{k * 20},25.2", "time_s,battery_voltage_v", speed=1), {}),
        "'time_s' read in s gives 0.05 samples/s, but about 50 lines arrive each second. It is probably in ms. Write: "
        "--time time_s:ms",
    ),
    "milliseconds, and --time without a unit": (
        Case(
            PrintingBoard(lambda k: f"{k * 20},25.2", "clk,battery_voltage_v", speed=1), {}, time="clk",
        ),
        "'clk' read in s gives 0.05 samples/s, but about 50 lines arrive each second. It is probably in ms. Write: "
        "--time clk:ms",
    ),
    "pulses in milliseconds": (
        Case(PrintingBoard(lambda k: f"{k * 20},1.52", "time_ms,pulse_a_us"), {}),
        "gives 2 µs: command pulses are 1000 to 2000 µs. It is probably in ms. Write: --map pulse_a_us=pulse_a_us:ms",
    ),
    "decimal commas between commas": (
        Case(PrintingBoard(lambda k: f"{k * 20},{comma(volts(k), 1)}", "time_ms,battery_voltage_v"), {}),
        "under 2 names ('time_ms', 'battery_voltage_v'): it does not fit them. Print one number for each name; a "
        "decimal comma needs ; or tabs between the numbers.",
    ),
    "words only": (
        Case(PrintingBoard(lambda _: "waiting for sensor"), {}),
        "I read `waiting for sensor`: no line of names, and no line of numbers.",
    ),
}  # fmt: skip


@dataclass
class Recorded:
    """What came of a recording of two seconds of run time."""

    out: Path
    said: list[str]
    outcome: Outcome | None = None
    refused: BoardTextError | None = None

    @property
    def run(self) -> RunFile:
        assert self.outcome is not None, self.refused
        assert self.outcome.path is not None, self.said
        return open_run(self.outcome.path)


def record(case: Case, out: Path) -> Recorded:
    recorded = Recorded(out, [])
    with plugged_in(case.board) as port:
        said = said_by(case.maps, case.time, case.columns)
        wanted = Options(port, None, out, MACHINE, said=said, for_s=2.0, keep_journal=True)
        try:
            recorded.outcome = Recorder(wanted, say=recorded.said.append).run()
        except BoardTextError as error:
            recorded.refused = error
    return recorded


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Recorded]]:
    """All boards, some at a time: most of a recording is waiting."""
    folder = tmp_path_factory.mktemp("boards")
    cases = ANSWERED | UNTIMED | {name: case for name, (case, _) in ASKED.items()}
    with pytest.MonkeyPatch.context() as patch, ThreadPoolExecutor(8) as pool:
        patch.setenv("XDG_STATE_HOME", str(folder / "state"))
        folders = [folder / str(number) for number in range(len(cases))]
        yield dict(zip(cases, pool.map(record, cases.values(), folders), strict=True))


@pytest.mark.parametrize("name", ANSWERED)
def test_a_board_is_read_as_it_was_fed(name: str, recorded: dict[str, Recorded]) -> None:
    case, run = ANSWERED[name], recorded[name].run
    assert set(run.columns) == set(case.truth)
    table = run.read(sorted(case.truth))
    rate_hz = case.board.rate_hz
    lines = range(round(2 * rate_hz) + 1)
    assert table["t_us"].to_list() == [round(k / rate_hz * 1e6) for k in lines]
    for column, fed in case.truth.items():
        assert max(abs(value - fed(k)) for k, value in zip(lines, table[column], strict=True)) <= case.step, column
    assert run.metadata.faults == (case.faults or {})
    assert case.said in " ".join(recorded[name].said)


@pytest.mark.parametrize("name", [*ANSWERED, *UNTIMED])
def test_the_journal_alone_gives_the_same_run(name: str, recorded: dict[str, Recorded], tmp_path: Path) -> None:
    outcome, run = recorded[name].outcome, recorded[name].run
    assert outcome is not None
    assert outcome.journal is not None
    again, metadata = recover(outcome.journal, tmp_path / "again.parquet")
    columns = sorted(run.columns)
    assert open_run(again).read(columns).equals(run.read(columns))
    assert metadata.faults == run.metadata.faults


@pytest.mark.parametrize("name", UNTIMED)
def test_a_board_without_a_time_gets_that_of_arrival(name: str, recorded: dict[str, Recorded]) -> None:
    run, rate_hz = recorded[name].run, UNTIMED[name].board.rate_hz
    assert "The board prints no time: lines get the time of their arrival" in " ".join(recorded[name].said)
    table = run.read(["battery_voltage_uv"])
    read = [round(value * 1e-4) for value in table["battery_voltage_uv"]]
    assert read == [round(volts(k) * 100) for k in range(len(read))]
    # A busy machine may deliver lines late, but never loses them.
    assert table.height / 2.0 == pytest.approx(rate_hz, rel=0.2)
    jitter_us = run.metadata.clock["arrival_jitter_us"]
    assert jitter_us is not None
    assert 0 < jitter_us < 1e6


@pytest.mark.parametrize("name", ASKED)
def test_a_board_that_cannot_be_read_is_asked_about(name: str, recorded: dict[str, Recorded]) -> None:
    refused = recorded[name].refused
    assert refused is not None
    assert ASKED[name][1] in str(refused)
    assert list(recorded[name].out.iterdir()) == []
