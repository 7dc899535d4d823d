"""What `machine new --ask` asks: each field in workshop words, where its number stands, and which answers need it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from amptally.logger.machine.fields import SECTIONS
from amptally.logger.machine.spec import Spec
from amptally.tables.fuse_trade_names import RECOGNISED, SPOKEN

Path = tuple[str, ...]
Given = Callable[..., Any]
"""given("battery", "blocks") is the value in the file, or None."""
Kind = Literal["field", "wire_size", "fuse_fitted", "same_as_left"]

WANTED: dict[str, str] = {
    "fuses": "how close the fuses and wires come to their limits",
    "battery": "how far the battery sags, and how much charge is left",
    "laps": "how many laps or metres a charge gives",
    "receiver": "whether the receiver's supply holds",
    "parts": "what a stall does to motors and controller",
    "charging": "whether charger and battery fit",
}
"""The answers that a user can ask for, by topic."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question about one field, or about what to ask next."""

    path: Path
    """The field; for the other kinds the section that it is about."""
    ask: str
    """In workshop words."""
    find: str
    """Where on the part the number stands."""
    topics: frozenset[str]
    """Keys of `WANTED`; empty where every answer needs it."""
    when: Callable[[Given], bool] = lambda given: True  # noqa: ARG005 (signature of the other conditions)
    """Whether it is asked, by what the file gives."""
    kind: Kind = "field"
    options: tuple[tuple[str, str], ...] = ()
    """The choices offered and what they are; without them those of the field."""

    @property
    def spec(self) -> Spec:
        """The field's allowed values; KeyError for a question about no field."""
        return SECTIONS[self.path[0]].specs[self.path[-1]]

    def choices(self) -> tuple[tuple[str, str], ...]:
        """(word, explanation) of each choice that is offered."""
        return self.options or tuple((word, self.spec.spoken.get(word, "")) for word in self.spec.words)


def _of(*topics: str) -> frozenset[str]:
    return frozenset(topics)


def _several(given: Given) -> bool:
    return bool(given("battery", "blocks") != 1)


def _in_series(given: Given) -> bool:
    return _several(given) and bool(given("battery", "arrangement") != "parallel")


def _not_lead(given: Given) -> bool:
    return given("battery", "chemistry") in ("lfp", "li_ion", "nimh") or given("battery", "cells") is not None


def _lithium(given: Given) -> bool:
    return given("battery", "chemistry") in ("lfp", "li_ion") or any(
        given("bms", name) for name in SECTIONS["bms"].specs
    )


def _voltage_open(given: Given) -> bool:
    return given("battery", "cells") is None or given("battery", "block_voltage_v") is not None


SAME_AS_LEFT, SIDES_ALIKE = "same_as_left", "sides_alike"
"""What the dialogue knows beside the file: the right channel was said to be built like the left one; the file describes
nothing of the right one, or the same as of the left one."""
_FUSE_OPTIONS = tuple((family, f"{SPOKEN[family]}: {RECOGNISED[family]}") for family in SPOKEN)
_SIDES = {"left": "the left motor channel", "right": "the right motor channel", "main": "the battery's main lead"}


