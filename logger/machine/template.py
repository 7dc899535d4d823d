"""Texts about the fields: the commented template of `machine new`, and the tables of docs/machine-file.md."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from amptally.logger.machine.fields import SECTIONS, SENSORS, Section, unit_of
from amptally.logger.machine.problem import RULES
from amptally.logger.machine.spec import CHANNEL_UNIT, MAX_TEXT, Spec, plain, toml

_INTRODUCTION = """\
# A machine description. Delete the # before a field that you know and put your value after the =;
# leave the others as they are: missing values are never guessed. The names contain the units.
# docs/machine-file.md explains each field; `amptally machine check` on this file finds contradictions.
# `amptally machine new --ask` on this file asks for them one after the other and says where each is found.
"""
_SHOWN_SENSORS = ("battery_current", "battery_voltage", "left_current", "right_current", "receiver_voltage")
_COMMENT_COLUMN = 38


def template() -> str:
    """A valid, almost empty machine file: every field, commented out, with its unit and one line about it."""
    return "\n".join((_INTRODUCTION, *_sections()))


def _sections() -> Iterator[str]:
    for section in SECTIONS.values():
        if section.name == "sensors":
            others = ", ".join(name for name in SENSORS if name not in _SHOWN_SENSORS)
            yield _block("sensors.battery_current", section, explained=True)
            for name in _SHOWN_SENSORS[1:]:
                yield _block(f"sensors.{name}", section, explained=False)
            yield _comment(f"Likewise [sensors.*] for {others}.") + "\n"
        elif section.places:
            yield from (
                _block(f"{section.name}.{place}", section, explained=place == section.places[0])
                for place in section.places
            )
        else:
            yield _block(section.name, section, explained=True)


def _block(header: str, section: Section, *, explained: bool) -> str:
    lines = [_comment(f"{section.text[:1].upper()}{section.text[1:]}")] if explained else []
    lines.append(f"[{header}]")
    place = header.rpartition(".")[2]
    for name, spec in section.specs.items():
        # Only the name is set: every machine has one, and it shows at once which machine the file describes.
        setting = f"{'' if name == 'name' else '# '}{name} = {toml(spec.example)}"
        unit = unit_of(spec, place)
        remark = ": ".join(part for part in (unit, spec.text if explained else "") if part)
        lines.append(f"{setting:<{_COMMENT_COLUMN}}  # {remark}" if remark else setting)
        if explained and spec.words:
            words = ", ".join(f"{word} ({spec.spoken[word]})" if word in spec.spoken else word for word in spec.words)
            lines += textwrap.wrap(f"one of {words}", 116, initial_indent="#     ", subsequent_indent="#       ")
    return "\n".join(lines) + "\n"


def _comment(text: str) -> str:
    return "\n".join(f"# {line}" for line in textwrap.wrap(text, 116))


def field_table() -> str:
    """The fields as a Markdown table, section by section."""
    rows = ["| section | field | value | example | meaning |", "|---|---|---|---|---|"]
    for section in SECTIONS.values():
        called = f"{section.name}.*" if section.places else section.name
        for name, spec in section.specs.items():
            rows.append(f"| {called} | `{name}` | {_holds(spec)} | `{toml(spec.example)}` | {spec.text} |")
    return "\n".join(rows) + "\n"


def rule_table() -> str:
    """The findings of `machine check` as a Markdown table, most severe first."""
    rows = ["| severity | code | finding |", "|---|---|---|"]
    rows += [f"| {severity} | `{code}` | {what} |" for code, (severity, what) in RULES.items()]
    return "\n".join(rows) + "\n"


def _holds(spec: Spec) -> str:
    unit = "the channel's unit" if spec.unit == CHANNEL_UNIT else spec.unit
    match spec.kind:
        case "number" | "integer":
            noun = "whole number" if spec.kind == "integer" else "number"
            return f"{noun}{f' [{unit}]' if unit else ''}, {plain(spec.low)} to {plain(spec.high)}"
        case "choice":
            return ", ".join(
                f"`{word}`" + (f" ({spec.spoken[word]})" if word in spec.spoken else "") for word in spec.words
            )
        case "boolean":
            return "`true` or `false`"
        case "text":
            return f"text, one line, at most {MAX_TEXT} characters"
