"""One field changed in a machine file: the value is there, everything else is as it was, comments included."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.errors import MachineFileError
from amptally.logger.machine.description import parse
from amptally.logger.machine.edit import Value, with_field
from amptally.logger.machine.fields import SECTIONS
from amptally.logger.machine.spec import Spec
from amptally.logger.machine.template import template
from tests.strategies import examples

CART = (Path(__file__).parents[2] / "sample_runs" / "cart.toml").read_text(encoding="utf-8")
AWKWARD = """\
# A cart.
battery = { blocks = 2, chemistry = "agm" }   # inline
machine.name = "dotted"
[fuse]
left.rating_a = 40   # printed
[ fuse . right ]     # spaces
  "rating_a" = 4_0  # quoted name
[wire.left]
# awg = 12 was the old one
awg = 10
[sensors.left_current]
calibrated = '''
[battery]
noise = 3
'''
noise = 0.1"""
PATHS = [
    (section.name, *([place] if place else []), name)
    for section in SECTIONS.values()
    for place in (section.places or ("",))
    for name in section.specs
]


def values_of(spec: Spec) -> st.SearchStrategy[Value]:
    match spec.kind:
        case "number":
            return st.floats(spec.low, spec.high)
        case "integer":
            return st.integers(int(spec.low), int(spec.high))
        case "boolean":
            return st.booleans()
        case "choice":
            return st.sampled_from(spec.words)
        case "text":
            return st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=30).filter(
                str.isprintable
            )


def edited(text: str, path: tuple[str, ...], value: Value | None) -> str | None:
    """The changed text; None where it is left to an editor, which the message says."""
    try:
        return with_field(text, path, value)
    except MachineFileError as error:
        message = str(error)
    return None if ".".join(path) in message and "In your editor, " in message else message


def at(document: dict[str, Any], path: tuple[str, ...]) -> Any:
    found: Any = document
    for part in path:
        found = found.get(part) if isinstance(found, dict) else None
    return found


def comments(text: str) -> list[str]:
    return sorted(line.partition("#")[2].strip() for line in text.splitlines() if "#" in line)


@examples(3)
@given(st.data(), st.sampled_from([template(), CART, "", AWKWARD, CART.replace("\n", "\r\n"), "\ufeff" + CART]))
def test_a_changed_field_is_read_back_and_nothing_else_changes(data: st.DataObject, text: str) -> None:
    path = data.draw(st.sampled_from(PATHS))
    spec = SECTIONS[path[0]].specs[path[-1]]
    value = data.draw(st.none() | values_of(spec))
    before = tomllib.loads(text.removeprefix("\ufeff"))
    changed = edited(text, path, value)
    if changed is None:
        assert text == AWKWARD, path
        return
    after = tomllib.loads(changed.removeprefix("\ufeff"))
    assert at(after, path) == (pytest.approx(value, rel=1e-8) if isinstance(value, float) else value)
    flat = {each: at(before, each) for each in PATHS if each != path}
    assert {each: at(after, each) for each in flat} == flat
    assert changed.startswith("\ufeff") == text.startswith("\ufeff")
    assert ("\r" in changed) == ("\r" in text)
    # A comment stays, in its line or as a line of its own; what a template's line said goes on behind the value.
    lost = [each for each in comments(text) if each not in changed]
    assert all(each.partition(" = ")[0] == path[-1] for each in lost), lost
    # A second time there is nothing to do.
    assert with_field(changed, path, value) == changed


def test_a_value_keeps_the_comment_behind_it_in_its_column() -> None:
    changed = with_field(CART, ("machine", "wheel_diameter_m"), 0.3)
    assert "wheel_diameter_m = 0.3          # 10 in tyres\n" in changed
    assert len(changed.splitlines()) == len(CART.splitlines())
    text = '[machine]\nname = "number #3"  # painted on it\n'
    assert with_field(text, ("machine", "name"), "#4") == '[machine]\nname = "#4"         # painted on it\n'


def test_a_line_of_the_template_is_uncommented_in_place() -> None:
    changed = with_field(template(), ("battery", "chemistry"), "lfp")
    pairs = list(zip(template().splitlines(), changed.splitlines(), strict=True))
    ((old, new),) = [pair for pair in pairs if pair[0] != pair[1]]
    assert old.partition("  # ")[2] == new.partition("  # ")[2]
    assert new.startswith('chemistry = "lfp" ')


def test_what_is_taken_out_can_still_be_read_and_is_not_overwritten() -> None:
    without = with_field("[fuse.left]\nrating_a = 60  # old\n", ("fuse", "left", "rating_a"), None)
    assert without == "[fuse.left]\n# rating_a = 60  # old\n"
    assert parse(without, "x").fuses == {}
    again = with_field(without, ("fuse", "left", "rating_a"), 40.0)
    assert again == "[fuse.left]\n# rating_a = 60  # old\nrating_a = 40\n"


def test_a_section_that_is_not_there_is_added_at_the_end() -> None:
    assert with_field("[machine]\nname = 'x'", ("bms", "cutoff_v"), 20.0) == (
        "[machine]\nname = 'x'\n\n[bms]\ncutoff_v = 20\n"
    )


def test_what_cannot_be_changed_line_by_line_is_left_to_an_editor() -> None:
    with pytest.raises(MachineFileError, match=r"battery\.blocks \(line 2\) is written .* write battery\.blocks = 3\."):
        with_field(AWKWARD, ("battery", "blocks"), 3)
    assert "left.rating_a = 30   # printed" in with_field(AWKWARD, ("fuse", "left", "rating_a"), 30.0)
    assert '  "rating_a" = 30   # quoted name' in with_field(AWKWARD, ("fuse", "right", "rating_a"), 30.0)
