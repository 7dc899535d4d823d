"""One import for a notebook: its page and the examples of its docstrings run as they stand; doubts hold there too."""

from __future__ import annotations

import doctest
import inspect
import re
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import polars as pl
import pytest

import amptally as at
from amptally import library
from amptally.analysis.exposure.exposure import FIXED_WINDOWS_S
from amptally.analysis.report.build import build_report
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_frame
from tests.analysis.build_runs import CART, write_run

ROOT = Path(__file__).parent.parent
SAMPLES = ROOT / "sample_runs"
SAMPLE = SAMPLES / "nine-laps-marked.parquet"
MACHINE = SAMPLES / "cart.toml"


@pytest.fixture(scope="module")
def run() -> at.Run:
    return at.open_run(SAMPLE)


def run_examples(text: str, names: dict[str, Any], where: str) -> int:
    """Run the >>> lines of a text; what they show must be what stands there. Gives how many ran."""
    test = doctest.DocTestParser().get_doctest(text, names, where, where, 0)
    said: list[str] = []
    result = doctest.DocTestRunner().run(test, out=said.append, clear_globs=False)
    assert result.failed == 0, "".join(said)
    return result.attempted


def code_blocks(page: str) -> list[str]:
    return re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)


def test_the_page_runs_and_shows_what_it_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    blocks = code_blocks((ROOT / "docs" / "library.md").read_text(encoding="utf-8"))
    assert len(blocks) > 8
    assert run_examples("\n\n".join(blocks), {}, "docs/library.md") > 25


def test_the_lines_in_the_readme_give_what_stands_beside_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"^ *```python\n(.*?)^ *```$", text, re.MULTILINE | re.DOTALL)
    names: dict[str, Any] = {}
    shown = 0
    for line in textwrap.dedent(block).splitlines():
        code, _, beside = line.partition("  # ")
        if beside:
            assert repr(eval(code, names)) == beside
            shown += 1
        else:
            exec(code, names)
    assert shown == 2


def test_the_examples_of_the_docstrings_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: at.Run) -> None:
    (tmp_path / "runs").mkdir()
    for path, copy in ((SAMPLE, "drive.parquet"), (MACHINE, "cart.toml"), (SAMPLE, "runs/drive.parquet")):
        shutil.copy(path, tmp_path / copy)
    monkeypatch.chdir(tmp_path)
    for name in at.__all__:
        item = getattr(at, name)
        if inspect.isfunction(item):
            assert run_examples(inspect.getdoc(item) or "", {"at": at, "pl": pl, "run": run}, name) > 0, name


def test_the_module_offers_what_it_lists() -> None:
    assert at.__all__ == library.__all__ == sorted(at.__all__)
    assert set(at.__all__) < set(dir(at))
    for name in at.__all__:
        assert getattr(at, name) is getattr(library, name)
        assert inspect.getdoc(getattr(library, name)), f"{name} has no docstring"
    with pytest.raises(AttributeError, match="has no attribute 'open_runs'"):
        _ = at.open_runs


def test_importing_it_costs_the_command_nothing() -> None:
    loaded = "import sys, amptally; print({'numpy', 'polars', 'amptally.library'} & set(sys.modules), amptally.main)"
    printed = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True, check=True).stdout
    assert printed.startswith("set() <function main")


def test_every_figure_is_that_of_the_report(run: at.Run) -> None:
    report = build_report(at.open_run(SAMPLE))
    assert at.report(run).as_json() == report.as_json()
    assert at.energy(run) == report.energy
    assert at.battery(run) == report.sag
    assert at.laps(run) == report.laps
    assert at.findings(run) == report.findings
    assert at.remaining(run) == report.charge.remaining
    for lead in ("battery", "left", "right"):
        assert at.current(run, lead).rms_a == report.currents[lead].rms_a
        assert at.exposure(run, lead).curve == report.currents[lead].exposure
        worst = {f"{window_s:g}": at.exposure(run, lead).worst(window_s).rms_a for window_s in FIXED_WINDOWS_S}
        assert worst == report.currents[lead].rms_a
    for place in ("main", "left", "right"):
        assert at.fuse_margin(run, place) == report.fuses[place].margin


def test_a_report_is_computed_once_for_its_options(run: at.Run) -> None:
    assert at.report(run) is at.report(run)
    other = at.report(run, start_charge=0.5)
    assert other is not at.report(run)
    assert other is at.report(run, start_charge=0.5)
    assert at.report(at.open_run(SAMPLE)) is not at.report(run)


def test_a_run_prints_as_one_line(run: at.Run) -> None:
    assert repr(run) == f"Run('{SAMPLE}', 0 to 282.19 s, 28220 samples)"
    assert repr(at.exposure(run, "left")) == "CurrentExposure(lead='left')"


