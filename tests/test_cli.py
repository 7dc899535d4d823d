"""The command line as a user meets it: exit codes, one plain line for an error, JSON alone on stdout."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import write_frame
from tests.processes import running

ROOT = Path(__file__).parent.parent
DATA = ROOT / "tests" / "data"
CART = ROOT / "sample_runs" / "cart.toml"
MAIN = "import sys, amptally; sys.exit(amptally.main())"


def run(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "100"}
    return subprocess.run(
        [sys.executable, "-c", MAIN, *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        env=environment,
        check=False,
        timeout=120,
    )


def refused(result: subprocess.CompletedProcess[str], code: int, *words: str) -> None:
    """One plain line on stderr, nothing on stdout, the code, and the words in it."""
    assert result.returncode == code, result.stderr
    assert result.stdout == ""
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert "Traceback" not in result.stderr
    for word in words:
        assert word in lines[0]


PACK = ("--time", "time_s", "--map", "battery_current_a=current_A", "battery_voltage_v=voltage_V")


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("runs") / "pack.parquet"
    result = run("import", DATA / "pack_24v_65a_discharge.csv", *PACK, "--out", out)
    assert result.returncode == 0, result.stderr
    assert result.stdout.splitlines()[-1] == str(out)
    return out


def test_version_and_help() -> None:
    assert run("--version").stdout.startswith("amptally ")
    helped = run("--help")
    assert helped.returncode == 0
    for command in ("demo", "record", "ports", "recover", "import", "report", "view", "machine"):
        assert command in helped.stdout
    assert run().returncode == 2


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("recrod",), "recrod"),
        (("record", "/dev/null"), "--machine"),
        (("report",), "RUN"),
        (("report", "x", "--start-charge", "1.5"), "full"),
        (("report", "x", "--rested", "long"), "hours"),
        (("record", "p", "--machine", "m", "--for", "0"), "seconds"),
        (("machine", "look", "x"), "look"),
    ],
)
def test_wrong_calls_are_usage_errors(arguments: tuple[str, ...], word: str) -> None:
    refused(run(*arguments), 2, word, "--help")


@pytest.mark.parametrize("asked", [None, "3"])
def test_a_report_runs_on_one_blas_thread_unless_asked_and_leaves_garbage_collection_on(
    pack: Path, asked: str | None
) -> None:
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    environment |= {"PYTHONPATH": str(ROOT)} | ({} if asked is None else {"OPENBLAS_NUM_THREADS": asked})
    seen = "import gc, os; print(os.environ['OPENBLAS_NUM_THREADS'], gc.isenabled())"
    ended = subprocess.run(
        [sys.executable, "-c", f"import amptally; assert amptally.main() == 0; {seen}", "report", pack],
        capture_output=True, text=True, env=environment, check=True, timeout=120,
    )  # fmt: skip
    assert ended.stdout.splitlines()[-1] == f"{asked or 1} True"


def test_measured_pack_against_its_testers_counters(pack: Path) -> None:
    report = json.loads(run("report", pack, "--json").stdout)
    # Tester's counters, tests/data/README.md: 1253.75 Wh and 55.30 Ah; load from 20.1 s, rest 24.83 V, end 19.94 V.
    assert report["energy"]["discharged_wh"]["value"] == pytest.approx(1253.75, rel=0.002)
    assert report["energy"]["discharged_ah"]["value"] == pytest.approx(55.30, rel=0.002)
    assert report["battery"]["rest_voltage_v"]["value"] == pytest.approx(24.83, abs=0.005)
    assert report["battery"]["min_voltage_v"]["value"] == pytest.approx(19.94, abs=0.005)
    assert report["run"]["samples"] == 4144
    assert report["remaining"]["runtime_s"]["refused"]


def test_measured_slow_set_refuses_what_it_cannot_support(tmp_path: Path) -> None:
    out = tmp_path / "slow.parquet"
    assert run("import", DATA / "lead_acid_12v_1p5a_discharge.csv", *PACK, "--out", out).returncode == 0
    report = json.loads(run("report", out, "--json").stdout)
    # tests/data/README.md: about 19.3 Ah delivered; rows 60 s apart cannot support a 1 s RMS.
    assert report["energy"]["net_ah"]["value"] == pytest.approx(19.3, abs=0.1)
    assert report["current"]["battery"]["rms_a"]["1"]["value"] is None
    assert "sample" in report["current"]["battery"]["rms_a"]["1"]["refused"]
    assert report["battery"]["resistance_ohm"]["0.1"]["value"] is None


def test_report_page_leads_with_the_answer_and_has_no_colour_in_a_pipe(pack: Path) -> None:
    page = run("report", pack).stdout
    assert len(page.splitlines()) <= 40
    assert "1254" in page
    assert "--full" in page
    full = run("report", pack, "--full").stdout
    assert "Answers" in full.splitlines()[:6]
    assert "Cautions" in full
    assert "\x1b" not in page + full


def test_html_sheet_is_self_contained_and_not_overwritten(pack: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.html"
    assert run("report", pack, "--html", sheet).returncode == 0
    text = sheet.read_text(encoding="utf-8")
    assert "<script" not in text
    assert "http://" not in text.replace('http-equiv="', "")
    assert "https://" not in text
    refused(run("report", pack, "--html", sheet), 5, "sheet.html", "--html")


def test_a_part_of_a_run(pack: Path) -> None:
    report = json.loads(run("report", pack, "--json", "--from", 1000, "--to", 2000).stdout)
    assert report["run"]["duration_s"] == pytest.approx(1000, abs=1.1)
    # 65 A for 1000 s (tests/data/README.md).
    assert report["energy"]["discharged_ah"]["value"] == pytest.approx(65 * 1000 / 3600, rel=0.002)
    refused(run("report", pack, "--from", 9000), 3, "9000")
    refused(run("report", pack, "--from", 20, "--to", 10), 3, "--to")


def empty(path: Path) -> None:
    frame = pl.DataFrame({"t_us": pl.Series([], dtype=pl.Int64), "battery_current_ua": pl.Series([], dtype=pl.Int32)})
    write_frame(path, frame, Metadata(run_id="empty"))


def test_bad_run_files_are_one_line(pack: Path, tmp_path: Path) -> None:
    refused(run("report", tmp_path / "none.parquet"), 3, "none.parquet", "does not exist")
    refused(run("report", tmp_path), 3, "folder")
    whole = pack.read_bytes()
    cut = tmp_path / "cut.parquet"
    cut.write_bytes(whole[: len(whole) // 2])
    refused(run("report", cut), 3, "cut.parquet", "truncated")
    foreign = tmp_path / "foreign.parquet"
    pl.DataFrame({"a": [1]}).write_parquet(foreign)
    refused(run("report", foreign), 3, "import")
    empty(tmp_path / "empty.parquet")
    refused(run("report", tmp_path / "empty.parquet"), 3, "no samples")


def test_machine_files(pack: Path, tmp_path: Path) -> None:
    template = tmp_path / "cart.toml"
    assert run("machine", "new", template).returncode == 0
    refused(run("machine", "new", template), 5, "cart.toml")
    assert run("machine", "show", CART).returncode == 0
    cart = run(
        "machine", "check", CART
    )  # 24 V through 25 mΩ: up to 1056 A when full, for a fuse that interrupts 1000 A
    assert cart.returncode == 3
    assert "breaking capacity" in cart.stdout
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('[fuse.left]\nfamily = "blade_large"\nrating_a = "forty"\n')
    refused(run("machine", "check", wrong), 3, "wrong.toml line 3", "forty", "40")
    refused(run("report", pack, "--machine", wrong), 3, "line 3")
    impossible = tmp_path / "impossible.toml"
    impossible.write_text('[fuse.left]\nfamily = "blade_large"\nrating_a = 40\n[wire.left]\nawg = 16\n')
    checked = run("machine", "check", impossible)
    assert checked.returncode == 3
    assert "above the ampacity of its wire" in checked.stdout


def test_questions_through_a_pipe(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    command = [sys.executable, "-c", MAIN, "machine", "new", str(path), "--ask"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}

    def piped(text: bytes) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(command, input=text, capture_output=True, env=environment, check=False, timeout=120)

    nothing = piped(b"")
    assert (nothing.returncode, nothing.stdout) == (0, b"")
    assert not path.exists()
    filled = piped(b"4\nCart \xff\nagm\n2\nparallel\n12 V\nBEC\n4.8\n")
    assert filled.returncode == 0, filled.stderr
    assert filled.stdout.decode().splitlines() == [str(path)]
    assert "parallel" in run("machine", "show", path).stdout
    wrong = piped(b"4\n\n\nmany\n")
    assert wrong.returncode == 3
    assert b"battery.blocks, 'many', cannot be used" in wrong.stderr.splitlines()[-1]
    assert b"Traceback" not in wrong.stderr


def test_questions_on_a_terminal_end_with_ctrl_c_and_keep_the_answers(tmp_path: Path) -> None:
    pty = pytest.importorskip("pty")
    path = tmp_path / "cart.toml"
    command = [sys.executable, "-c", MAIN, "machine", "new", str(path), "--ask"]
    main, terminal = pty.openpty()
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with running(
        command, stdin=terminal, stdout=terminal, stderr=terminal, env=environment, start_new_session=True,
        preexec_fn=_own_terminal,
    ) as process:  # fmt: skip
        os.close(terminal)
        seen = b""

        def until(words: bytes) -> None:
            nonlocal seen
            while words not in seen:
                seen += os.read(main, 4096)
            seen = seen.partition(words)[2]

        until(b"> ")
        os.write(main, b"2\n")
        until(b"machine.name > ")
        os.write(main, b"Carx\x7ft\n")  # a slip of the finger, taken back
        until(b"battery.chemistry > ")
        os.write(main, b"sealed\n")
        until(b"Sealed lead-acid is one of the two")
        until(b"battery.chemistry > ")
        os.write(main, b"gel\n")
        until(b"battery.blocks > ")
        os.write(main, b"\x03")
        until(b"All answers are in")
        assert process.wait(60) == 130
    os.close(main)
    shown = run("machine", "show", path).stdout
    assert "Cart" in shown
    assert "gel" in shown


def _own_terminal() -> None:
    """Make stdin the controlling terminal, so that Ctrl-C typed there is a signal."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


