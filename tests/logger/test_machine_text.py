"""What people read about machine files: the template, the listing, the findings, the document."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from amptally.logger.errors import MachineFileError, StorageError
from amptally.logger.machine.check import check
from amptally.logger.machine.cli import check_text, new, show
from amptally.logger.machine.description import Machine, load, parse
from amptally.logger.machine.fields import SECTIONS
from amptally.logger.machine.template import field_table, rule_table, template

ROOT = Path(__file__).parents[2]
DOCUMENT = (ROOT / "docs" / "machine-file.md").read_text(encoding="utf-8")


def between(text: str, mark: str) -> str:
    return text.partition(f"<!-- {mark} -->\n")[2].partition(f"<!-- /{mark} -->")[0]


def test_the_template_is_a_valid_almost_empty_machine() -> None:
    assert parse(template(), "new.toml") == Machine(name="my machine", text=template())
    assert all(len(line) <= 130 for line in template().split("\n"))


def test_the_template_holds_every_field_ready_to_be_uncommented() -> None:
    text = re.sub(r"^# (\w+ = )", r"\1", template(), flags=re.MULTILINE)
    machine = parse(text, "new.toml")
    for name, section in SECTIONS.items():
        if name == "machine":
            holders = [machine]
        elif section.places:
            given = {"fuse": machine.fuses, "wire": machine.wires, "sensors": machine.sensors}[name]
            holders = list(given.values())
            assert len(holders) == (5 if name == "sensors" else 3)
        else:
            holders = [getattr(machine, name)]
        for holder in holders:
            assert {field: getattr(holder, field) for field in section.specs} == {
                field: spec.example for field, spec in section.specs.items()
            }


def test_the_template_says_unit_and_meaning() -> None:
    lines = template().split("\n")
    rating = next(line for line in lines if line.startswith("# rating_a = 40"))
    assert rating.endswith("  # A: Rating printed on the fuse.")
    assert "#     one of supply_leg, motor_lead, unknown" in lines
    for section in SECTIONS.values():
        for spec in section.specs.values():
            assert spec.text in template()


def test_the_template_explains_its_words_in_those_of_the_trade() -> None:
    text = re.sub(r"\n#\s+", " ", template())
    for words in (
        "blade_large (maxi blade)",
        "strip_sf51 (mega strip)",
        "lfp (LiFePO4)",
        "sealed lead-acid is agm or gel",
    ):
        assert words in text
    assert "BEC" in text
    assert "8 in a 24 V LiFePO4 pack (8S)" in text


def test_new_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    new(path)
    assert load(path).name == "my machine"
    path.write_text("[machine]\nname = 'mine'\n", encoding="utf-8")
    with pytest.raises(StorageError, match=r"cart\.toml already exists and was not changed"):
        new(path)
    assert load(path).name == "mine"
    dangling = tmp_path / "link.toml"
    dangling.symlink_to(tmp_path / "elsewhere.toml")
    with pytest.raises(StorageError):
        new(dangling)
    assert not (tmp_path / "elsewhere.toml").exists()
    with pytest.raises(StorageError, match=r"cannot be written \(No such file or directory\)\. Give another path"):
        new(tmp_path / "missing" / "cart.toml")


def test_a_template_that_cannot_be_finished_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full() -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("amptally.logger.machine.cli.template", full)
    with pytest.raises(StorageError, match=r"cannot be written \(No space left on device\)"):
        new(tmp_path / "cart.toml")
    assert list(tmp_path.iterdir()) == []


def test_show_lists_values_with_units_and_the_whole_battery() -> None:
    shown = show(load(ROOT / "sample_runs" / "cart.toml"))
    lines = shown.split("\n")
    assert "  wheel diameter        0.254 m" in lines
    assert "  block voltage                 12 V" in lines
    # Two 12 V blocks of 35 Ah at 20 h in series: 24 V, 35 Ah, 1.75 A; 2 × 12.5 mΩ (joining as in references IR3).
    assert "  whole battery, nominal        24 V" in lines
    assert "  whole battery, capacity       35 Ah" in lines
    assert "  whole battery, rated current  1.75 A" in lines
    assert "  whole battery, resistance     25 mΩ" in lines
    assert "fuse.main" in lines
    assert lines[-1] == "not given: bms"
    assert "None" not in shown


def test_show_of_an_empty_machine() -> None:
    assert show(Machine()) == (
        "not given: machine, battery, bms, motor, fuse, wire, receiver, cutoff, controller, charger, lap, sensors"
    )


def test_check_text_shows_every_part_of_a_finding() -> None:
    problems = check(parse("[fuse.left]\nfamily = 'blade_large'\nrating_a = 40\n[wire.left]\nawg = 16\n", "x"))
    text = check_text(problems)
    assert text.startswith(
        "danger: A fuse is rated above the ampacity of its wire.\n  where     fuse.left.rating_a (line 3)"
    )
    for problem in problems:
        for part in (problem.severity, problem.what, problem.where, problem.evidence, problem.next):
            assert part in text


def test_check_text_without_findings_claims_nothing_about_the_machine() -> None:
    text = check_text(())
    assert text.startswith("No contradiction found in the file.")
    assert not re.search(r"\b(safe|ok|okay|fine)\b", text, re.IGNORECASE)


def test_the_document_repeats_the_tables() -> None:
    assert between(DOCUMENT, "fields") == field_table()
    assert between(DOCUMENT, "rules") == rule_table()


def test_the_documents_example_gives_what_it_says() -> None:
    example = DOCUMENT.partition("```toml\n")[2].partition("```")[0]
    found = {problem.code: problem for problem in check(parse(example, "barrow.toml"))}
    assert {code for code, problem in found.items() if problem.severity == "danger"} == {
        "breaking_capacity",
        "fuse_above_wire",
    }
    assert "about 1200 A" in found["breaking_capacity"].evidence
    # 33 CFR 183.425 Table 5: 12 AWG at 75 °C carries 25 A
    assert "wire.left 12 AWG: 25 A" in found["fuse_above_wire"].evidence
    assert found["fuse_above_wire"].severity == "danger"
    assert {code for code, problem in found.items() if problem.severity == "note"} == {
        "controller_sensed_missing",
        "receiver_minimum_missing",
    }
    thicker = check(parse(example.replace("awg = 12", "awg = 10"), "barrow.toml"))
    assert [problem.code for problem in thicker if problem.severity == "danger"] == ["breaking_capacity"]


def test_the_documents_words_of_the_trade_lead_to_the_words_it_gives() -> None:
    table = DOCUMENT.partition("## Words of the trade")[2].partition("## Fields")[0]
    said = {}
    for typed, meant in re.findall(r"^\| ([^|]+) \| (`[^|]+|none: [^|]+) \|$", table, flags=re.MULTILINE):
        for word in re.split(r"[,;] ", re.sub(r" \(.*?\)", "", typed)):
            said[word] = meant
    assert len(said) > 25
    for word, meant in said.items():
        section, field = ("receiver", "fed_from") if word == "BEC" else ("fuse.left", "family")
        section, field = ("battery", "chemistry") if "chemistry" in meant else (section, field)
        with pytest.raises(MachineFileError) as caught:
            parse(f'[{section}]\n{field} = "{word}"\n', "x")
        message = str(caught.value)
        if meant.startswith("none"):
            assert "no table held here is of this body. Leave family out" in message
        else:
            named = set(re.findall(r'"(\w+)"', meant))
            assert set(re.findall(r'"(\w+)"', message.partition(": ")[2].partition("Write ")[2])) & named, word


def test_the_documents_wrong_lines_give_the_answers_it_prints() -> None:
    example = DOCUMENT.partition("```toml\n")[2].partition("```")[0]
    rows = re.findall(r"^\| `(\w+) = (.+?)` \| `(barrow.+?)` \|$", DOCUMENT, flags=re.MULTILINE)
    assert len(rows) == 5
    for name, value, answer in rows:
        field = "capacity_ah" if name == "capcity_ah" else name
        text = re.sub(rf"^{field} = .*$", f"{name} = {value}", example, flags=re.MULTILINE)
        with pytest.raises(MachineFileError) as caught:
            parse(text, "barrow.toml")
        for piece in answer.split("…"):
            assert piece in str(caught.value)
