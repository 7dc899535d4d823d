"""What a doubt about a channel does to a value that rests on it: refuse it, keep it as a limit, or widen it.

Quality is judged before any physics (`screening`). Each section is handed the doubts and holds its own values against
them: it names the channel and the aspect of it that a value rests on, and this table decides what follows. Nothing is
corrected. docs/methods.md, Bad data.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from amptally.analysis.results.estimate import COVERAGE_FACTOR, Bound, Estimate, ranked, refuse
from amptally.analysis.results.reason import Reason, Severity

Aspect: TypeAlias = Literal[
    # of any current
    "peak",  # grows with what was missed: peak, RMS, time above a level, drop at the peak
    "margin",  # falls with what was missed: limit over current
    "mean",  # its mean with the sign
    "heat",  # mean of its square
    # of a motor channel's current
    "channel_charge",  # its charge and energy, its share, its command map
    # of the battery's current with its sign
    "out",
    "back",
    "net",
    "peak_power",
    "lap_net",
    "lap_peak",
    "state_of_charge",
    "ahead",  # charge left, runtime, laps per charge
    # of the battery's voltage
    "energy",  # Wh, and mean power
    "energy_left",
    "rest",
    "recovery",
    "minimum",
    "sag",
    "blocks",
    "lap_energy",
    "lap_voltage",
    # of voltage and current together
    "resistance",
    "open_circuit",
    "weak_block",
]
Act: TypeAlias = Literal["refuse", "at_least", "at_most"]


@dataclass(frozen=True, slots=True)
class Widen:
    """Both sides move out by one of the doubt's widths."""

    by: str = ""
    """Which width. Empty: the one in the value's own unit, an amount."""
    as_amount: bool = False
    """The width is an amount in the value's unit, not a share of the value."""


Effects: TypeAlias = Mapping[Aspect, Act | Widen]

SIZE: tuple[Aspect, ...] = ("peak", "margin", "mean", "heat")
"""All that rests on one current's size."""
DRAWN: tuple[Aspect, ...] = ("out", "back", "net", "peak_power", "lap_net", "state_of_charge", "ahead")
ANSWER: tuple[Aspect, ...] = ("resistance", "open_circuit", "weak_block")
VOLTAGE: tuple[Aspect, ...] = (
    "energy", "energy_left", "peak_power", "rest", "recovery", "minimum", "sag", "blocks", "lap_energy", "lap_voltage",
    *ANSWER,
)  # fmt: skip


def _all(act: Act | Widen, *groups: tuple[Aspect, ...]) -> dict[Aspect, Act | Widen]:
    return {aspect: act for group in groups for aspect in group}


NO_SIZE = _all("refuse", SIZE, ("channel_charge", "lap_peak"), DRAWN, ANSWER)
NO_VOLTAGE: Effects = {**_all("refuse", VOLTAGE), "ahead": "at_most"}
CUT: Effects = {
    **_all("at_least", ("peak", "mean", "heat", "channel_charge", "out", "net", "peak_power")),
    **_all("at_most", ("margin", "state_of_charge", "ahead", "resistance")),
    "open_circuit": "refuse",
}
EFFECTS: dict[str, Effects] = {
    "current_sign": _all("refuse", ("mean", "channel_charge"), DRAWN, ANSWER),
    "voltage_unanswering": NO_VOLTAGE,
    "current_filled_in": NO_SIZE,
    "current_scale": NO_SIZE,
    "channel_stuck": NO_SIZE,
    "channel_stuck/voltage": NO_VOLTAGE,
    # Means are over sampled time, by definition.
    "channel_partial": {
        **_all("at_least", ("peak", "channel_charge", "out", "back", "net", "peak_power")),
        **_all("at_most", ("margin", "state_of_charge", "ahead")),
    },
    "channel_partial/voltage": {"sag": "at_least"},
    "cut_top": CUT,
    "sensor_clipped": CUT,
    # Cut on both sides: peaks and RMS as above, but whether out or back lost more is not known.
    "cut_top/both": {
        **_all("at_least", ("peak", "heat", "out", "back", "peak_power")),
        **_all("at_most", ("margin", "resistance")),
        **_all("refuse", ("mean", "channel_charge", "net", "lap_net", "state_of_charge", "ahead", "open_circuit")),
    },
    "channels_swapped": NO_SIZE,
    "channels_disagree/all": NO_SIZE,
    "channels_disagree/both": _all("refuse", SIZE, ("channel_charge",)),
    "channels_disagree/near": _all(Widen("scale"), SIZE, ("channel_charge", "resistance"), DRAWN),
    # A sign bears on nothing that takes |i|: margins stay.
    "channels_disagree/sign": _all("refuse", ("mean", "channel_charge"), DRAWN),
    **{f"channels_disagree/{side}": _all("refuse", SIZE, ("channel_charge",)) for side in ("left", "right")},
    **{f"channels_disagree/{side}_sign": _all("refuse", ("mean", "channel_charge")) for side in ("left", "right")},
    "zero_shift": {
        **_all(Widen(), ("peak", "mean", "channel_charge", "out", "back", "net", "peak_power")),
        "margin": Widen("load"),
        "state_of_charge": Widen("charge", as_amount=True),
        "ahead": Widen("mean"),
    },
    "time_bases_differ/voltage": {
        **_all("refuse", ("peak_power", "lap_energy"), ANSWER),
        "energy": Widen(),
        "rest": "at_least",
    },
    "charger_unseen": _all("refuse", ("mean",), DRAWN, ANSWER, ("back", "rest", "sag", "recovery")),
    "battery_left_plus_right": {},
    # What else the battery feeds comes on top of the sum.
    "battery_left_plus_right/standby_unknown": {
        **_all("at_least", ("peak", "mean", "heat", "out", "net", "peak_power", "open_circuit")),
        **_all("at_most", ("margin", "back", "state_of_charge", "ahead")),
    },
    "time_bases_differ/channels": {},
    "channel_partial/other": {},
    # Its impossible steps are left out of every distance.
    "wheel_count_jump": {},
    # Which of its causes it is the data do not show.
    "voltage_jumps_alone": {},
}
"""By code and variant (after /): what becomes of a value that rests on this aspect of the doubted channel."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A channel is not what it is labelled, or does not hold all that flowed."""

    reason: Reason
    """The finding that the report lists: code, severity and the numbers behind it."""
    channels: tuple[str, ...]
    """SI names of the doubted channels."""
    variant: str = ""
    """Which case of the finding it is, where cases bear on different values."""
    widths: tuple[tuple[str, float], ...] = ()
    """Half-widths to add to values: by unit (A, Ah, Wh, W) in that unit, by other names as shares of the value."""

    @property
    def code(self) -> str:
        """That of the finding."""
        return self.reason.code

    @property
    def severity(self) -> Severity:
        """That of the finding."""
        return self.reason.severity


