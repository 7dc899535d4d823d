"""Logs that other loggers wrote, each to the figures it was made from, or to a question with a command that works.

One drive of an invented cart is written down in many ways. What it was made from is the only truth here: charge by the
trapezoid of its own rows, lowest voltage and largest current of them.
"""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

import amptally
from amptally.analysis.cli import page_of

Floats = NDArray[np.float64]
MAIN = "import sys, amptally; sys.exit(amptally.main())"


@dataclass(frozen=True)
class Drive:
    """A drive, or a charge, as it was."""

    time_s: Floats
    amps: Floats
    """Of the battery; discharge positive."""
    volts: Floats
    left_a: Floats
    right_a: Floats

    @property
    def charge_ah(self) -> float:
        return float(np.trapezoid(self.amps, self.time_s)) / 3600

    def part(self, rows: NDArray[np.bool_]) -> Drive:
        return Drive(*(values[rows] for values in (self.time_s, self.amps, self.volts, self.left_a, self.right_a)))


def weeding_cart() -> Drive:
    """A weeding cart on two 12 V blocks in series: 15 s standing, then rows of a bed with turns at their ends."""
    rng = np.random.default_rng(14)
    time_s = np.arange(1500) / 10
    moving = (time_s > 15) & (time_s < 140)
    turning = (time_s % 22 < 3) & moving
    left_a = np.where(moving, 5.5 + 1.5 * np.sin(time_s / 2.7), 0.0) + np.where(turning, 7.0, 0.0)
    right_a = np.where(moving, 5.1 + 1.2 * np.cos(time_s / 3.1), 0.0) - np.where(turning, 3.0, 0.0)
    left_a, right_a = (np.round(amps, 3) for amps in (left_a, right_a))
    amps = np.round(left_a + right_a + 0.25, 3)
    used_ah = np.cumsum(amps) * 0.1 / 3600
    volts = np.round(25.7 - 0.031 * amps - 1.2 * used_ah + rng.normal(0, 0.004, len(time_s)), 3)
    return Drive(time_s, amps, volts, left_a, right_a)


def overnight_charge() -> Drive:
    """Eight hours on a charger, a row each minute: constant current, then constant voltage."""
    time_s = np.arange(0.0, 8 * 3600, 60)
    bulk = time_s < 4 * 3600
    amps = np.where(bulk, -5.0, -5.0 * np.exp(-(time_s - 4 * 3600) / 3600))
    volts = np.where(bulk, 25.2 + 3.6 * time_s / (4 * 3600), 28.8)
    return Drive(time_s, np.round(amps, 3), np.round(volts, 3), amps, amps)


def steady_discharge(sign: float = 1.0) -> Drive:
    """A lamp as load for two hours, from its first row on; nothing but the voltage's fall tells the direction."""
    time_s = np.arange(0.0, 7200, 10)
    amps = 4.2 - 0.02 * time_s / 7200
    return Drive(time_s, sign * amps, np.round(12.7 - 0.9 * time_s / 7200, 3), amps, amps)


DRIVE, CHARGE, LAMP = weeding_cart(), overnight_charge(), steady_discharge()
START = datetime(2026, 4, 11, 23, 58, 30, tzinfo=UTC)


def table(names: str, *columns: Sequence[object] | Floats, mark: str = ",", above: str = "", end: str = "\n") -> str:
    """A table as text; numbers of the columns written as they are."""
    rows = (mark.join(str(cell) for cell in row) for row in zip(*columns, strict=True))
    return above + names + end + "".join(row + end for row in rows)


def comma(values: Floats) -> list[str]:
    return [f"{value:.3f}".replace(".", ",") for value in values]


def whole(values: Floats, factor: float = 1000) -> list[int]:
    return [round(float(value) * factor) for value in values]


def stamps(form: Callable[[datetime], str], drive: Drive = DRIVE) -> list[str]:
    return [form(START + timedelta(seconds=float(second))) for second in drive.time_s]


def clock(moment: datetime) -> str:
    return moment.strftime("%H:%M:%S.") + f"{moment.microsecond // 1000:03d}"


GAP = DRIVE.part((DRIVE.time_s < 60) | (DRIVE.time_s > 75))
CLOCK_STOPPED = stamps(lambda moment: moment.strftime("%H:%M:%S"))


