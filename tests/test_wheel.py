"""The wheel, installed into an empty environment outside the checkout, does the main job there."""

from __future__ import annotations

import doctest
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
import venv
import zipfile
from pathlib import Path

ROOT = Path(__file__).parent.parent


def call(*command: object, cwd: Path) -> str:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    result = subprocess.run(
        list(map(str, command)), capture_output=True, text=True, cwd=cwd, env=environment, check=False, timeout=600
    )
    assert result.returncode == 0, result.stderr[-2000:]
    return result.stdout


def packages_listed() -> list[str]:
    with (ROOT / "pyproject.toml").open("rb") as file:
        listed: list[str] = tomllib.load(file)["tool"]["setuptools"]["packages"]
    return listed


def test_the_build_lists_every_folder_with_modules() -> None:
    tops = ("tables", "logger", "analysis", "dashboard")
    inits = (init for top in tops for init in (ROOT / top).rglob("__init__.py"))
    folders = {".".join(("amptally", *init.parent.relative_to(ROOT).parts)) for init in inits}
    assert sorted(folders | {"amptally"}) == packages_listed()


def first_example() -> str:
    """The code of the first block of docs/library.md."""
    block = (ROOT / "docs" / "library.md").read_text(encoding="utf-8").split("```python\n")[1].split("```")[0]
    return "".join(example.source for example in doctest.DocTestParser().get_examples(block))


def test_wheel_in_an_empty_environment(tmp_path: Path) -> None:
    source = tmp_path / "source"
    call("git", "clone", "-q", "--no-hardlinks", ROOT, source, cwd=tmp_path)
    call(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", tmp_path / "wheels", source, cwd=tmp_path)
    (wheel,) = (tmp_path / "wheels").glob("amptally-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        inside = archive.namelist()
    (about,) = {name.split("/")[0] for name in inside} - {"amptally"}
    assert about.endswith(".dist-info")
    # PEP 561: the marker beside the top-level package covers its subpackages.
    assert {"amptally/py.typed", "amptally/library.py", "amptally/logger/simulator/cart.toml"} <= set(inside)
    venv.create(tmp_path / "empty")
    scripts = tmp_path / "empty" / ("Scripts" if os.name == "nt" else "bin")
    python = scripts / "python"
    install = (sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-compile")
    call(*install, "-c", ROOT / "constraints.txt", wheel, cwd=tmp_path)
    assert call(scripts / "amptally", "--version", cwd=tmp_path).startswith("amptally 0.")
    assert call(python, "-m", "amptally", "--version", cwd=tmp_path).startswith("amptally 0.")
    printed = call(scripts / "amptally", "demo", "--no-browser", "--out", tmp_path / "runs", cwd=tmp_path)
    path = printed.strip().splitlines()[-1]
    report = json.loads(call(scripts / "amptally", "report", path, "--json", cwd=tmp_path))
    assert report["run"]["machine"] == "Seedling-tray cart"
    assert report["fuse"]["left"]["margin"]["value"] > 0
    # The page's own first lines, on the demo's run under the name that they give.
    (tmp_path / "sample_runs").mkdir()
    shutil.copy(path, tmp_path / "sample_runs" / "nine-laps-marked.parquet")
    shutil.copy(ROOT / "sample_runs" / "cart.toml", tmp_path / "sample_runs")
    *given, shown = first_example().strip().splitlines()
    net = call(python, "-c", "\n".join([*given, f"print({shown})"]), cwd=tmp_path)
    assert re.fullmatch(r"\d+\.\d+ Wh \(\d+\.\d+ to \d+\.\d+\)\n", net)
    assert net.startswith(f"{report['energy']['net_wh']['value']:.2f} Wh")
    # Started in a checkout, this environment finds the checkout's folder first: the page's lines work there too.
    there = call(python, "-c", "\n".join([*given, f"print({shown}, at.__file__)"]), cwd=source)
    assert there == f"25.62 Wh (25.30 to 25.94) {source / 'amptally' / '__init__.py'}\n"
    assert call(python, "-m", "amptally", "--version", cwd=source).startswith("amptally 0.")
    # One name is taken: those of the folders stay free for others.
    for name in ("tables", "logger", "analysis", "dashboard"):
        free = f"import importlib.util; print(importlib.util.find_spec({name!r}))"
        assert call(python, "-c", free, cwd=tmp_path) == "None\n"