def damaged(folder: Path, **columns: pl.Expr) -> at.Run:
    """The sample drive with changed columns."""
    frame = pl.read_parquet(SAMPLE).with_columns(**columns)
    path = folder / "drive.parquet"
    write_frame(path, frame, Metadata(run_id="drive", machine=MACHINE.read_text(encoding="utf-8"), start_charge=1.0))
    return at.open_run(path)


def test_a_doubted_current_is_refused_for_every_window(tmp_path: Path, run: at.Run) -> None:
    # Ten times too large: battery, left and right no longer add up, and left is the one that does not fit.
    left = damaged(tmp_path, left_current_ua=pl.col("left_current_ua") * 10)
    worst = at.exposure(left, "left").worst(7.3)
    assert (worst.rms_a.value, worst.start_s, worst.end_s) == (None, None, None)
    assert [reason.code for reason in worst.rms_a.reasons] == ["doubted"]
    assert worst.rms_a.reasons[0]["finding"] == "channels_disagree"
    assert str(worst) == "not given (doubted) over 7.3 s"
    assert at.exposure(left, "left").curve == ()
    assert at.fuse_margin(left, "left").value is None
    assert "channels_disagree" in [finding.code for finding in at.findings(left)]
    # The other side is what it was.
    assert at.exposure(left, "right").worst(7.3) == at.exposure(run, "right").worst(7.3)


def test_a_cut_current_is_a_lower_limit_for_every_window(tmp_path: Path, run: at.Run) -> None:
    top = int(0.6 * pl.read_parquet(SAMPLE)["left_current_ua"].to_numpy().max())
    cut = damaged(tmp_path, left_current_ua=pl.col("left_current_ua").clip(upper_bound=top))
    rms_a, true = at.exposure(cut, "left").worst(0.7).rms_a, at.exposure(run, "left").worst(0.7).rms_a
    assert rms_a.bound == "at_least"
    assert rms_a.high is None
    assert rms_a.value is not None
    assert true.value is not None
    assert rms_a.value < true.value


def test_a_current_that_was_not_measured_is_refused(tmp_path: Path) -> None:
    run = at.open_run(write_run(tmp_path / "r.parquet", [0.0, 0.1, 0.2], {"battery_voltage_v": 25.0}, machine=CART))
    worst = at.exposure(run, "left").worst(0.2)
    assert worst.rms_a.value is None
    assert at.explain(worst.rms_a) == "not given: no left current was measured."
    assert at.exposure(run, "left").curve == ()


def test_what_cannot_be_asked_is_one_line(tmp_path: Path, run: at.Run) -> None:
    wrong: Any = "lft"
    bare = at.open_run(write_run(tmp_path / "bare.parquet", [0.0, 0.1], {"left_current_a": 1.0}))
    for call, said in (
        (lambda: at.exposure(run, wrong), "'lft' is not a lead. Choose one of: battery, left, right."),
        (lambda: at.current(run, wrong), "'lft' is not a lead. Choose one of: battery, left, right."),
        (lambda: at.fuse_margin(run, wrong), "'lft' is not a place. Choose one of: main, left, right."),
        (lambda: at.fuse_margin(bare, "main"), "no main fuse, it has no machine description"),
        (lambda: at.exposure(run, "left").worst(0.0), "window_s is 0.0: write a length above 0 s"),
        (lambda: at.exposure(run, "left").worst(float("nan")), "window_s is nan"),
        (lambda: at.report(run, start_charge=80), "start_charge is 80: write a fraction from 0 to 1"),
        (lambda: at.report(run, rested_h=-1), "rested_h is -1: write hours"),
        (lambda: at.report(run, rested_h=float("nan")), "rested_h is nan: write hours"),
        (lambda: at.list_runs(tmp_path / "none"), "none is not a folder."),
        (lambda: at.open_run(tmp_path / "none.parquet"), "none.parquet does not exist."),
    ):
        with pytest.raises((at.AnalysisError, at.LoggerError)) as raised:
            call()
        assert said in str(raised.value)
        assert "\n" not in str(raised.value)


def test_a_folder_is_listed_with_what_cannot_be_opened(tmp_path: Path) -> None:
    shutil.copy(SAMPLE, tmp_path / "good.parquet")
    (tmp_path / "bad.parquet").write_bytes(b"no run file")
    table = at.list_runs(str(tmp_path))
    assert table["path"].to_list() == [str(tmp_path / "good.parquet"), str(tmp_path / "bad.parquet")]
    good, bad = table.rows(named=True)
    assert (good["run_id"], good["samples"], good["problem"]) == ("nine-laps-marked", 28220, None)
    assert (bad["run_id"], bad["duration_s"]) == (None, None)
    assert "bad.parquet" in bad["problem"]
    assert at.list_runs(ROOT / "docs").rows() == []


def test_reasons_and_findings_are_explained(run: at.Run) -> None:
    net = at.energy(run).net_wh
    assert at.explain(net.reasons[0]) in at.explain(net)
    for finding in at.findings(run):
        assert re.fullmatch(r"[A-Z].*\. Evidence: .+\. [A-Z].*\.?", at.explain(finding)), finding.code