@dataclass(frozen=True)
class Log:
    """A file, how its owner asks for it, and what must come of it."""

    content: str | bytes | pl.DataFrame
    time: str
    maps: tuple[str, ...]
    truth: Drive = DRIVE
    notes: tuple[str, ...] = ()
    """What the import must say."""
    question: tuple[str, ...] = ()
    """What the refusal must say; its command must then work. Empty: imported at once."""
    final: bool = False
    """Refused for good: no command can help."""
    exit_code: int = 3
    start_utc: str | None = None
    coverage: float = 1.0
    checks: tuple[str, ...] = ("charge", "volts", "peak")


BOTH = ("battery_current_a=I", "battery_voltage_v=U")
LOGS: dict[str, Log] = {
    "decimal commas, BOM": Log(
        "\ufeff" + table("Zeit [s];Spannung [V];Strom [A]", comma(DRIVE.time_s), comma(DRIVE.volts), comma(DRIVE.amps),
                         mark=";", end="\r\n"),
        "Zeit [s]", ("battery_current_a=Strom [A]", "battery_voltage_v=Spannung [V]"),
        notes=("decimal commas", "'Strom [A]' is read in A"),
    ),
    "ISO times with a zone, quoted cells": Log(
        table("when,U,I,remark", stamps(datetime.isoformat), [f'"{v}"' for v in DRIVE.volts], DRIVE.amps,
              ['"bed 3, dry"'] * len(DRIVE.time_s)),
        "when", BOTH, notes=("dates with times",), start_utc="2026-04-11T23:58:30",
    ),
    "seconds since 1970": Log(
        table("ts,U,I", [f"{START.timestamp() + s:.3f}" for s in DRIVE.time_s], DRIVE.volts, DRIVE.amps),
        "ts", BOTH, notes=("counts from 1970",), start_utc="2026-04-11T23:58:30",
    ),
    "milliseconds since 1970": Log(
        table("ts,U,I", [round((START.timestamp() + s) * 1000) for s in DRIVE.time_s], DRIVE.volts, DRIVE.amps),
        "ts:epoch", BOTH, start_utc="2026-04-11T23:58:30",
    ),
    "time of day over midnight, lines above the names": Log(
        table("Clock,U,I", stamps(clock), DRIVE.volts, DRIVE.amps,
              above="Bench logger 7\nOwner: I, myself\nUnits as on the panel\n\n"),
        "Clock:tod", BOTH, notes=("rolls over midnight once", "the names stand in line 5"),
    ),
    "milliamperes and millivolts in brackets": Log(
        table("Time (ms),Vbat [mV],Ibat {mA}", whole(DRIVE.time_s), whole(DRIVE.volts), whole(DRIVE.amps)),
        "Time (ms)", ("battery_current_a=Ibat {mA}", "battery_voltage_v=Vbat [mV]"),
        notes=("is read in mA", "is read in mV", "is read in ms"),
    ),
    "units as endings, tabs": Log(
        table("time_us\tvbat_mv\tibat_ma", whole(DRIVE.time_s, 1e6), whole(DRIVE.volts), whole(DRIVE.amps), mark="\t"),
        "time_us", ("battery_current_a=ibat_ma", "battery_voltage_v=vbat_mv"), notes=("is read in us",),
    ),
    "nothing said, everything in thousandths, sign turned": Log(
        table("t;U;I", whole(DRIVE.time_s), whole(DRIVE.volts), whole(-DRIVE.amps), mark=";"), "t", BOTH,
        question=("U", "in mV", "in mA", "100 s apart", "sign is turned", "t:ms", "--discharge negative"),
    ),
    "sign turned": Log(
        table("t_s,U,I", DRIVE.time_s, DRIVE.volts, -DRIVE.amps), "t_s", BOTH,
        question=("the voltage rises where the current does", "--discharge negative", "--as-read"),
    ),
    "UTF-16 of a spreadsheet": Log(
        table("t\tU\tI", comma(DRIVE.time_s), comma(DRIVE.volts), comma(DRIVE.amps), mark="\t", end="\r\n")
        .encode("utf-16"),
        "t:s", BOTH, notes=("UTF-16",),
    ),
    "a row of units, comments, empty columns at the end": Log(
        table("Time;Voltage;Current;;\ns;mV;mA;;", DRIVE.time_s, whole(DRIVE.volts),
              [f"{i};;" if k % 40 else f"{i};;\n# still here" for k, i in enumerate(whole(DRIVE.amps))], mark=";",
              above="# Weeder\n"),
        "Time", ("battery_current_a=Current", "battery_voltage_v=Voltage"),
        notes=("line 3 holds units", "row of units says so"),
    ),
    "a gap": Log(
        table("t_s,U,I", GAP.time_s, GAP.volts, GAP.amps), "t_s", BOTH, truth=GAP, coverage=0.9,
        checks=("volts", "peak"),
    ),
    "cells left empty": Log(
        table("t_s,U,I", DRIVE.time_s, [v if k % 5 == 0 else "" for k, v in enumerate(DRIVE.volts)], DRIVE.amps),
        "t_s", BOTH, notes=("1200 of 1500 cells are empty",), checks=("charge", "peak"),
    ),
    "a charge": Log(
        table("t_s,U,I", CHARGE.time_s, CHARGE.volts, CHARGE.amps), "t_s", BOTH, truth=CHARGE,
        notes=("is a charge",), checks=("charge", "volts", "peak"),
    ),
    "a charge drawn as positive": Log(
        table("t_s,U,I", CHARGE.time_s, CHARGE.volts, -CHARGE.amps), "t_s", BOTH, truth=CHARGE,
        question=("the voltage rises", "--discharge negative"),
    ),
    "a steady discharge drawn as negative": Log(
        table("t_s,U,I", LAMP.time_s, LAMP.volts, -LAMP.amps), "t_s", BOTH, truth=LAMP,
        question=("the voltage falls under a charge", "--discharge negative"),
    ),
    "a negative current alone": Log(
        table("t_s,I", LAMP.time_s, -LAMP.amps), "t_s", ("battery_current_a=I",), truth=LAMP,
        question=("which here means charging", "add --discharge positive", "--discharge negative"),
        checks=("charge", "peak"),
    ),
    "thousands separators": Log(
        table("t_s;U;I", comma(DRIVE.time_s), [f"{v // 1000}.{v % 1000:03d},0" for v in whole(DRIVE.volts)],
              comma(DRIVE.amps), mark=";"),
        "t_s", ("battery_current_a=I", "battery_voltage_v=U:mV"), question=("thousands separators", "for example '25."),
        final=True,
    ),
    "ten rows with the same second": Log(
        table("clock,U,I", CLOCK_STOPPED, DRIVE.volts, DRIVE.amps), "clock", BOTH,
        question=("1350 of 1500 rows", "largest current", "--as-read"), final=True,
    ),
    "names not quite right": Log(
        table("Time [s],Vbat,I_left,I_right,I_sum", DRIVE.time_s, DRIVE.volts, DRIVE.left_a, DRIVE.right_a, DRIVE.amps),
        "Time", ("batery_current_a=I_sum", "battery_voltage_v=vbat", "left_current_a=I_left"),
        question=("no channel 'batery_current_a'", "Nearest: battery_current_a", "Its columns: 'Time [s]', 'Vbat'"),
    ),
    "nothing asked for, date and time apart": Log(
        table("Datum;Uhrzeit [hh:mm:ss];Spannung U [V];Strom I [A]", stamps(lambda at: at.strftime("%d.%m.%Y")),
              stamps(clock), comma(DRIVE.volts), comma(DRIVE.amps), mark=";"),
        "", (), question=("--map CHANNEL=COLUMN", "'Datum', 'Uhrzeit [hh:mm:ss]'"), exit_code=2,
    ),
    "dates with the day first": Log(
        table("stamp;U;I", stamps(lambda at: at.strftime("%d.%m.%Y ") + clock(at)), comma(DRIVE.volts),
              comma(DRIVE.amps), mark=";"),
        "stamp", BOTH, start_utc="2026-04-11T23:58:30",
    ),
    "nothing asked for": Log(
        table("Time [s],Battery voltage [V],Battery current [mA]", DRIVE.time_s, DRIVE.volts, whole(DRIVE.amps)),
        "", (), question=("--time COLUMN", "'Battery current [mA]'"), exit_code=2,
    ),
    "amperes read as milliamperes": Log(
        table("t_s,U,I", DRIVE.time_s, DRIVE.volts, DRIVE.amps), "t_s",
        ("battery_current_a=I:mA", "battery_voltage_v=U"),
        question=("resistance of 31 Ω", "factor of 1000"),
    ),
    "a Parquet table with date-times": Log(
        pl.DataFrame({"at": [START + timedelta(seconds=float(s)) for s in DRIVE.time_s], "U": DRIVE.volts,
                      "I": DRIVE.amps}),
        "at", BOTH, start_utc="2026-04-11T23:58:30",
    ),
}  # fmt: skip


