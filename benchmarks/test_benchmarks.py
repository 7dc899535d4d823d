"""The benchmark measures the same thing twice: ours and the plain alternatives agree. Nothing here is timed.

What long studies share with tests is in tests/studies and is tested there.
"""

from __future__ import annotations

import json
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from amptally.logger.storage.runfile import open_run
from amptally.logger.wire.blocks import Block
from amptally.logger.wire.decoder import BoardDecoder
from benchmarks import agreed, data, ours, plain, table, unseen_drives
from benchmarks.growth import Growth
from tests.processes import worker_outlives_its_parent
from tests.studies import unseen_forecasts
from tests.studies.unseen_margins import MarginOutcome

ROOT = Path(__file__).parent.parent
ROWS = 90_000
CODE_SUM = 89337369
WINDOWS_S = agreed.windows_within(ROWS * 0.001)


def studies() -> list[Path]:
    """Every module of the benchmarks but this one."""
    return [path for path in sorted(Path(__file__).parent.glob("*.py")) if path != Path(__file__)]


@pytest.mark.parametrize("module", [path.stem for path in studies()])
def test_every_study_finds_what_it_imports(module: str) -> None:
    import_module(f"benchmarks.{module}")


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return data.write_drive(tmp_path_factory.mktemp("bench") / "drive.parquet", ROWS)


@pytest.fixture(scope="module")
def report(drive: Path) -> dict[str, float]:
    return ours.report(str(drive))


def test_the_drive_is_always_the_same(drive: Path) -> None:
    again = data.frame(0, 1000)
    assert again.equals(pl.read_parquet(drive, columns=again.columns).select(again.columns).head(1000))
    # Fixed before anything was measured: another sum means that other data are measured.
    assert int(data.codes(3, 1000).astype(np.int64).sum()) == CODE_SUM
    assert open_run(drive).rows == ROWS


def test_stretches_make_up_a_drive() -> None:
    assert data.stretches(1_300_000) == [(0, 600_000), (1, 600_000), (2, 100_000)]
    assert data.stretches(600_000) == [(0, 600_000)]


def test_the_wire_bytes_hold_the_same_samples() -> None:
    items = BoardDecoder().feed(data.wire_bytes(3000))
    stored = np.concatenate([item.values for item in items if isinstance(item, Block)])
    expected = data.frame(1, 3000)
    for place, name in enumerate(data.COLUMNS):
        assert (stored[:, place] == expected[name].to_numpy()).all(), name


def test_numpy_and_ours_agree(drive: Path, report: dict[str, float]) -> None:
    pytest.importorskip("pyarrow", exc_type=ImportError)
    assert agreed.disagreements(report, plain.numpy_parquet(str(drive)), WINDOWS_S) == []
    every = plain.numpy_parquet(str(drive), "all")
    assert agreed.disagreements(report, every, WINDOWS_S) == []
    assert len([name for name in every if name.startswith("left_rms")]) > 40


def test_pandas_and_ours_agree(drive: Path, report: dict[str, float], tmp_path: Path) -> None:
    for needed in ("pandas", "pyarrow"):
        pytest.importorskip(needed, exc_type=ImportError)
    assert agreed.disagreements(report, plain.pandas_parquet(str(drive)), WINDOWS_S) == []
    csv = data.write_csv(drive, tmp_path / "drive.csv")
    assert agreed.disagreements(report, plain.pandas_csv(str(csv)), WINDOWS_S) == []


@pytest.mark.skipif(find_spec("duckdb") is None, reason="duckdb is not installed")
def test_sql_and_ours_agree(drive: Path, report: dict[str, float]) -> None:
    assert agreed.disagreements(report, plain.duckdb_sql(str(drive)), WINDOWS_S) == []


