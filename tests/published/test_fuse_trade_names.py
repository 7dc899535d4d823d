"""Words of the trade for fuses lead to the family whose table is of that body, or to none."""

from __future__ import annotations

import pytest

from amptally.logger.errors import MachineFileError
from amptally.logger.machine.description import parse
from amptally.tables.fuse_families import FAMILIES
from amptally.tables.fuse_trade_names import RECOGNISED, SPOKEN, TRADE_NAMES


def answer(word: str) -> str:
    with pytest.raises(MachineFileError) as caught:
        parse(f'[fuse.left]\nfamily = "{word}"\n', "x")
    return str(caught.value)


# prostep-ivip VEC wiki v200, class FuseType: C regular, E maxi-style, F mini-style, SF30 midi-style, SF51 mega-style.
@pytest.mark.parametrize(
    ("style", "kind"),
    [("regular", "type C"), ("maxi", "type E"), ("mini", "type F"), ("midi", "SF30"), ("mega", "SF51")],
)
def test_each_style_is_the_family_of_its_published_type(style: str, kind: str) -> None:
    (family,) = TRADE_NAMES[style].families
    assert kind in FAMILIES[family].spoken
    for typed in (style, style.upper(), f"{style}-style", f"{style} fuse", f"{style.capitalize()} blade"[:60]):
        if "blade" in typed and family.startswith("strip"):
            continue
        assert f'Write "{family}"' in answer(typed), typed


# Scope of ISO 8820-3 (C, E, F) and of ISO 8820-5 (SF30, SF51): no other body is in either; sub-miniature is part 12.
@pytest.mark.parametrize("word", ["ANL", "anl-like strip", "JCASE", "glass", "class T", "MRBF", "micro2", "breaker"])
def test_a_body_of_no_table_is_said_to_be_of_none(word: str) -> None:
    message = answer(word)
    assert "no table held here is of this body. Leave family out" in message
    assert "Write" not in message


@pytest.mark.parametrize("word", ["strip", "blade", "bolt-down"])
def test_a_word_for_several_bodies_says_how_to_tell_them_apart(word: str) -> None:
    message = answer(word)
    families = TRADE_NAMES[word.replace("-", " ")].families
    assert len(families) > 1
    for family in families:
        assert f"{family} is a {SPOKEN[family]}: {RECOGNISED[family]}" in message


def test_no_word_of_the_trade_is_taken_for_a_body_without_being_asked() -> None:
    assert set(SPOKEN) == set(RECOGNISED) == set(FAMILIES)
    assert not set(TRADE_NAMES) & set(FAMILIES)
    assert all(set(name.families) <= set(FAMILIES) for name in TRADE_NAMES.values())