def called(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *arguments: object
) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["amptally", *map(str, arguments)])
    code = amptally.main()
    said = capsys.readouterr()
    return code, said.out, said.err


@pytest.mark.parametrize("name", LOGS)
def test_a_log_from_elsewhere(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    log = LOGS[name]
    monkeypatch.chdir(tmp_path)
    if isinstance(log.content, pl.DataFrame):
        log.content.write_parquet("other log")
    else:
        Path("other log").write_bytes(log.content if isinstance(log.content, bytes) else log.content.encode())
    asked = ["--time", log.time, "--map", *log.maps] if log.time else []
    code, out, err = called(monkeypatch, capsys, "import", "other log", *asked, "--out", "run.parquet")
    if log.question:
        assert (code, out) == (log.exit_code, "")
        assert len(err.strip().splitlines()) == 1
        for words in log.question:
            assert words in err
        message, found, command = err.strip().partition("un: amptally import ")
        assert "--as-read" not in command
        assert bool(found) != log.final, message
        if log.final:
            return
        run_literally(f"amptally import {command}")
    else:
        assert code == 0, err
        assert out == "run.parquet\n"
    for words in (words.lower() for words in log.notes):
        assert words in err.lower()
    code, out, err = called(monkeypatch, capsys, "report", "run.parquet", "--json")
    assert code == 0, err
    compare(json.loads(out), log)
    page = page_of(Path("run.parquet"))
    assert len(page.splitlines()) <= 40
    assert ("charged: " in page) == (log.truth is CHARGE)


def test_maps_may_be_repeated_or_stand_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("log").write_text(table("t_s,U,I,L", DRIVE.time_s, DRIVE.volts, DRIVE.amps, DRIVE.left_a))
    maps = ("--map", BOTH[0], "--map", BOTH[1], "left_current_a=L")
    code, _, err = called(monkeypatch, capsys, "import", "log", "--time", "t_s", *maps, "--out", "run.parquet")
    assert code == 0
    assert "1500 samples of battery_current_ua, battery_voltage_uv, left_current_ua" in err


def run_literally(command: str) -> None:
    """Run a command as it was printed, in a shell."""
    python = f'amptally() {{ {shlex.quote(sys.executable)} -c {shlex.quote(MAIN)} "$@"; }}'
    done = subprocess.run(
        ["sh", "-c", f"{python}\n{command}"], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == "run.parquet\n"


def compare(report: dict[str, Any], log: Log) -> None:
    truth = log.truth
    assert report["run"]["samples"] == len(truth.time_s)
    assert report["run"]["duration_s"] == pytest.approx(truth.time_s[-1] - truth.time_s[0], abs=1e-3)
    assert report["run"]["coverage"] == pytest.approx(log.coverage, abs=0.005)
    assert len(report["run"]["gaps"]) == (log.coverage < 1)
    started = report["run"]["started_utc"]
    assert (started is None) == (log.start_utc is None)
    assert log.start_utc is None or started.startswith(log.start_utc)
    if "charge" in log.checks:
        # Values are stored to a millivolt or milliampere in the coarsest of these files.
        assert report["energy"]["net_ah"]["value"] == pytest.approx(truth.charge_ah, rel=1e-3)
    if "volts" in log.checks:
        assert report["battery"]["min_voltage_v"]["value"] == pytest.approx(truth.volts.min(), abs=2e-3)
    if "peak" in log.checks:
        assert report["current"]["battery"]["peak_a"]["value"] == pytest.approx(np.abs(truth.amps).max(), abs=2e-3)
