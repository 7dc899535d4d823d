"""Every reason that the analysis gives has words, every word belongs to one, and asks only for facts that are given."""

from __future__ import annotations

import ast
import importlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from amptally.analysis.results.estimate import refuse
from amptally.analysis.results.reason import Reason
from amptally.analysis.wording import catalogue, of_alarms, uncertainty
from amptally.analysis.wording.catalogue import FINDINGS, PHRASES
from amptally.analysis.wording.findings import told
from amptally.analysis.wording.results import basis, phrase, phrases, refusal

ANALYSIS = Path(__file__).parents[2] / "analysis"
WORDING = ANALYSIS / "wording"
"""Sentences not yet turned into reasons."""
TABLES = (PHRASES, FINDINGS, of_alarms.ALARMS, of_alarms.UNWATCHED, uncertainty.SOURCES)
WORDED = {code for table in TABLES for code in table}


@dataclass(frozen=True)
class Made:
    """One call `Reason("code", …)` in the source."""

    place: str
    code: str
    facts: frozenset[str]
    starred: bool
    """Facts are passed by `**` too, so that not all names are in the call."""


def trees() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(ANALYSIS.rglob("*.py")):
        if WORDING not in path.parents:
            yield path.relative_to(ANALYSIS).as_posix(), ast.parse(path.read_text(encoding="utf-8"))


def constants(node: ast.expr) -> list[str]:
    """The strings that an expression may be: a constant, or either side of a conditional."""
    if isinstance(node, ast.IfExp):
        return constants(node.body) + constants(node.orelse)
    return [node.value] if isinstance(node, ast.Constant) and isinstance(node.value, str) else []


def made() -> list[Made]:
    return [
        Made(
            f"{place}:{node.lineno}",
            code,
            frozenset(keyword.arg for keyword in node.keywords if keyword.arg is not None),
            any(keyword.arg is None for keyword in node.keywords),
        )
        for place, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Reason" and node.args
        for code in constants(node.args[0])
    ]


def test_every_reason_has_words() -> None:
    assert len(made()) > 50
    missing = [f"{each.place}: {each.code}" for each in made() if each.code not in WORDED]
    assert not missing


def test_every_word_belongs_to_a_reason() -> None:
    """Codes that a function is handed (`_none("laps_unwanted")`) stand somewhere in the source as strings."""
    strings = {
        node.value
        for _, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    unused = WORDED - strings
    assert not unused


def asked_by(words: Any) -> set[str]:
    """The facts that a template or a function asks for; through helpers of its module too."""
    if isinstance(words, str):
        return set(re.findall(r"\{(\w+)[^{}]*\}", words))
    code = words.__code__
    module = importlib.import_module(words.__module__)
    source = ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))
    functions: dict[str, ast.AST] = {node.name: node for node in ast.walk(source) if isinstance(node, ast.FunctionDef)}
    if words.__name__ == "<lambda>":
        start = next(n for n in ast.walk(source) if isinstance(n, ast.Lambda) and n.lineno == code.co_firstlineno)
        return facts_in(start, functions)
    return facts_in(functions[words.__name__], functions)


def facts_in(node: ast.AST, functions: dict[str, ast.AST]) -> set[str]:
    found = set()
    for each in ast.walk(node):
        if (
            isinstance(each, ast.Subscript)
            and isinstance(each.value, ast.Name)
            and each.value.id == "facts"
            and isinstance(each.slice, ast.Constant)
        ):
            found.add(str(each.slice.value))
        hands_on = isinstance(each, ast.Call) and any(getattr(a, "id", "") == "facts" for a in each.args)
        if hands_on and isinstance(each.func, ast.Name) and each.func.id in functions:
            found |= facts_in(functions[each.func.id], functions)
    return found


def test_words_ask_only_for_facts_that_are_given() -> None:
    calls = [each for each in made() if each.code in WORDED and not each.starred]
    wrong = [
        f"{each.place}: {each.code} lacks {', '.join(sorted(lacking))}"
        for each in calls
        # A code may stand in two tables: as an alarm, and as a finding of the report.
        if (lacking := min((asked - each.facts for asked in asked_of(each.code)), key=len))
    ]
    assert not wrong


def asked_of(code: str) -> Iterator[set[str]]:
    """For each table that has the code, all that its words ask for."""
    for table in TABLES:
        if code in table:
            words: Any = table[code]
            parts = (words.what, words.evidence, words.next) if table is FINDINGS else (words,)
            yield set().union(*(asked_by(part) for part in parts))


def test_the_check_of_facts_sees_templates_functions_and_helpers() -> None:
    assert asked_by("{rms_a:.1f} A over {window_s:g} s") == {"rms_a", "window_s"}
    assert asked_by(FINDINGS["wheel_stalled"].evidence) == {"stalls", "longest_s", "longest_at_s", "seen_by"}
    assert asked_by(of_alarms.ALARMS["fuse_near"]) == {"place", "likely_load", "possible_load"}


def test_topics_do_not_word_a_code_twice() -> None:
    topics = [module for module in vars(catalogue).values() if isinstance(module, ModuleType)]
    counted = [code for topic in topics for code in getattr(topic, "PHRASES", {})]
    assert len(counted) == len(set(counted)) > 40


def test_a_reason_inside_a_reason_becomes_a_clause() -> None:
    why = (Reason("laps_uncharged"), Reason("one_lap"), Reason("laps_uncharged"))
    words = told(Reason("start_charge_unknown", why=why))
    assert words.evidence == "the laps took no net charge; only one complete lap: nothing to compare it with"
    mismatch = told(
        Reason(
            "arrangement_mismatch",
            "danger",
            nominal_v=24.0,
            median_v=48.0,
            blocks=1,
            block_voltage_v=None,
            arrangement=None,
            other_fits=None,
        )
    )
    assert "nominally 24 V (one block)" in mismatch.evidence


def test_reasons_as_one_line() -> None:
    few = Reason("marker_presses_few", presses=1)
    assert phrase(few) == "the marker was pressed 1 time: two marks make a lap"
    assert phrases((few, few, Reason("signals_constant"))) == f"{phrase(few)}; the signals do not change"
    assert refusal(refuse("Ah", few)) == phrase(few)
    assert basis(refuse("Ah", few)) == ""
    with pytest.raises(KeyError):
        phrase(Reason("no_such_code"))
