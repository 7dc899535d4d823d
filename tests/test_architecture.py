"""The arrows of the design, walked over the source; and modules small enough to read."""

from __future__ import annotations

import ast
import re
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("tables", "logger", "analysis", "dashboard")
MAY_IMPORT = {
    "tables": {"tables"},
    "logger": {"logger", "tables"},
    "analysis": {"analysis", "logger", "tables"},
    "dashboard": {"dashboard", "analysis"},
}
"""Which of our packages each may import."""
ONLY_IN = {
    "serial": {"logger/recording/ports.py"},
    "dash": {"dashboard/"},
    "plotly": {"dashboard/"},
}
"""Third-party packages that only these places may import."""
DOORS = {"analysis": {f"analysis/{door}.py" for door in ("run", "samples", "corrections", "folder", "cli")}}
"""The only modules of a package that may import another one of ours, but for the tables, which all of it may."""
FORBIDDEN = {"pandas", "scipy", "pyarrow", "numba"}
LONGEST = 400


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
            if top not in (package, "tables") and package in DOORS:
                assert place in DOORS[package], f"{place} imports {name}: only {DOORS[package]} may"
        assert top != "amptally", f"{place} imports the hallway"
        assert top not in FORBIDDEN, f"{place} imports {name}"
        if top in ONLY_IN:
            assert any(place.startswith(allowed) for allowed in ONLY_IN[top]), f"{place} imports {name}"


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_one_idea_each(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST


def test_the_walk_sees_imports() -> None:
    assert "amptally.logger.wire.frames" in imports(ROOT / "logger" / "decoder.py")
    assert len(modules()) > 20


def test_docs_name_every_module_in_the_tree() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = re.findall(r"`([\w*]+\.py)`", guide)
    for path in modules():
        if path.name != "__init__.py" and path.parent.name in ("tables", "logger", "analysis"):
            mentioned = any(fnmatch(path.name, pattern) for pattern in named)
            assert mentioned, f"DEVELOPERS.md does not mention {path.relative_to(ROOT).as_posix()}"
