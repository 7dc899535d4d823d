"""Made logs in wrong units, signs and times: which of them does an import notice, and does it leave right ones be?"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from amptally.analysis.signals.series import Floats
from amptally.logger.channels import BY_SI_NAME
from amptally.logger.errors import ImportDataError
from amptally.logger.importing.request import Request
from tests.studies.unseen_logs import Log

TOO_LONG = ("3 h drive, 5 Hz",)
"""Families that take too long to draw."""


@dataclass(frozen=True, slots=True)
class ImportOutcome:
    """One log, as it is and spoilt."""

    asked: str | None
    """What was asked of the right log; None where nothing was."""
    turned: bool
    """Whether a turned sign was noticed, and the command turns it back; likewise the next."""
    milliamperes: bool
    milliseconds: bool


def judge_import(log: Log) -> ImportOutcome:
    """Import a log as it is; with currents of the other sign; in mA and in ms without a word about it."""
    columns = {name: values for name, values in log.record.items() if name == "t_s" or name in BY_SI_NAME}
    currents = [name for name in columns if name.endswith("_a")]
    turned = columns | {name: -columns[name] for name in currents}
    in_ma = {name: values * 1000 if name in currents else values for name, values in columns.items()}
    # Names that say no unit.
    plain = {name: name.removesuffix("_a") if name in currents else name for name in columns}
    in_ma = {plain[name]: values for name, values in in_ma.items()}
    in_ms = {"t" if name == "t_s" else name: values for name, values in columns.items()}
    in_ms["t"] = np.round(in_ms["t"] * 1000)
    maps = {name: name for name in columns if name != "t_s"}
    of_ma = question(in_ma, "t_s", {name: plain[name] for name in maps}) or ""
    return ImportOutcome(
        question(columns, "t_s", maps),
        "--discharge negative" in (question(turned, "t_s", maps) or ""),
        all(f"{name}={plain[name]}:mA" in of_ma for name in currents),
        "--time t:ms" in (question(in_ms, "t", maps) or ""),
    )


def question(columns: dict[str, Floats], time: str, maps: dict[str, str]) -> str | None:
    """What an import of these columns answers instead of importing them."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.parquet"
        pl.DataFrame(dict(columns)).write_parquet(path)
        asked = Request(path, time, tuple(f"{name}={column}" for name, column in maps.items()), path.with_name("out"))
        try:
            asked.read()
        except ImportDataError as error:
            return str(error)
    return None