def _lead_questions(place: str) -> tuple[Question, ...]:
    """Fuse and wire of one lead."""

    def fuse_asked(given: Given) -> bool:
        return given("fuse", place) is not None if place == "main" else wire_asked(given)

    def wire_asked(given: Given) -> bool:
        return place != "right" or not given(SAME_AS_LEFT)

    lead = _SIDES[place]
    topics = _of("fuses")
    position = Question(
        ("fuse", place, "position"),
        "Where in the wiring is that fuse?",
        "Follow the wire from the fuse: from the battery into the controller, or out of the controller to the motor.",
        topics,
        fuse_asked,
        options=(
            ("supply_leg", "between battery and controller"),
            ("motor_lead", "between controller and motor"),
        ),
    )
    return (
        Question(
            ("fuse", place, "family"),
            f"Which body does the fuse of {lead} have?",
            "Measure across the fuse. A word of the trade will do: maxi, midi, mega, ANL, ...",
            topics,
            fuse_asked,
            options=_FUSE_OPTIONS,
        ),
        Question(
            ("fuse", place, "rating_a"),
            f"What rating is printed on the fuse of {lead}?",
            "Printed on the fuse itself. The colour alone does not tell: bodies use the same colours differently.",
            topics,
            fuse_asked,
        ),
        *(() if place == "main" else (position,)),
        Question(
            ("wire", place),
            f"What size is the wire of {lead}?",
            "Printed on the jacket, as 10 AWG or 6 mm2; write it with its unit. The thinnest piece counts.",
            topics,
            wire_asked,
            kind="wire_size",
        ),
        Question(
            ("wire", place, "insulation_c"),
            "For which temperature is its insulation rated?",
            "Printed on the jacket, as 105 C; silicone wire often 200 C, plain PVC 60, 75 or 105 C.",
            topics,
            wire_asked,
        ),
        Question(
            ("wire", place, "length_m"),
            "How long is it, there and back?",
            "Both conductors together, along their way: a tape measure is good enough. 60 cm is understood.",
            topics,
            wire_asked,
        ),
    )