def test_a_disagreement_is_seen(report: dict[str, float]) -> None:
    wrong = dict(report, net_wh=report["net_wh"] * 1.001, left_peak_a=float("nan"))
    told = agreed.disagreements(report, wrong, WINDOWS_S)
    assert [line.split(":")[0] for line in told] == ["net_wh", "left_peak_a"]
    assert "net_wh" in agreed.tolerances()
    assert len(agreed.tolerances()) == 9 + 3 * (2 + len(agreed.WINDOWS_S))


def test_growth_is_the_slope_of_the_logarithms(tmp_path: Path) -> None:
    sizes = (10.0, 100.0, 1000.0)
    growth = Growth("samples", "samples", sizes, tuple(0.002 * size**1.5 for size in sizes))
    assert growth.exponent == pytest.approx(1.5)
    assert growth.as_json()["points"][0] == [10.0, pytest.approx(0.0632, rel=1e-3)]
    if find_spec("matplotlib") is not None:
        assert growth.draw(tmp_path).read_text(encoding="utf-8").count("exponent 1.50") <= 1


def test_the_table_says_what_was_measured(tmp_path: Path) -> None:
    lines = [
        table.Line("full report", "0.5 s", "5.0 s", 10.0, "400 MB", "3.6 M samples", "10 times", True),
        table.Line("other", "1 s", goal="0.3 s", met=False),
    ]
    text = table.as_text(lines).splitlines()
    assert text[0].split()[0] == "what"
    assert text[1].split()[-1] == "yes"
    assert text[2].split()[-1] == "no"
    document = json.loads(table.as_json(lines, [], {"cores": 2}, {}))
    assert document["lines"][0]["ratio"] == 10.0
    notes = tmp_path / "notes.md"
    notes.write_text("What limits it.\n", encoding="utf-8")
    page = table.as_markdown(lines, [], {"cores": 2}, notes)
    assert "| full report | 0.5 s | 5.0 s | 10 | 400 MB | 3.6 M samples | 10 times | yes |" in page
    assert page.endswith("What limits it.\n")


def test_ten_seconds_of_a_drive_are_ten_seconds(drive: Path) -> None:
    assert ours.ten_seconds(str(drive), "40")["samples"] == 3 * 10_001


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked up in /proc")
def test_a_killed_study_leaves_no_worker_behind(tmp_path: Path) -> None:
    imports = "from benchmarks.workers import study_pool"
    assert not worker_outlives_its_parent(tmp_path, ROOT, imports, "study_pool(1)")


def test_a_tiny_study_of_unseen_drives_has_all_of_its_tables() -> None:
    families = {
        "square",
        "none: constant load",
        "constant current throughout, 60 s",
        "typed: one number, drive at 1 Hz",
    }
    asked = [job for job in unseen_drives.jobs(("laps", "logs"), range(1), True) if job.family in families]
    assert len(asked) == len(families)
    done = [outcome for job in asked for outcome in unseen_drives.work(job)]
    done += unseen_forecasts.slow_rows(0, 60.0)
    done.append(MarginOutcome("gap of 2 s", 0, "left", 1.0, "near", 1.2, 1.1, "estimate", "below"))
    text = unseen_drives.tables(done)
    for title in ("Laps", "False alarms", "Currents typed in", "Fuse margins", "Figures of a known battery"):
        assert title in text
    assert "| gap of 2 s | 1 | – | – | – | – | 20.0 % | 20 % | 100 % | 100 % | 100 % |" in text
    assert "| one number, drive at 1 Hz | 1 | 100 % | – |" in text
    assert "margins: gap of 2 s, seed 0, left: 1.20 estimate below for 1.00 near" in unseen_drives.wrong(done)
    every = unseen_drives.jobs(unseen_drives.PARTS, range(20), False)
    assert len(every) == len(set(every)) > 1500


def test_no_study_starts_processes_another_way() -> None:
    texts = {path.name: path.read_text(encoding="utf-8") for path in studies()}
    assert {name for name, text in texts.items() if "ProcessPoolExecutor" in text} == {"workers.py"}
    assert sum("study_pool(" in text for text in texts.values()) > 5
