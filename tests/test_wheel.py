"""The wheel, installed into an empty environment outside the checkout, does the main job there."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).parent.parent


def call(*command: object, cwd: Path) -> str:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    result = subprocess.run(
        list(map(str, command)), capture_output=True, text=True, cwd=cwd, env=environment, check=False, timeout=600
    )
    assert result.returncode == 0, result.stderr[-2000:]
    return result.stdout


def test_wheel_in_an_empty_environment(tmp_path: Path) -> None:
    source = tmp_path / "source"
    call("git", "clone", "-q", "--no-hardlinks", ROOT, source, cwd=tmp_path)
    call(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", tmp_path / "wheels", source, cwd=tmp_path)
    (wheel,) = (tmp_path / "wheels").glob("amptally-*.whl")
    venv.create(tmp_path / "empty")
    scripts = tmp_path / "empty" / ("Scripts" if os.name == "nt" else "bin")
    install = (sys.executable, "-m", "pip", "--python", scripts / "python", "install", "-q", "--no-compile")
    call(*install, "-c", ROOT / "constraints.txt", wheel, cwd=tmp_path)
    assert call(scripts / "amptally", "--version", cwd=tmp_path).startswith("amptally 0.")
    printed = call(scripts / "amptally", "demo", "--no-browser", "--out", tmp_path / "runs", cwd=tmp_path)
    path = printed.strip().splitlines()[-1]
    report = json.loads(call(scripts / "amptally", "report", path, "--json", cwd=tmp_path))
    assert report["run"]["machine"] == "Seedling-tray cart"
    assert report["fuse"]["left"]["margin"]["value"] > 0
    names = call(scripts / "python", "-c", "import logger, sys; print(logger.__file__)", cwd=tmp_path)
    assert str(tmp_path / "empty") in names