@dataclass(frozen=True, slots=True)
class Doubts:
    """All doubts of a run; empty for a run whose data are what they are labelled."""

    doubts: tuple[Doubt, ...] = ()

    @classmethod
    def of(cls, doubts: Iterable[Doubt]) -> Doubts:
        """From single ones. Raises KeyError for one that the table does not know."""
        checked = tuple(doubts)
        for doubt in checked:
            EFFECTS[_key(doubt)]
        return cls(checked)

    def __iter__(self) -> Iterator[Doubt]:
        return iter(self.doubts)

    def __len__(self) -> int:
        return len(self.doubts)

    @property
    def reasons(self) -> tuple[Reason, ...]:
        """The findings that the report lists."""
        return tuple(doubt.reason for doubt in self.doubts)

    def hold(self, value: Estimate, *rests_on: tuple[str, Aspect]) -> Estimate:
        """A value as it may stand, given the (channel, aspect) pairs that it rests on."""
        acts = list(self._acts(rests_on))
        for act, doubt in sorted(acts, key=lambda each: _rank(each[0])):
            value = _changed(value, act, doubt)
        return value

    def against(self, *rests_on: tuple[str, Aspect]) -> Reason | None:
        """Why a plain figure that rests on these is not given; None where it stands."""
        return next((why(doubt) for act, doubt in self._acts(rests_on) if act == "refuse"), None)

    def _acts(self, rests_on: Iterable[tuple[str, Aspect]]) -> Iterable[tuple[Act | Widen, Doubt]]:
        for doubt in self.doubts:
            effects = EFFECTS[_key(doubt)]
            acts = [effects[aspect] for channel, aspect in rests_on if aspect in effects and channel in doubt.channels]
            # One doubt acts once on a value, by the gravest of what it does to the channels under it.
            if acts:
                yield min(acts, key=_rank), doubt


def _rank(act: Act | Widen) -> int:
    """Refusals first, as nothing is left to limit or widen after them; then limits, then widening."""
    return 2 if isinstance(act, Widen) else 0 if act == "refuse" else 1


def _key(doubt: Doubt) -> str:
    return f"{doubt.code}/{doubt.variant}" if doubt.variant else doubt.code


def why(doubt: Doubt) -> Reason:
    """The reason a value carries: which doubt."""
    return Reason("doubted", doubt.severity, finding=doubt.code)


def _changed(value: Estimate, act: Act | Widen, doubt: Doubt) -> Estimate:
    """One value under one act."""
    reason = why(doubt)
    if value.value is None:
        # What could not be computed may well be so for this very reason: it goes first.
        known = act != "refuse" or reason in value.reasons
        return value if known else refuse(value.unit, reason, *value.reasons)
    if isinstance(act, Widen):
        return _widened(value, act, doubt)
    if act == "refuse":
        return refuse(value.unit, reason)
    if value.bound not in ("estimate", act):
        # Known only from above, and now only from below: that is nothing.
        return refuse(value.unit, reason, *value.reasons)
    if value.bound == act:
        return value if reason in value.reasons else replace(value, reasons=(reason, *value.reasons))
    bound: Bound = act
    return value.bounded(bound, reason)


def _widened(value: Estimate, act: Widen, doubt: Doubt) -> Estimate:
    """Both sides moved out; a value computed from one that was widened by this doubt is not widened again."""
    assert value.value is not None
    if any(each.code == "widened_for_doubt" and each["finding"] == doubt.code for each in value.reasons):
        return value
    width = dict(doubt.widths).get(act.by or value.unit, 0.0)
    half = width * abs(value.value) if act.by and not act.as_amount else width
    if half <= 0:
        return value
    low = None if value.low is None else value.low - half
    high = None if value.high is None else value.high + half
    # What cannot be negative stays so; a net amount or a mean can.
    if low is not None and value.low is not None and value.low >= 0 and act.by:
        low = max(low, 0.0)
    reason = Reason("widened_for_doubt", doubt.severity, finding=doubt.code, half=half)
    terms = ranked({**{term.name: term.u for term in value.terms}, f"finding {doubt.code}": half / COVERAGE_FACTOR})
    return replace(value, low=low, high=high, reasons=(reason, *value.reasons), terms=terms)