QUESTIONS: tuple[Question, ...] = (
    Question(("machine", "name"), "What is the machine called?", "Any name; it heads every report.", _of()),
    Question(
        ("machine", "wheel_diameter_m"),
        "How large is the driven wheel?",
        "Its diameter under load: twice from the ground to the axle. 10 in is understood.",
        _of("laps"),
    ),
    Question(
        ("battery", "chemistry"),
        "What kind of cells does the battery have?",
        "On its label. Sealed lead-acid (SLA, VRLA) is AGM or gel: the data sheet says which.",
        _of(),
        options=(
            ("agm", "sealed lead-acid, glass mat"),
            ("gel", "sealed lead-acid, gel"),
            ("flooded", "lead-acid with caps to refill"),
            ("lfp", "LiFePO4, 3.2 V a cell"),
            ("li_ion", "Li-ion or LiPo, 3.6 or 3.7 V a cell"),
            ("nimh", "nickel metal hydride"),
        ),
    ),
    Question(
        ("battery", "blocks"),
        "How many equal batteries (blocks) are there?",
        "Count the boxes with a plus and a minus of their own. A lithium pack with one BMS is one block.",
        _of(),
    ),
    Question(
        ("battery", "arrangement"),
        "How are they joined?",
        "Follow the cable between them.",
        _of(),
        _several,
        options=(
            ("series", "plus of one to minus of the next: the voltages add"),
            ("parallel", "plus to plus and minus to minus: the capacities add"),
        ),
    ),
    Question(
        ("battery", "cells"),
        "How many cells are in series inside one block?",
        "On the pack, as 8S. Or its full voltage over 3.65 V (LiFePO4) or 4.2 V (Li-ion): 29.2 V is 8, 29.4 V is 7.",
        _of(),
        _not_lead,
    ),
    Question(
        ("battery", "block_voltage_v"),
        "What is the nominal voltage of one block?",
        "In large print on its label, as 12 V; not what a meter shows.",
        _of(),
        _voltage_open,
    ),
    Question(
        ("battery", "capacity_ah"),
        "What is the capacity of one block?",
        "On its label, as 35 Ah. Where only Wh are given: Wh divided by the nominal voltage.",
        _of("battery", "laps"),
    ),
    Question(
        ("battery", "capacity_hours"),
        "Over how many hours is that capacity given?",
        "Beside the capacity, as C20 or 20HR; in the data sheet of a lithium pack as 0.2C, which is 5 h.",
        _of("battery", "laps"),
    ),
    Question(
        ("battery", "cutoff_v"),
        "At which voltage is one block empty?",
        "Data sheet, end or final voltage of the discharge table, of one whole block and not of a cell.",
        _of("battery", "laps"),
    ),
    Question(
        ("battery", "resistance_ohm"),
        "What is the internal resistance of one block?",
        "Data sheet, mostly in mΩ: write 9 mohm. A report of the first drive shows it too.",
        _of("fuses", "battery"),
    ),
    Question(
        ("bms", "cutoff_a"),
        "At how many amperes does the BMS switch off?",
        "Data sheet of the pack: over-current or peak discharge protection, not the continuous current.",
        _of("battery", "parts"),
        _lithium,
    ),
    Question(
        ("bms", "cutoff_v"),
        "At which voltage of the whole battery does the BMS switch off?",
        "Data sheet of the pack: under-voltage or low-voltage cut-off; that of a cell times the cells in series.",
        _of("battery", "laps"),
        _lithium,
    ),
    Question(
        ("fuse", "main"),
        "Is there a fuse in the battery's main lead?",
        "Follow the thick cable from the battery's plus: it comes before the leads of the two channels part.",
        _of("fuses"),
        lambda given: given("fuse", "main") is None,
        kind="fuse_fitted",
    ),
    *_lead_questions("main"),
    *_lead_questions("left"),
    Question(
        ("fuse", "right"),
        "Is the right channel built like the left one, with the same fuse and the same wire?",
        "Compare the prints on both fuses and both wires.",
        _of("fuses"),
        lambda given: given(SIDES_ALIKE),
        kind="same_as_left",
    ),
    *_lead_questions("right"),
    Question(
        ("motor", "rated_voltage_v"),
        "For which voltage are the motors made?",
        "On the plate of the motor. Its other figures belong to this voltage.",
        _of("fuses", "parts"),
    ),
    Question(
        ("motor", "stall_a"),
        "What current does a motor draw when it is held still?",
        "Data sheet, stall or locked-rotor current at that voltage.",
        _of("fuses", "parts"),
    ),
    Question(
        ("motor", "resistance_ohm"),
        "What is the resistance between a motor's two leads?",
        "Data sheet, armature or terminal resistance. An ordinary meter is too coarse below an ohm.",
        _of("fuses", "parts"),
        lambda given: given("motor", "stall_a") is None or given("motor", "resistance_ohm") is not None,
    ),
    Question(("motor", "rated_a"), "What current does a motor carry for good?", "On its plate, in A.", _of("parts")),
    Question(
        ("controller", "minimum_v"),
        "What is the lowest supply voltage of the motor controller?",
        "Data sheet of the controller, supply voltage, first number: 18 of 18 to 34 V.",
        _of("parts", "battery"),
    ),
    Question(
        ("controller", "maximum_v"),
        "What is the highest supply voltage of the motor controller?",
        "The same line, last number; the absolute maximum, where two are given.",
        _of("parts", "charging"),
    ),
    Question(
        ("controller", "cutoff_v"),
        "Below which voltage does the controller stop driving?",
        "Its settings or data sheet: low-voltage or under-voltage cut-off.",
        _of("battery", "laps"),
    ),
    Question(
        ("controller", "continuous_a"),
        "What current does one channel of it carry for good?",
        "Data sheet, continuous current per channel.",
        _of("parts"),
    ),
    Question(
        ("controller", "peak_a"),
        "What is the largest current of one channel?",
        "Data sheet or settings, peak current or current limit per channel.",
        _of("fuses", "parts"),
    ),
    Question(
        ("controller", "sensed"),
        "Where are the current sensors of left and right?",
        "Follow the sensor's wire: from the battery into the controller, or out of the controller to the motor.",
        _of("fuses", "battery"),
        options=(
            ("supply_leg", "between battery and controller"),
            ("motor_lead", "between controller and motor"),
        ),
    ),
    Question(
        ("receiver", "fed_from"),
        "What feeds the radio receiver?",
        "A BEC is a small regulator, often inside the motor controller, with the red wire of the receiver's plug: it "
        "hangs on what feeds the controller.",
        _of("receiver"),
        options=(
            ("whole", "the whole battery, through a BEC or another regulator"),
            ("block_a", "the lower block alone"),
            ("block_b", "the other block alone"),
        ),
    ),
    Question(
        ("receiver", "minimum_v"),
        "What is the lowest supply voltage of the receiver?",
        "Data sheet or manual of the receiver, operating voltage, first number.",
        _of("receiver"),
    ),
    Question(
        ("charger", "voltage_v"),
        "What is the highest voltage of the charger?",
        "On its plate, as output or charge voltage: 14.7 or 29.4 V. Its nominal 12 or 24 V is not it.",
        _of("charging"),
    ),
    Question(
        ("charger", "current_a"), "What current does it charge with?", "On its plate, output, in A.", _of("charging")
    ),
    Question(
        ("charger", "port"),
        "What is it connected to while it charges?",
        "Follow its leads: to the outer poles of the whole battery, or to the poles of one block.",
        _of("charging"),
        _in_series,
        options=(
            ("whole", "the whole battery"),
            ("block_a", "the lower block, or each block by itself"),
            ("block_b", "the other block"),
        ),
    ),
    Question(
        ("charger", "seen_by_sensor"),
        "Does its current flow through the battery's current sensor?",
        "Follow its lead: behind the sensor, or straight to the battery's poles.",
        _of("charging"),
    ),
    Question(
        ("lap", "length_m"),
        "How long is a lap?",
        "Along the path that is driven. Leave it open where there are no laps.",
        _of("laps"),
    ),
)
"""In the order of a walk around the machine."""

