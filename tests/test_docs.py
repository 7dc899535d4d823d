"""The documents tell the truth: finding codes, links, commands."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from amptally.analysis.wording.catalogue import FINDINGS

ROOT = Path(__file__).parent.parent
PAGES = sorted(path for path in [*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])


def source_codes() -> set[str]:
    """Every finding code that the analysis words; tests/analysis/test_wording.py ties words and reasons together."""
    return set(FINDINGS)


def documented_codes() -> set[str]:
    table = (ROOT / "docs" / "json.md").read_text(encoding="utf-8").split("## Finding codes")[1]
    return set(re.findall(r"^\| `([a-z_]+)` \|", table, re.MULTILINE))


def test_every_finding_code_is_documented_and_exists() -> None:
    assert len(source_codes()) > 30
    assert source_codes() == documented_codes()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        assert "://" not in target, f"{page.name} links outside: {target}"
        assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_the_readme_names_both_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert (
        "python3 -m venv .venv && .venv/bin/pip install -q --require-hashes -r locks/run.txt && "
        ".venv/bin/pip install -q --no-deps --no-build-isolation . && .venv/bin/amptally demo"
    ) in text
    assert "\nscripts/test\n" in text
    assert "python3-venv" in text


def test_every_method_has_its_section() -> None:
    text = (ROOT / "docs" / "methods.md").read_text(encoding="utf-8")
    sections = set(re.findall(r"^## (.+)$", text, re.MULTILINE))
    for path in (ROOT / "analysis").rglob("*.py"):
        for name in re.findall(r"docs/methods\.md, ([A-Z][a-z]+(?: [a-z]+)*)\.", path.read_text(encoding="utf-8")):
            assert name in sections, f"{path.name} refers to a section '{name}' that docs/methods.md lacks"


def test_nothing_calls_a_fuse_or_wire_safe() -> None:
    for path in [*(ROOT / "analysis").rglob("*.py"), *(ROOT / "dashboard").rglob("*.py")]:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings:
                words = re.findall(r"\b(?:is|are|looks?) (?:safe|OK|okay)\b", node.value)
                assert not words, f"{path.name}: {node.value}"


def test_nomenclature_uses_the_names_of_the_code() -> None:
    text = (ROOT / "docs" / "nomenclature.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| .*$", text.split("## Quantities")[1].split("\n## ")[0], re.MULTILINE)[1:]
    names = {name for row in rows for name in re.findall(r"`(\w+)`", row.split(" | ")[2])}
    source = "\n".join(
        path.read_text(encoding="utf-8") for room in ("analysis", "logger") for path in (ROOT / room).rglob("*.py")
    )
    assert len(names) > 40
    assert not {name for name in names if not re.search(rf"\b{name}\b", source)}
