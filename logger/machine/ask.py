"""`machine new FILE --ask`: the dialogue that fills in a machine file, on a terminal or from a pipe.

Every answer is in the file before the next question is asked: whatever ends the dialogue leaves a file that can be
read, or, before the first answer, none. The text on the disk is read anew for each answer, so that what an editor saved
in between stays.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import textwrap
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from amptally.logger.errors import MachineFileError, StorageError
from amptally.logger.machine.check import check
from amptally.logger.machine.description import MAX_BYTES, load, parse
from amptally.logger.machine.edit import Value, with_field
from amptally.logger.machine.fields import SECTIONS, unit_of
from amptally.logger.machine.questions import (
    QUESTIONS,
    SAME_AS_LEFT,
    SIDES_ALIKE,
    WANTED,
    Question,
    as_number,
    as_wire_size,
)
from amptally.logger.machine.spec import Slip, Spec, plain, printable
from amptally.logger.machine.template import template

MAX_ANSWER = 300
"""Longest answer read, in characters."""
_DO_NOT_KNOW = ("?", "don't know", "dont know", "do not know", "dk", "unknown", "no idea")
_YES, _NO = ("y", "yes", "true"), ("n", "no", "false")
_HEADINGS = {
    "machine": "The machine",
    "battery": "The battery",
    "bms": "The BMS of the pack",
    "fuse": "Fuses and wires",
    "wire": "Fuses and wires",
    "motor": "The motors, one of two equal ones",
    "controller": "The motor controller",
    "receiver": "The radio receiver",
    "charger": "The charger",
    "lap": "Laps",
}
_KEYS = (
    "Enter leaves a field as it is: open, or with what the file says. ? means: I don't know; a value in the file is "
    "then put behind a #. < goes back one question. stop ends here. Every answer is saved at once."
)

_MAY_STILL_COME = ("fuse_incomplete", "wire_ampacity_unknown", "wire_without_fuse")
"""Findings that a later question may settle; they are counted at the end."""

Say = Callable[[str], None]
ReadLine = Callable[[], str]
"""The next line with its line end; empty at the end of the input."""


@dataclass(frozen=True, slots=True)
class _Answer:
    """What one line means."""

    sets: tuple[tuple[tuple[str, ...], Value | None], ...] = ()
    """Values for fields; None takes one out."""
    says: str = ""
    """What the reader should know about it."""
    refused: bool = False
    """It could not be used: `says` is the reason."""
    slips: tuple[Slip, ...] = ()
    """What a number that is not usual may mean."""


class MachineText:
    """The file on the disk: read anew before each change, replaced as a whole after it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._parsed: tuple[str, dict[str, Any]] = "", {}
        self.named = printable(str(path), 200)
        self.exists = path.exists() or path.is_symlink()
        if self.exists:
            load(path)
        elif not path.parent.is_dir() or not os.access(path.parent, os.W_OK):
            raise StorageError(f"{self.named} cannot be written: there is no such folder, or it is not yours to write.")

    def read(self) -> str:
        """The text as it is now; the template before the first answer."""
        if not self.exists and not self._path.exists():
            return template()
        with self._path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
        try:
            return data.decode("utf-8")
        except UnicodeDecodeError as error:
            raise MachineFileError(f"{self.named}: not UTF-8 text any more. Save the file in UTF-8.") from error

    def document(self) -> dict[str, Any]:
        """The values as they are now."""
        text = self.read()
        if text != self._parsed[0]:
            self._parsed = text, tomllib.loads(text.removeprefix("\ufeff"))
        return self._parsed[1]

    def set(self, sets: tuple[tuple[tuple[str, ...], Value | None], ...]) -> None:
        """Write the values into the text. Raises MachineFileError where one cannot be, and StorageError."""
        text = before = self.read()
        for path, value in sets:
            text = with_field(text, path, value)
        parse(text, self._path.name)
        if text != before or not self.exists:
            self._replace(text)
            self.exists = True

    def _replace(self, text: str) -> None:
        target = self._path.resolve()
        try:
            handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
            try:
                with os.fdopen(handle, "wb") as stream:
                    stream.write(text.encode())
                    stream.flush()
                    os.fsync(stream.fileno())
                os.chmod(name, target.stat().st_mode & 0o7777 if target.exists() else 0o666 & ~_umask())
                os.replace(name, target)
            except BaseException:
                with contextlib.suppress(OSError):
                    os.unlink(name)
                raise
        except OSError as error:
            reason = error.strerror or type(error).__name__
            raise StorageError(f"{self.named} cannot be written ({reason}); it is as it was before.") from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def ask(path: Path, read_line: ReadLine, say: Say, *, terminal: bool) -> bool:
    """Ask the questions and write the answers to `path`; whether a file is there afterwards.

    On a terminal a wrong answer is asked again. From a pipe every question takes one line, and a wrong answer ends the
    dialogue: what follows it is probably out of step. Raises MachineFileError for that and for a file that cannot be
    read, StorageError for one that cannot be written, and passes KeyboardInterrupt on.
    """
    dialogue = _Dialogue(MachineText(path), read_line, say, terminal)
    try:
        dialogue.run()
    except KeyboardInterrupt:
        say("")
        say(dialogue.kept())
        raise
    return dialogue.file.exists


