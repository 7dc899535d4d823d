"""Commands whose caller closed a stream, `2>&-` or `>&-`, or stopped reading it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.checks import numbers, sound
from tests.faults.harness import PATIENCE_S, RecorderProcess, live_board

ROOT = Path(__file__).parents[2]
RUN = ROOT / "sample_runs" / "nine-laps-marked.parquet"
CLOSINGS = ["2>&-", ">&-", "<&-", ">&- 2>&-", "<&- >&- 2>&-"]


def shell(redirection: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    script = f'exec "$@" {redirection}'
    code = "import sys, amptally; sys.exit(amptally.main())"
    command = ["sh", "-c", script, "sh", sys.executable, "-c", code, *map(str, arguments)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(command, capture_output=True, text=True, env=environment, timeout=PATIENCE_S, check=False)


@pytest.mark.parametrize("closing", CLOSINGS)
def test_a_recording_with_closed_streams(tmp_path: Path, closing: str) -> None:
    out = tmp_path / "runs"
    prefix = ("sh", "-c", f'exec "$@" {closing}', "sh")
    with live_board() as (board, port), RecorderProcess(port, out, "--for", "1", prefix=prefix) as recorder:
        recorder.wait_for(lambda: board.written >= 400)
        code, path, said = recorder.result()
    assert code == 0, said
    assert "Traceback" not in said
    (found,) = out.glob("*.parquet")
    assert numbers(sound(found))[:400] == list(range(400))
    if ">&-" not in closing.replace("2>&-", ""):
        assert path == found  # and no message got into stdout
    assert sorted(out.iterdir()) == [found]


@pytest.mark.parametrize("closing", CLOSINGS)
def test_commands_with_closed_streams(tmp_path: Path, closing: str) -> None:
    done = shell(closing, "report", RUN, "--json")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    if ">&-" not in closing.replace("2>&-", ""):
        assert done.stdout.startswith("{")
    missing = shell(closing, "report", tmp_path / "none.parquet")
    assert missing.returncode == 3, missing.stderr
    assert missing.stdout == ""
    assert len(missing.stderr.splitlines()) == ("2>&-" not in closing)


def test_messages_that_nobody_reads(tmp_path: Path) -> None:
    """The far end of stderr is closed: the path still comes on stdout."""
    (tmp_path / "log.csv").write_text("t,i\n0,1\n1,2\n2,x\n", encoding="utf-8")
    read, write = os.pipe()
    os.close(read)
    code = "import sys, amptally; sys.exit(amptally.main())"
    out = tmp_path / "x.parquet"
    done = subprocess.run(
        [sys.executable, "-c", code, "import", str(tmp_path / "log.csv"), "--time", "t", "--map",
         "battery_current_a=i", "--out", str(out)],
        stdout=subprocess.PIPE, stderr=write, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False,
        timeout=PATIENCE_S,
    )  # fmt: skip
    os.close(write)
    assert done.returncode == 0
    assert done.stdout.strip() == str(out)