_HOURS = (
    (re.compile(r"[Cc]\s*/?\s*(\d{1,3})"), lambda found: found[1]),
    (re.compile(r"(\d{1,3}(?:[.,]\d+)?)\s*(?:-?\s*)?[Hh](?:[Rr]s?)?(?:\s*rate)?"), lambda found: found[1]),
    (re.compile(r"(0?[.,]\d+|1(?:[.,]0+)?)\s*C"), lambda found: f"{1 / float(found[1].replace(',', '.')):.4g}"),
)
_COUNT = re.compile(r"(\d{1,3})\s*[SsPpxX]")
_TIMES = re.compile(r"(\d{1,3})\s*[PpxX]")
_SIZE_AWG = re.compile(r"(?:awg|ga|gauge)\s*#?\s*(\d{1,2}(?:/0)?)|#?(\d{1,2}(?:/0)?)\s*(?:awg|ga|gauge)", re.IGNORECASE)
_SIZE_MM2 = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:mm2|mm²|mm\^2|sq\s*mm|qmm|sqmm)", re.IGNORECASE)


def as_number(path: Path, text: str) -> str:
    """What the trade writes for a number, as a plain one: C20 and 0.2C for hours, 8S for the cells of a pack.

    Of blocks only 2x and 2p are numbers: 8S are cells, and a pack of them is one block.
    """
    text = text.strip()
    if path[-1] in ("capacity_hours", "second_hours"):
        for pattern, number in _HOURS:
            if found := pattern.fullmatch(text):
                return number(found)
    if path[-1] == "cells" and (found := _COUNT.fullmatch(text)):
        return found[1]
    if path[-1] == "blocks" and (found := _TIMES.fullmatch(text)):
        return found[1]
    return text


def as_wire_size(text: str) -> tuple[str, float | int] | None:
    """("awg", 10) or ("mm2", 6.0) from what is printed on a jacket; None where the unit is missing."""
    text = text.strip()
    if found := _SIZE_AWG.fullmatch(text):
        size = found[1] or found[2]
        if size.endswith("/0"):
            return ("awg", 0) if size == "1/0" else None
        return "awg", int(size)
    if found := _SIZE_MM2.fullmatch(text):
        return "mm2", float(found[1].replace(",", "."))
    return None