def test_a_template_in_which_nothing_is_filled_in_says_so(pack: Path, tmp_path: Path) -> None:
    template = tmp_path / "cart.toml"
    assert run("machine", "new", template).returncode == 0
    checked = run("machine", "check", template)
    assert checked.returncode == 0
    assert checked.stdout.startswith("caution: Nothing is filled in")
    assert "Nothing is filled in" in run("report", pack, "--machine", template).stdout


def test_machine_check_shows_what_only_a_report_can_compute(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    # 33 CFR 183.425 Table 5: 14 AWG at 60 °C carries less than 60 A; what a 60 A fuse lets through heats it.
    path.write_text(
        '[fuse.left]\nfamily = "blade_large"\nrating_a = 60\n[wire.left]\nawg = 14\ninsulation_c = 60\n',
        encoding="utf-8",
    )
    checked = run("machine", "check", path)
    assert checked.returncode == 3
    assert checked.stdout.count("danger: ") == 2
    assert "the wire may" in checked.stdout


def test_a_description_of_another_machine_is_told(pack: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text('[battery]\nchemistry = "agm"\nblocks = 2\narrangement = "parallel"\nblock_voltage_v = 12\n')
    refused(run("report", pack, "--machine", other), 3, "12 V", "arrangement")
    out = tmp_path / "pack.parquet"
    kept = run("import", DATA / "pack_24v_65a_discharge.csv", *PACK, "--machine", other, "--out", out)
    assert kept.returncode == 0
    report = json.loads(run("report", out, "--json").stdout)
    assert report["findings"][0]["code"] == "arrangement_mismatch"
    assert report["findings"][0]["severity"] == "danger"
    assert report["battery"]["state_of_charge"]["value"] is None


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("--time", "time", "--map", "battery_current_a=current_A"), "time_s"),
        (("--time", "time_s", "--map", "battery_current_a=amps"), "current_A"),
        (("--time", "time_s", "--map", "batery_current_a=current_A"), "battery_current_a"),
        (("--time", "time_s", "--map", "battery_current_a"), "="),
    ],
)
def test_bad_imports_are_one_line(arguments: tuple[str, ...], word: str, tmp_path: Path) -> None:
    result = run("import", DATA / "pack_24v_65a_discharge.csv", *arguments, "--out", tmp_path / "x.parquet")
    refused(result, 3, word)
    assert not list(tmp_path.iterdir())