@dataclass
class _Dialogue:
    file: MachineText
    read_line: ReadLine
    say: Say
    terminal: bool
    beside: dict[str, Any] = field(default_factory=dict)
    """What was answered that no field holds."""
    known: set[tuple[str, str]] = field(default_factory=set)
    """Findings already shown."""
    unread: list[str] = field(default_factory=list)
    """Fields whose answer could not be used."""
    ended: bool = False

    def run(self) -> None:
        """All questions, then what is left open."""
        self.beside = {SIDES_ALIKE: self._sides_alike()}
        self.known = {(each.code, each.evidence) for each in self._problems()}
        self.say(textwrap.fill(_KEYS, 100))
        topics = self._topics()
        number, heading, visited = 0, "", list[int]()
        while number < len(QUESTIONS) and not self.ended:
            question = QUESTIONS[number]
            if (question.topics and not question.topics & topics) or not question.when(self.given):
                number += 1
                continue
            if _HEADINGS[question.path[0]] != heading:
                heading = _HEADINGS[question.path[0]]
                self.say(f"\n== {heading}")
            if self._back_after(question):
                number = visited.pop() if visited else number
                continue
            visited.append(number)
            number += 1
        self._sum_up(topics)

    def given(self, *path: str) -> Any:
        """What the file, or the dialogue beside it, says at a path; None where nothing."""
        if path[-1] in self.beside:
            return self.beside[path[-1]]
        found: Any = self.file.document()
        for part in path:
            found = found.get(part) if isinstance(found, dict) else None
        if found is None and self.beside.get(".".join(path)):
            return {}
        return found

    def _line(self, prompt: str) -> str | None:
        """One answer without the space around it; None at the end of the input."""
        self.say(prompt)
        line = self.read_line()
        if line == "":
            self.ended = True
            return None
        answer = line.strip()
        if not self.terminal:
            self.say(printable(answer, 80))
        if answer.lower() in ("stop", "quit", "q"):
            self.ended = True
            return None
        return answer

    def _topics(self) -> set[str]:
        self.say("\nWhich answers do you want? Numbers with spaces between them, or Enter for all.")
        names = list(WANTED)
        for number, text in enumerate(WANTED.values(), start=1):
            self.say(f"  {number}  {text}")
        while (answer := self._line("> ")) is not None:
            numbers = answer.replace(",", " ").split()
            if all(each.isdecimal() and 1 <= int(each) <= len(names) for each in numbers):
                return {names[int(each) - 1] for each in numbers} or set(names)
            wrong = f"Write numbers from 1 to {len(names)}, with spaces between them."
            if not self.terminal:
                raise MachineFileError(f"The first line, {printable(answer, 60)!r}, cannot be used: {wrong}")
            self.say(wrong)
        return set(names)

    def _back_after(self, question: Question) -> bool:
        """Ask one question until it has an answer; True for a step back."""
        self.say("")
        self.say(question.ask)
        self.say(textwrap.fill(question.find, 98, initial_indent="  ", subsequent_indent="  "))
        if question.kind == "field" and question.spec.kind == "choice":
            choices = question.choices()
            width = max(len(word) for word, _ in choices)
            for number, (word, text) in enumerate(choices, start=1):
                self.say(f"  {number}  {word:<{width}}  {text}".rstrip())
        while (answer := self._line(self._prompt(question))) is not None:
            if answer == "<":
                return True
            meant = self._meaning(question, answer)
            if meant.slips:
                meant = self._which_unit(question, meant)
            if meant.says and (self.terminal or not meant.refused):
                self.say(textwrap.fill(meant.says, 100))
            if not meant.refused:
                self._keep(meant)
                return False
            if not self.terminal:
                raise MachineFileError(
                    f"The answer to {'.'.join(question.path)}, {printable(answer, 60)!r}, cannot be used: {meant.says} "
                    f"Nothing after it was read. {self.kept('The answers before it')}"
                )
        return False

    def _prompt(self, question: Question) -> str:
        now = self._now(question)
        if question.kind in ("fuse_fitted", "same_as_left"):
            return "yes or no > "
        name = ".".join(question.path)
        hint = ""
        if question.kind == "wire_size":
            hint = ", AWG or mm²"
        elif question.spec.kind == "boolean":
            hint = ", yes or no"
        elif unit := unit_of(question.spec, ""):
            hint = f", {unit}"
        return f"{name}{hint}{f' (now {now})' if now else ''} > "

    def _now(self, question: Question) -> str:
        if question.kind == "wire_size":
            sizes = {"awg": "AWG", "mm2": "mm²"}
            found = [(self.given(*question.path, name), unit) for name, unit in sizes.items()]
            return " and ".join(f"{plain(value)} {unit}" for value, unit in found if value is not None)
        value = None if question.kind != "field" or not self.file.exists else self.given(*question.path)
        if isinstance(value, bool):
            return "yes" if value else "no"
        return "" if value is None else printable(plain(value), 60)

    def _meaning(self, question: Question, answer: str) -> _Answer:
        """What a line says about a question."""
        if answer == "" or len(answer) > MAX_ANSWER:
            return _Answer() if answer == "" else _Answer(says="That is too long for an answer.", refused=True)
        unknown = answer.lower() in _DO_NOT_KNOW
        match question.kind:
            case "fuse_fitted" | "same_as_left":
                return self._gate(question, answer.lower(), unknown=unknown)
            case "wire_size":
                return self._wire_size(question, answer, unknown=unknown)
            case "field":
                return _Answer(((question.path, None),)) if unknown else _of_field(question, answer)

    def _gate(self, question: Question, answer: str, *, unknown: bool) -> _Answer:
        if answer not in _YES + _NO and not unknown:
            return _Answer(says="Answer yes, no or ?.", refused=True)
        yes = answer in _YES
        if question.kind == "fuse_fitted":
            self.beside[".".join(question.path)] = yes
            return _Answer()
        self.beside[SAME_AS_LEFT] = yes
        if not yes:
            return _Answer()
        left = [(section, name, self.given(section, "left", name)) for section, name in _lead_fields()]
        return _Answer(tuple(((section, "right", name), value) for section, name, value in left if value is not None))

    def _wire_size(self, question: Question, answer: str, *, unknown: bool) -> _Answer:
        section, place = question.path
        names = ("awg", "mm2")
        if unknown:
            return _Answer(tuple(((section, place, name), None) for name in names))
        size = as_wire_size(answer)
        if size is None:
            return _Answer(says="Write it with its unit, as 10 AWG or 6 mm2; above 1/0 AWG in mm2.", refused=True)
        name, value = size
        refusal = SECTIONS[section].specs[name].refusal(value, "mm²" if name == "mm2" else "")
        if refusal:
            return _Answer(says=refusal, refused=True)
        other = names[1 - names.index(name)]
        return _Answer((((section, place, name), value), ((section, place, other), None)))

    def _which_unit(self, question: Question, meant: _Answer) -> _Answer:
        """Ask what a number that is not usual means. From a pipe nobody can be asked: it is refused."""
        ((path, value),) = meant.sets
        unit = unit_of(question.spec, "")
        plain_value = f"{plain(value)} {unit}".rstrip()
        if not self.terminal:
            slips = ", ".join(f"{slip.typed} would be {plain(slip.value)} {unit}".rstrip() for slip in meant.slips)
            return _Answer(says=f"{plain_value} is not usual here; {slips}. Write it with its unit.", refused=True)
        self.say(f"{plain_value} is not usual here. Which is it?")
        for number, slip in enumerate(meant.slips, start=1):
            self.say(f"  {number}  {slip.typed}, which is {plain(slip.value)} {unit}".rstrip())
        self.say(f"  {len(meant.slips) + 1}  {plain_value}, as written")
        chosen = self._line("> ")
        if chosen is not None and chosen.isdecimal() and 1 <= int(chosen) <= len(meant.slips) + 1:
            number = int(chosen)
            return _Answer(((path, value if number > len(meant.slips) else meant.slips[number - 1].value),))
        return _Answer(says="Then once more:", refused=True)

    def _keep(self, meant: _Answer) -> None:
        """Write an answer, and say what it brings to light."""
        sets = meant.sets
        # Taking out what is not there is no change: no file comes from an answer that says nothing.
        if not self.file.exists:
            sets = tuple(each for each in sets if each[1] is not None)
        sets = tuple(each for each in sets if each[1] is not None or self.given(*each[0]) is not None)
        blocks = next((value for path, value in sets if path == ("battery", "blocks")), None)
        if blocks == 1:
            sets = (*sets, (("battery", "arrangement"), "single"))
        elif blocks is not None and self.given("battery", "arrangement") == "single":
            sets = (*sets, (("battery", "arrangement"), None))
        if not sets:
            return
        try:
            self.file.set(sets)
        except MachineFileError as error:
            self.say(str(error))
            self.unread += [".".join(path) for path, _ in sets]
            return
        for problem in self._problems():
            key = (problem.code, problem.evidence)
            if key not in self.known and problem.severity != "note" and problem.code not in _MAY_STILL_COME:
                text = f"{problem.severity}: {problem.what} {problem.where}: {problem.evidence}. {problem.next}"
                self.say(textwrap.fill(text, 100, initial_indent="! ", subsequent_indent="  "))
            self.known.add(key)

    def _problems(self) -> Any:
        machine = parse(self.file.read(), self.file.named)
        return () if machine.is_blank else check(machine)

    def _sides_alike(self) -> bool:
        right = [self.given(section, "right", name) for section, name in _lead_fields()]
        left = [self.given(section, "left", name) for section, name in _lead_fields()]
        return right == left or all(value is None for value in right)

    def kept(self, answers: str = "All answers") -> str:
        """Where the answers are, in one sentence."""
        if not self.file.exists:
            return "Nothing was answered, and no file was written."
        return f"{answers} are in {self.file.named}. The same command goes through them again."

    def _sum_up(self, topics: set[str]) -> None:
        self.say("")
        self.say(self.kept())
        if not self.file.exists:
            return
        if self.unread:
            self.say(textwrap.fill(f"Not understood, and left as they were: {', '.join(self.unread)}.", 100))
        for topic, text in WANTED.items():
            names = [] if topic not in topics else self._open(topic)
            if names:
                self.say(f"Open for {text}:")
                self.say(textwrap.fill(", ".join(names), 96, initial_indent="    ", subsequent_indent="    "))
        self.say("Not asked here: ranges and errors of the sensors, [sensors.*] in the file.")
        counts = [
            f"{count} {severity}{'' if count == 1 else 's'}"
            for severity in ("danger", "caution")
            if (count := sum(each.severity == severity for each in self._problems()))
        ]
        found = " and ".join(counts) if counts else "no contradiction"
        self.say(f"The file shows {found}. Next: amptally machine check {self.file.named}")

    def _open(self, topic: str) -> list[str]:
        names = []
        for question in QUESTIONS:
            asked = not question.topics or topic in question.topics
            if not asked or question.kind in ("fuse_fitted", "same_as_left") or not question.when(self.given):
                continue
            if not self._now(question):
                size = "awg or mm2" if question.kind == "wire_size" else ""
                names.append(".".join(question.path) + (f" ({size})" if size else ""))
        return names


