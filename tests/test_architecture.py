"""The arrows of the design, walked over the source."""

from __future__ import annotations

import ast
import re
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("logger", "analysis", "dashboard")
MAY_IMPORT = {"logger": {"logger"}, "analysis": {"analysis", "logger"}, "dashboard": {"dashboard", "analysis"}}
"""Which of our packages each may import."""
ONLY_IN = {
    "serial": {"logger/ports.py"},
    "dash": {"dashboard/"},
    "plotly": {"dashboard/"},
}
"""Third-party packages that only these places may import."""
DOORS = {"analysis": {f"analysis/{door}.py" for door in ("run", "samples", "corrections", "folder", "cli")}}
"""The only modules of a package that may import another one of ours."""
FORBIDDEN = {"pandas", "pyarrow", "numba"}


def modules() -> list[Path]:
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_arrows(path: Path) -> None:
    place = path.relative_to(ROOT).as_posix()
    package = place.split("/")[0]
    for name in imports(path):
        top = name.split(".")[0]
        if top in PACKAGES:
            assert top in MAY_IMPORT[package], f"{place} imports {name}"
            if top != package and package in DOORS:
                assert place in DOORS[package], f"{place} imports {name}: only {DOORS[package]} may"
        assert top != "amptally", f"{place} imports the hallway"
        assert top not in FORBIDDEN, f"{place} imports {name}"
        if top in ONLY_IN:
            assert any(place.startswith(allowed) for allowed in ONLY_IN[top]), f"{place} imports {name}"


def test_tests_stand_without_the_benchmarks() -> None:
    """What both need is in tests/studies; a study may use the tests' helpers."""
    for path in sorted((ROOT / "tests").rglob("*.py")):
        tops = {name.split(".")[0] for name in imports(path)}
        assert "benchmarks" not in tops, f"{path.relative_to(ROOT).as_posix()} imports the benchmarks"


def test_the_walk_sees_imports() -> None:
    assert "logger.frames" in imports(ROOT / "logger" / "decoder.py")
    assert len(modules()) > 20


def test_docs_name_every_module_in_the_tree() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = re.findall(r"`([\w*]+\.py)`", guide)
    for path in modules():
        if path.name != "__init__.py" and path.parent.name in ("logger", "analysis"):
            mentioned = any(fnmatch(path.name, pattern) for pattern in named)
            assert mentioned, f"DEVELOPERS.md does not mention {path.relative_to(ROOT).as_posix()}"
