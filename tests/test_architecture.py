"""The floors of the house, walked over the source: nothing imports upward, and a few doors stay closed."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("tables", "logger", "analysis", "dashboard")
FLOORS: dict[str, tuple[str, ...]] = {
    "": ("tables", "logger", "analysis", "dashboard", "amptally"),
    "logger": (
        "channels", "unit_words", "column_names", "errors", "ordinary_files", "machine", "wire", "clock", "storage",
        "recording", "importing", "cli", "simulator",
    ),
    "analysis": (
        "errors", "results", "signals", "runs", "quality", "controller", "integrals", "exposure", "protection",
        "battery", "laps", "driving", "forecast", "wording", "report", "cli", "alarms",
    ),
    "dashboard": (
        "address", "theme", "library", "figures", "stores", "pages", "callbacks", "serving", "app", "server", "cli",
    ),
}  # fmt: skip
"""Rooms and single modules, ground floor first: each may import what stands before it, and itself."""
ONLY_IN = {
    "serial": {"logger/recording/ports.py"},
    "dash": {"dashboard/"},
    "plotly": {"dashboard/"},
}
"""Third-party packages that only these places may import."""
DOORS = {
    "amptally.logger": {
        "analysis/runs/": {"channels", "clock", "errors", "machine", "storage"},
        "analysis/": {"machine", "channels"},
        "analysis/cli.py": {"cli"},
        "dashboard/": set(),
    },
    "amptally.tables": {"logger/": {"*"}, "analysis/": {"*"}, "dashboard/": set()},
    "amptally.analysis.wording": {
        "analysis/wording/": {"*"},
        "analysis/report/": {"*"},
        "analysis/alarms/": {"*"},
        "analysis/": set(),
    },
}
"""What each place may import of a package, the first entry that fits counting: rooms of it, or * for all.

Sentences are made at the edge: what computes does not import the wording.
"""
FORBIDDEN = {"pandas", "pyarrow", "numba"}


def modules() -> list[Path]:
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def place_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def imports(path: Path) -> set[str]:
    """Dotted names of all modules that a file imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            assert node.module is not None
            # `from amptally.logger import cli` names a module, `from amptally.logger.cli import hours` a function.
            inside = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= {name for name in inside if is_module(name)} or {node.module}
    return found


def is_module(name: str) -> bool:
    inside = ROOT.joinpath(*name.split(".")[1:])
    return name.startswith("amptally.") and (inside.with_suffix(".py").exists() or inside.is_dir())


def rises(place: str, name: str) -> str | None:
    """The floor that an import climbs to from a lower one; None where it stays or goes down."""
    here, there = Path(place).with_suffix("").parts, tuple(name.split("."))[1:]
    for depth in range(len(FLOORS)):
        floors = FLOORS.get(here[depth - 1] if depth else "", ())
        if depth >= min(len(here), len(there)) or not floors:
            return None
        if here[depth] != there[depth]:
            assert there[depth] in floors, f"{place} imports {name}: {there[depth]} has no floor"
            assert here[depth] in floors, f"{place}: {here[depth]} has no floor"
            return there[depth] if floors.index(there[depth]) > floors.index(here[depth]) else None
    return None


@pytest.mark.parametrize("path", modules(), ids=place_of)
def test_nothing_imports_upward(path: Path) -> None:
    place = place_of(path)
    for name in imports(path):
        if name.split(".")[0] == "amptally":
            assert name.split(".")[1:2] not in ([], ["commands"], ["library"]), f"{place} imports the hallway"
            assert rises(place, name) is None, f"{place} imports {name}, which is upstairs"


@pytest.mark.parametrize("path", modules(), ids=place_of)
def test_closed_doors(path: Path) -> None:
    place = place_of(path)
    for name in imports(path):
        top = name.split(".")[0]
        assert top not in FORBIDDEN, f"{place} imports {name}"
        if top in ONLY_IN:
            assert any(place.startswith(allowed) for allowed in ONLY_IN[top]), f"{place} imports {name}"
        for package, doors in DOORS.items():
            if name.startswith(package + ".") and not place.startswith(package.removeprefix("amptally.") + "/"):
                fitting = max((door for door in doors if place.startswith(door)), key=len, default=None)
                if fitting is not None:
                    room = name.removeprefix(package + ".").split(".")[0]
                    assert doors[fitting] & {room, "*"}, f"{place} imports {name}"


def test_every_room_has_a_floor_and_a_sentence() -> None:
    for package, floors in FLOORS.items():
        if package:
            inside = {
                path.stem
                for path in (ROOT / package).glob("*")
                if path.suffix == ".py" or (path / "__init__.py").exists()
            }
            assert inside - {"__init__", "__main__"} == set(floors) & inside, f"{package}: rooms without a floor"
            assert set(floors) <= inside, f"{package}: floors without a room"
    for init in (path for path in modules() if path.name == "__init__.py"):
        assert ast.get_docstring(ast.parse(init.read_text(encoding="utf-8"))), f"{place_of(init)} says nothing"


def test_tests_stand_without_the_benchmarks() -> None:
    """What both need is in tests/studies; a study may use the tests' helpers."""
    for path in sorted((ROOT / "tests").rglob("*.py")):
        tops = {name.split(".")[0] for name in imports(path)}
        assert "benchmarks" not in tops, f"{path.relative_to(ROOT).as_posix()} imports the benchmarks"


def test_the_walk_sees_imports() -> None:
    assert "amptally.logger.wire.frames" in imports(ROOT / "logger" / "wire" / "decoder.py")
    assert rises("logger/wire/frames.py", "amptally.analysis.runs.run") == "analysis"
    assert rises("analysis/runs/run.py", "amptally.analysis.report.build") == "report"
    assert rises("analysis/report/build.py", "amptally.analysis.runs.run") is None
    assert len(modules()) > 20


def test_the_guide_names_every_room() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| `([\w/.]+)` \|", guide, re.MULTILINE))
    for package, floors in FLOORS.items():
        for room in floors if package in ("logger", "analysis") else ():
            assert {f"{package}/{room}/", f"{package}/{room}.py"} & named, f"DEVELOPERS.md lacks {package}/{room}"
    for name in named:
        assert (ROOT / name).exists(), f"DEVELOPERS.md names {name}, which is not there"
