"""Damaged and hostile files through the command line: what does the program answer?

A case makes one file, calls the command as a user would, and judges what came out. The suite tries a few of each kind,
`python -m benchmarks.damage_study` tens of thousands, in processes whose death, hanging and memory are seen.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import sys
import tempfile
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import polars as pl

import amptally
from amptally.logger.channels import TIME_COLUMN
from amptally.logger.machine.template import template
from amptally.logger.storage.checksums import with_place, write_checksums
from amptally.logger.storage.edits import Edits, edits_path, write_edits
from amptally.logger.storage.journal import JournalWriter
from amptally.logger.storage.metadata import KEY, Metadata
from amptally.logger.storage.runfile import open_run, write_frame
from tests.studies.fuzz import CART
from tests.studies.fuzz_inputs import LIES, a_run, lie, pieces, spoil, stream

What = Literal["right", "one line", "wrong", "defect"]
MUST_BE_NONE = ("wrong", "defect", "signal", "over 10 s", "over 1 GB")
"""Answers, and ends of a process, that no damage may bring about."""
ANSWERS = ("right", "one line", *MUST_BE_NONE)


@dataclass(frozen=True, slots=True)
class Answer:
    """What one case came to."""

    what: What
    text: str = ""
    """What was said, where it must not be."""


@dataclass(frozen=True, slots=True)
class Said:
    """What one call of the command gave back."""

    code: int
    out: str
    err: str


Case = Callable[[random.Random, "Bench"], Answer]


def command(*arguments: object) -> Said:
    """Call the command in this process; what any library writes past Python is caught too."""
    before = sys.argv
    sys.argv = ["amptally", *map(str, arguments)]
    try:
        with _caught(1) as out, _caught(2) as err, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            code = amptally.main()
        return Said(code, out.text, err.text)
    finally:
        sys.argv = before


@dataclass
class _Text:
    text: str = ""


@contextlib.contextmanager
def _caught(number: int) -> Iterator[_Text]:
    """Everything that is written to file descriptor 1 or 2."""
    name = {1: "stdout", 2: "stderr"}[number]
    held, stream_before, found = os.dup(number), getattr(sys, name), _Text()
    with tempfile.TemporaryFile() as file:
        os.dup2(file.fileno(), number)
        setattr(sys, name, os.fdopen(os.dup(number), "w", encoding="utf-8", errors="surrogateescape"))
        try:
            yield found
        finally:
            getattr(sys, name).close()
            setattr(sys, name, stream_before)
            os.dup2(held, number)
            os.close(held)
            file.seek(0)
            found.text = file.read().decode("utf-8", "replace")


def judged(said: Said, right: bool = True) -> Answer:
    """`right`: whether exit code 0 with this output is a right answer."""
    told = [line for line in said.err.splitlines() if line.startswith("amptally: ")]
    noise = "Traceback" in said.err or "panicked" in said.err or not all(map(_plain, (said.out, said.err)))
    if noise or said.code not in (0, 2, 3, 4, 5) or len(told) > 1:
        return Answer("defect", f"{said.code}: {said.err[-1500:]}")
    if said.code == 0:
        return Answer("right") if right else Answer("wrong", f"{said.out[:300]}")
    return Answer("one line") if len(told) == 1 or said.out else Answer("defect", f"{said.code} without a line")


def _plain(text: str) -> bool:
    """No letter that steers a terminal."""
    return all(letter.isprintable() or letter in "\n\r" for letter in text)


@dataclass
class Bench:
    """A folder for cases, with whole files to damage that are made once."""

    folder: Path
    signed: list[Path] = field(default_factory=list)
    """Run files with checksums."""
    reports: dict[Path, Said] = field(default_factory=dict)
    """What `report --json` says about each of them."""

    def whole_run(self, rng: random.Random) -> Path:
        """One of a few run files; they are made from the first draws."""
        if len(self.signed) < 8:
            path = self.folder / "whole" / f"{len(self.signed)}.parquet"
            path.parent.mkdir(exist_ok=True)
            if len(self.signed) % 2:
                a_run(rng, path)
            else:
                a_drive(rng, path)
            self.signed.append(path)
            self.reports[path] = command("report", path, "--json")
        return rng.choice(self.signed)

    def clear(self) -> Path:
        """An empty folder for one case."""
        place = self.folder / "case"
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        return place


def a_drive(rng: random.Random, path: Path) -> None:
    """Some hundred samples of a drive, with the machine it was made on."""
    times_s = np.arange(rng.choice((50, 700))) * 0.01
    swing = np.sin(3 * times_s)
    values = {
        "battery_current_ua": 2e7 + 1e7 * swing,
        "battery_voltage_uv": 2.5e7 - 5e5 * swing,
        "left_current_ua": 1e7 + 5e6 * swing,
        "right_current_ua": 1e7 + 5e6 * swing,
    }
    noise = np.random.default_rng(rng.getrandbits(32))
    columns = {name: (of + noise.normal(0, 1e4, len(of))).astype(np.int32) for name, of in values.items()}
    table = pl.DataFrame({TIME_COLUMN: (times_s * 1e6).round().astype(np.int64), **columns})
    write_frame(path, table, Metadata("drive", machine=CART.decode(), notes=("é",), start_charge=1.0))


def spoilt(rng: random.Random, data: bytes) -> bytes:
    """One to many hits; at the end of a file, where its description is, as many as in all the rest."""
    hits = rng.choice((1, 1, 1, 1, 2, 10))
    cut = max(len(data) - 1500, 0) if rng.random() < 0.5 else 0
    return data[:cut] + spoil(data[cut:], rng, hits)


def asked(rng: random.Random, path: Path, whole: bytes, report: Said) -> Answer:
    """Ask one of the commands that read runs about a file that was `whole`, and had `report`."""
    same = path.read_bytes() == whole
    match rng.randrange(6):
        case 0:
            return judged(command("verify", path), same)
        case 1:
            said = command("report", path)
            return judged(said, same)
        case 2:
            out = path.with_name("table")
            said = command("summary", path.parent, "--out", out, "--workers", 1)
            named = said.code == 0 and pl.read_parquet(out)["error"][0] is not None
            return Answer("one line") if named and not same else judged(said, same)
        case _:
            said = command("report", path, "--json")
            if report.code != 0:
                return judged(said)
            return judged(said, said.code != 0 or json.loads(said.out) == json.loads(report.out))


def a_signed_run(rng: random.Random, bench: Bench) -> Answer:
    """A run file with checksums, damaged: never another value without a word."""
    run = bench.whole_run(rng)
    whole = run.read_bytes()
    path = bench.clear() / "run.parquet"
    path.write_bytes(spoilt(rng, whole))
    return asked(rng, path, whole, bench.reports[run])


def _unsigned(rng: random.Random, bench: Bench) -> Path:
    """A run file as an older version wrote it."""
    run = bench.whole_run(rng)
    path = bench.clear() / "run.parquet"
    table, metadata = pl.read_parquet(run), open_run(run).metadata
    if rng.random() < 0.5:  # missing values are stored in another way
        column = table.columns[-1]
        table = table.with_columns(
            pl.Series(column, [None if rng.random() < 0.3 else k for k in table[column]], pl.Int32)
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        table.write_parquet(path, metadata={KEY: metadata.to_json()})
    return path


def an_old_run(rng: random.Random, bench: Bench) -> Answer:
    """A run file without checksums, damaged or false from the start: read as it is, or refused."""
    if rng.random() < 0.8:
        path = _unsigned(rng, bench)
        path.write_bytes(spoilt(rng, path.read_bytes()))
    else:
        path = bench.clear() / "run.parquet"
        lie(rng, path)
    arguments = rng.choice((("report", path, "--json"), ("report", path), ("verify", path)))
    return judged(command(*arguments))


def a_false_run(rng: random.Random, bench: Bench) -> Answer:
    """Checksums that fit, and metadata that no recorder wrote."""
    path = bench.clear() / "run.parquet"
    described: dict[str, Any] = json.loads(Metadata("fuzz", machine="[machine]\n").to_json())
    for _ in range(rng.choice((1, 1, 2))):
        described[rng.choice(list(described))] = rng.choice((*LIES, *HOSTILE))
    text = json.dumps(described)
    for place, raw in enumerate(RAW):
        text = text.replace(f'"raw{place}"', raw)
    times = pl.Series(TIME_COLUMN, np.arange(20) * 2000, pl.Int64)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pl.DataFrame([times, times.cast(pl.Int32).alias("battery_current_ua")]).write_parquet(
            path, metadata={KEY: with_place(text, 1)}
        )
    write_checksums(path)
    return judged(command(*rng.choice((("report", path, "--json"), ("report", path), ("verify", path)))))


RAW = (
    "1" + "0" * 400,
    "1" + "0" * 5000,
    "[" * 4000 + "]" * 4000,
    '"\\ud800"',
    "1e999",
    '{"a":' * 300 + "1" + "}" * 300,
)
HOSTILE = (
    *(f"raw{place}" for place in range(len(RAW))), 2**70, [2**63], [{"at_s": 1e300, "code": "x", "text": "\u202e"}],
    [{"start_s": 1, "end_s": 0, "kind": "\x1b[2J"}], ["\u202e\x1b]0;x\x07"], [""] * 20_000, {"rate": 1e-300},
    [{"boot": 0, "channels": {"battery_current_ua": {"least": 2**62, "greatest": -(2**62), "rms": "x"}}}],
    {"channels": [{"channel": "battery_current_ua", "full_scale": "x", "corner_hz": -1}]},
)  # fmt: skip


def a_journal(rng: random.Random, bench: Bench) -> Answer:
    """A journal, damaged or with a false header: what is recovered is whole."""
    path = bench.clear() / "run.journal"
    header: dict[str, object] = {"run_id": rng.choice(("fuzz", "fuzz", "../x", 7)), "utc": "2026-01-01T00:00:00+00:00"}
    header |= {"host_us": rng.choice((5, "x", 2**70)), "for_s": rng.choice((None, 3, *LIES[:5]))}
    header |= {name: rng.choice(LIES) for name in ("notes", "machine", "rested_h") if rng.random() < 0.2}
    if not json.dumps(header).isascii() or header["for_s"] != header["for_s"] or "NaN" in json.dumps(header):
        header["for_s"] = header["notes"] = header["machine"] = header["rested_h"] = None
    writer = JournalWriter(path, header)
    for place, piece in enumerate(pieces(stream(rng), rng)):
        writer.append(rng.choice(("bytes", "bytes", "bytes", "note")), place * rng.choice((0, 1000, 10**12)), piece)
    if rng.random() < 0.3:
        writer.append("note", 10, rng.choice(RAW).encode()[:4096])
    writer.close()
    path.write_bytes(spoil(path.read_bytes(), rng, rng.choice((0, 1, 5, 50))))
    said = command("recover", path)
    if said.code == 0:
        return judged(said, command("verify", said.out.strip().splitlines()[-1]).code == 0)
    return judged(said)


def an_edits_file(rng: random.Random, bench: Bench) -> Answer:
    """Notes, tags and lap marks, damaged: never other ones without a word."""
    run = bench.clear() / "run.parquet"
    shutil.copy(bench.whole_run(rng), run)
    write_edits(run, Edits(("wet", "é"), ("ramp",), (0.001, 0.5)))
    report = command("report", run, "--json")
    path = edits_path(run)
    if rng.random() < 0.7:
        path.write_bytes(spoil(path.read_bytes(), rng, rng.choice((1, 1, 1, 2, 10))))
        said = command("report", run, "--json")
        return judged(said, report.code != 0 or said.out == report.out)
    edits = {"schema": 1, rng.choice(("notes", "tags", "lap_marks_s", "schema", "x")): rng.choice((*LIES, *HOSTILE))}
    text = json.dumps(edits)
    for place, raw in enumerate(RAW):
        text = text.replace(f'"raw{place}"', raw)
    path.write_text(text, encoding="utf-8")
    return judged(command(*rng.choice((("report", run, "--json"), ("report", run), ("verify", run)))))


_TEMPLATE = template().encode()


def a_machine_file(rng: random.Random, bench: Bench) -> Answer:
    """A machine file, damaged: read as it is, or refused."""
    path = bench.clear() / "cart.toml"
    data = spoil(rng.choice((CART, CART, _TEMPLATE)), rng, rng.choice((1, 1, 3, 20)))
    if rng.random() < 0.2:
        lines = data.split(b"\n")
        name = rng.choice([line.split(b"=")[0] for line in lines if b"=" in line])
        values = (
            *(raw.encode()[:900] for raw in RAW),
            b"inf",
            b"-nan",
            b"1e308",
            b"0x7fffffffffffffffffff",
            b"1_0" * 99,
        )
        lines.insert(rng.randrange(len(lines)), name + b"= " + rng.choice(values))
        data = b"\n".join(lines)
    path.write_bytes(data)
    if rng.random() < 0.7:
        return judged(command("machine", rng.choice(("check", "show")), path))
    return judged(command("report", bench.whole_run(rng), "--machine", path, "--json"))


def a_table(rng: random.Random, bench: Bench) -> Answer:
    """A CSV or Parquet table of another logger: what is imported is whole."""
    path = bench.clear() / "table"
    rows, mark = rng.choice((0, 1, 200)), rng.choice((",", ";", "\t"))
    cells = ("1", "2.5", "-3,5", "", "nan", "inf", "1e400", '"', "2026-01-01T00:00:00Z", "x", "9" * 30, "\x00", "é")
    lines = [mark.join(("time", "amps"))]
    for place in range(rows):
        odd = 0.2 if place % 5 == 0 else 0.01
        lines.append(mark.join((str(place / 10), rng.choice(cells) if rng.random() < odd else str(place))))
    path.write_bytes("\n".join(lines).encode())
    if rng.random() < 0.3:
        amps = [None if rng.random() < 0.2 else float(k) for k in range(rows)]
        pl.DataFrame({"time": range(rows), "amps": pl.Series(amps, dtype=pl.Float64)}).write_parquet(path)
    path.write_bytes(spoil(path.read_bytes(), rng, rng.choice((0, 1, 1, 5, 30))))
    unit, out = rng.choice(("", ":s", ":ms", ":us", ":iso", ":epoch")), path.with_name("out.parquet")
    said = command("import", path, "--time", f"time{unit}", "--map", "battery_current_a=amps", "--out", out)
    if said.code == 0:
        return judged(said, command("verify", out).code == 0)
    return judged(said)


CASES: dict[str, Case] = {
    "run file": a_signed_run,
    "run file without checksums": an_old_run,
    "run file with false metadata": a_false_run,
    "journal": a_journal,
    "edits": an_edits_file,
    "machine file": a_machine_file,
    "CSV and Parquet tables": a_table,
}
OTHER_CASES = ("dashboard",)
"""Kinds with a module of their own, which the study tries where they are asked for."""
SHARES = {"run file": 8, "run file without checksums": 5, "run file with false metadata": 1, "journal": 2, "edits": 2,
          "machine file": 3, "CSV and Parquet tables": 3}  # fmt: skip
"""Cases of each kind in turn."""


def tried(kind: str, seed: int, bench: Bench) -> Answer:
    """One case; an error that leaves the command is a defect too."""
    try:
        if kind == "dashboard":
            from tests.studies.dashboard_calls import a_call

            return a_call(random.Random(f"{kind}-{seed}"), bench)
        return CASES[kind](random.Random(f"{kind}-{seed}"), bench)
    except (Exception, pl.exceptions.PanicException) as error:
        return Answer("defect", f"{type(error).__name__}: {error}"[:1500])