def test_import_counts_its_repairs_and_keeps_existing_files(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("t,i\n0,1\n2,3\n1,2\n1,9\n3,nan\n4,5\n")
    out = tmp_path / "log.parquet"
    result = run("import", log, "--time", "t", "--map", "battery_current_a=i", "--out", out)
    assert result.returncode == 0
    assert result.stdout.strip() == str(out)
    for words in ("unsorted: 2", "duplicate time: 1", "not a number: 1"):
        assert words in result.stderr
    report = json.loads(run("report", out, "--json").stdout)
    assert report["run"]["samples"] == 5
    # 1, 2, 3 A at 0, 1, 2 s, then 5 A at 4 s: (1.5 + 2.5 + 8) A·s.
    assert report["energy"]["net_ah"]["value"] == pytest.approx(12 / 3600)
    refused(run("import", log, "--time", "t", "--map", "battery_current_a=i", "--out", out), 5, "not overwritten")


def test_ports_and_record_without_one(tmp_path: Path) -> None:
    assert run("ports").returncode == 0
    refused_record = run("record", tmp_path / "ttyNONE", "--machine", CART, "--out", tmp_path / "runs")
    assert refused_record.returncode == 4
    assert "amptally ports" in refused_record.stderr
    assert "Traceback" not in refused_record.stderr
    unknown = run("record", "sim://?sped=3", "--machine", CART, "--out", tmp_path / "runs")
    assert unknown.returncode == 4
    assert "speed" in unknown.stderr


def test_recover_needs_a_journal(tmp_path: Path) -> None:
    refused(run("recover", tmp_path / "no.journal"), 3, "no.journal")
    (tmp_path / "bad.journal").write_bytes(b"hello")
    refused(run("recover", tmp_path / "bad.journal"), 3, "not an amptally journal")


def test_debug_shows_a_traceback(tmp_path: Path) -> None:
    result = run("--debug", "report", tmp_path / "none.parquet")
    assert "Traceback" in result.stderr


def test_a_reader_that_leaves_is_no_error(pack: Path) -> None:
    command = f"{sys.executable} -c '{MAIN}' report {pack} | head -1"
    result = subprocess.run(["bash", "-c", command], capture_output=True, text=True, cwd=ROOT, check=False)
    assert result.stderr == ""


def test_demo_records_reports_and_names_its_run(tmp_path: Path) -> None:
    result = run("demo", "--no-browser", "--out", tmp_path / "runs", cwd=tmp_path)
    assert result.returncode == 0, result.stderr
    path = Path(result.stdout.strip().splitlines()[-1])
    report = json.loads(run("report", tmp_path / path, "--json").stdout)
    assert report["laps"]["found"] >= 8
    assert report["laps"]["method"] == "marker"
    assert report["fuse"]["left"]["verdict"] in ("below", "near", "inside")
    assert report["run"]["coverage"] == 1.0
    assert report["battery"]["state_of_charge"]["value"] is not None
    assert not [name for name in (tmp_path / "runs").iterdir() if name.suffix != ".parquet"]
    page = " ".join(result.stdout.split())
    assert "before it may open" in page or "at which it may open" in page


def test_the_demo_cart_is_the_one_in_sample_runs() -> None:
    assert (ROOT / "logger" / "simulator" / "cart.toml").read_bytes() == CART.read_bytes()
