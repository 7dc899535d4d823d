"""Every reason that analysis gives has words, and every phrase a reason: a code without words would stop a report."""

from __future__ import annotations

import ast
from pathlib import Path

from amptally.analysis.wording.catalogue import FINDINGS, PHRASES

ANALYSIS = Path(__file__).parents[2] / "analysis"
ROOMS = [path for path in ANALYSIS.rglob("*.py") if path.parent.name != "wording"]


def test_every_reason_has_words_and_every_phrase_a_reason() -> None:
    given: set[str] = set()
    constants: set[str] = set()
    for path in ROOMS:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                constants.add(node.value)
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Reason" and node.args:
                code = node.args[0]
                given |= {code.value} if isinstance(code, ast.Constant) and isinstance(code.value, str) else set()
    worded = PHRASES.keys() | FINDINGS.keys()
    assert len(given) > 60
    assert given - worded == set()
    assert worded - constants == set()