def _lead_fields() -> list[tuple[str, str]]:
    """(section, name) of every field of a lead's fuse and wire."""
    return [(section, name) for section in ("fuse", "wire") for name in SECTIONS[section].specs]


def _of_field(question: Question, answer: str) -> _Answer:
    """What a line says about a field."""
    spec = question.spec
    match spec.kind:
        case "choice":
            return _of_choice(question, answer)
        case "boolean":
            if answer.lower() not in _YES + _NO:
                return _Answer(says="Answer yes, no or ?.", refused=True)
            return _Answer(((question.path, answer.lower() in _YES),))
        case "text":
            refusal = spec.refusal(answer, "")
            return _Answer(((question.path, answer),)) if refusal is None else _Answer(says=refusal, refused=True)
        case "number" | "integer":
            return _of_number(question.path, spec, answer)


def _of_choice(question: Question, answer: str) -> _Answer:
    words = [word for word, _ in question.choices()]
    if answer.isdecimal() and 1 <= int(answer) <= len(words):
        return _Answer(((question.path, words[int(answer) - 1]),))
    word = answer.lower().replace(" ", "_").replace("-", "_")
    if word in question.spec.words:
        return _Answer(((question.path, word),))
    alias = question.spec.alias(answer)
    if alias is not None and len(alias.words) == 1:
        return _Answer(((question.path, alias.words[0]),), f"{alias.words[0]}: {alias.meaning}.")
    if alias is not None and not alias.words:
        # It is known that no table has it: an answer, and the field stays open.
        return _Answer(((question.path, None),), f"{alias.meaning}."[:1].upper() + f"{alias.meaning}."[1:])
    begun = [each for each in question.spec.words if len(word) >= 2 and each.startswith(word)]
    if len(begun) == 1:
        return _Answer(((question.path, begun[0]),))
    says = f"{alias.meaning}." if alias is not None else f"Answer with a number from 1 to {len(words)}, or ?."
    return _Answer(says=says[:1].upper() + says[1:], refused=True)


def _of_number(path: tuple[str, ...], spec: Spec, answer: str) -> _Answer:
    unit = unit_of(spec, path[1])
    text = as_number(path, answer)
    value: float | int | None = spec.quantity(text, unit)
    if value is None:
        spoken = f", with or without its unit ({unit})" if unit else ""
        return _Answer(says=f"Write a number{spoken}, for example {plain(spec.example)}, or ?.", refused=True)
    if spec.kind == "integer" and value == int(value):
        value = int(value)
    refusal = spec.refusal(value, unit)
    if refusal is not None:
        return _Answer(says=refusal, refused=True)
    bare = text.replace(",", ".").lstrip("+-").replace(".", "", 1).isdecimal()
    return _Answer(((path, value),), slips=spec.slips(value, unit) if bare else ())
