"""What a finding about bad data does to the values that rest on them: one table, applied to a report's parts.

docs/methods.md, Bad data. A value is refused with the reason, kept as a lower or upper limit, or widened; nothing is
corrected. Paths are those of the report's JSON; `*` stands for one name, {lead} for battery, left or right, {place}
for its fuse and wire.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from typing import Any, Literal, TypeVar

from amptally.analysis.driving.driving import DriveUse
from amptally.analysis.quality.doubts import Doubt
from amptally.analysis.results.estimate import COVERAGE_FACTOR, Estimate, as_reasons, ranked, refuse
from amptally.analysis.results.leads import PLACE_OF, SIDES
from amptally.analysis.wording.of_quality import DOUBTS

Act = Literal["refuse", "at_least", "at_most", "widen"]
Part = TypeVar("Part")


@dataclass(frozen=True, slots=True)
class Effect:
    """What happens to some values."""

    act: Act
    paths: tuple[str, ...]
    by: str = ""
    """For widen: which of the doubt's widths, a share of the value, or with = before it an amount; empty: the amount in
    the value's own unit."""


BALANCE = "battery.balance_residual_a"
"""Evidence of a disagreement: nothing takes it away."""
CURRENT = ("current.{lead}.*", "current.{lead}.rms_a.*", "fuse.{place}.*", "wire.{place}.*")
"""What rests on one current's size."""
CHANNEL = ("energy.by_channel.{lead}.*", "laps.each.{lead}_ah", "drive.command_map.{lead}")
DRAWN = (
    "energy.*",
    "battery.state_of_charge",
    "remaining.*",
    "laps.per_charge",
    "laps.remaining",
    "laps.each.net_ah",
    "laps.each.net_wh",
    "drive.peak_recovered_a",
    "drive.peak_recovered_at_s",
)
"""What rests on the battery's current with its sign."""
ANSWER = ("battery.resistance_ohm.*", "battery.open_circuit_v", "battery.weak_block")
"""What rests on voltage and current together."""
AHEAD = ("battery.state_of_charge", "remaining.*", "laps.per_charge", "laps.remaining")
OUT = ("energy.discharged_*", "energy.net_*", "energy.mean_power_w", "energy.peak_power_w")
OUT_AND_BACK = (*OUT, "energy.recovered_*")
PEAKS = ("current.{lead}.peak_a", "current.{lead}.rms_a.*", "fuse.{place}.seconds_above_rating",
         "fuse.{place}.continuous_fraction", "wire.{place}.drop_v")  # fmt: skip
MARGINS = ("fuse.{place}.margin", "fuse.{place}.margin_latest", "wire.{place}.margin", "wire.{place}.adiabatic_margin")
VOLTAGE = (
    "energy.*_wh",
    "energy.*_power_w",
    "battery.rest_voltage_v",
    "battery.min_voltage_v",
    "battery.recovered_v",
    "battery.settled_v",
    "battery.worst_sag_v",
    "battery.worst_sag_at_s",
    "battery.block_imbalance_v",
    "battery.recovered_v",
    "battery.settled_v",
    *ANSWER,
    "laps.each.net_wh",
    "laps.each.min_voltage_v",
    "laps.each.sag_v",
    "remaining.energy_wh",
)
WATTS = ("energy.*_wh", "energy.mean_power_w")

REFUSE_ALL = (Effect("refuse", CURRENT),)
CUT = (Effect("at_least", (*PEAKS, "current.{lead}.mean_a", "wire.{place}.loss_w")), Effect("at_most", MARGINS))
NO_VOLTAGE = (
    Effect("refuse", VOLTAGE),
    Effect("at_most", ("remaining.*", "laps.per_charge", "laps.remaining")),
)
NO_SIGN = (Effect("refuse", (*DRAWN, *ANSWER)),)
NO_CURRENT = (Effect("refuse", (*DRAWN, *ANSWER, "laps.each.peak_a")),)

EFFECTS: dict[str, tuple[Effect, ...]] = {
    "current_sign": (Effect("refuse", ("current.{lead}.mean_a",)),),
    "current_sign@battery": NO_SIGN,
    "current_sign@side": (Effect("refuse", CHANNEL),),
    "voltage_unanswering": NO_VOLTAGE,
    "current_filled_in": REFUSE_ALL,
    "current_filled_in@battery": NO_CURRENT,
    "current_filled_in@side": (Effect("refuse", CHANNEL),),
    "current_scale": REFUSE_ALL,
    "current_scale@battery": NO_CURRENT,
    "channel_stuck": REFUSE_ALL,
    "channel_stuck@battery": NO_CURRENT,
    "channel_stuck@side": (Effect("refuse", CHANNEL),),
    "channel_stuck/voltage": NO_VOLTAGE,
    # Means are over sampled time, by definition.
    "channel_partial": (Effect("at_least", PEAKS), Effect("at_most", MARGINS)),
    "channel_partial@battery": (Effect("at_least", OUT_AND_BACK), Effect("at_most", AHEAD)),
    "channel_partial@side": (Effect("at_least", CHANNEL),),
    "channel_partial/voltage": (Effect("at_least", ("battery.worst_sag_v",)),),
    "cut_top": CUT,
    "cut_top@battery": (
        Effect("at_least", OUT),
        Effect("at_most", (*AHEAD, "battery.resistance_ohm.*")),
        Effect("refuse", ("battery.open_circuit_v",)),
    ),
    "cut_top@side": (Effect("at_least", CHANNEL),),
    # Cut on both sides: peaks and RMS as above, but whether out or back lost more is not known.
    "cut_top/both": (
        Effect("at_least", (*PEAKS, "wire.{place}.loss_w")),
        Effect("refuse", ("current.{lead}.mean_a",)),
        Effect("at_most", MARGINS),
    ),
    "cut_top/both@battery": (
        Effect("at_least", ("energy.discharged_*", "energy.recovered_*", "energy.peak_power_w")),
        Effect("refuse", ("energy.net_*", "energy.mean_power_w", *AHEAD, "battery.open_circuit_v", "laps.each.net_ah",
                          "laps.each.net_wh")),
        Effect("at_most", ("battery.resistance_ohm.*",)),
    ),
    "cut_top/both@side": (Effect("refuse", CHANNEL),),
    "channels_swapped": REFUSE_ALL,
    "channels_swapped@battery": NO_CURRENT,
    "channels_swapped@side": (Effect("refuse", CHANNEL),),
    "channels_disagree/all": REFUSE_ALL,
    "channels_disagree/all@battery": NO_CURRENT,
    "channels_disagree/all@side": (Effect("refuse", CHANNEL),),
    "channels_disagree/both": (Effect("refuse", (*CURRENT, *CHANNEL)),),
    "channels_disagree/near": (Effect("widen", CURRENT, "scale"),),
    "channels_disagree/near@battery": (Effect("widen", (*DRAWN, "battery.resistance_ohm.*"), "scale"),),
    "channels_disagree/near@side": (Effect("widen", CHANNEL, "scale"),),
    # A sign bears on nothing that takes |i|: margins stay.
    "channels_disagree/sign@side": (Effect("refuse", (*CHANNEL, "current.{lead}.mean_a")),),
    **{f"channels_disagree/{side}": (Effect("refuse", (*CURRENT, *CHANNEL)),) for side in SIDES},
    **{
        f"channels_disagree/{side}_sign": (Effect("refuse", (*CHANNEL, "current.{lead}.mean_a")),)
        for side in SIDES
    },
    "zero_shift": (Effect("widen", (*(path for path in CURRENT if path[0] == "c"),)), Effect("widen", MARGINS, "load")),
    "zero_shift@battery": (
        Effect("widen", ("energy.*",)),
        Effect("widen", ("battery.state_of_charge",), "=charge"),
        Effect("widen", ("remaining.*", "laps.per_charge", "laps.remaining"), "mean"),
    ),
    "zero_shift@side": (Effect("widen", ("energy.by_channel.{lead}.*",)),),
    "time_bases_differ/voltage": (
        Effect("widen", WATTS),
        Effect("refuse", ("energy.peak_power_w", *ANSWER, "laps.each.net_wh")),
        Effect("at_least", ("battery.rest_voltage_v",)),
    ),
}  # fmt: skip
"""By code, variant (after /) and kind of channel (after @: battery, or side for left and right)."""

SAME_AS = {"sensor_clipped": "cut_top"}
NULLABLE = frozenset(
    {"weak_block", "worst_sag_at_s", "tightest_window_s", "tightest_at_s", "ends_by", "evidence", "worst_rms_a",
     "peak_at_s", "peak_recovered_at_s", "net_wh", "net_ah", "left_ah", "right_ah", "min_voltage_v", "sag_v", "peak_a"}
)  # fmt: skip
"""Plain figures that become null where refused."""
LEFT_ALONE = frozenset({"prepared", "error", "findings", "run"})
NAMES = {"resistance": "", "by_scale": "resistance_ohm", "wire": ""}
"""Fields that the JSON calls otherwise, or leaves out."""


@dataclass(frozen=True, slots=True)
class Trust:
    """What is left of a report's values under these doubts."""

    rules: tuple[tuple[tuple[str, ...], Effect, Doubt], ...]
    """Path in parts, with its effect and the doubt behind it."""

    @classmethod
    def under(cls, doubts: Iterable[Doubt]) -> Trust:
        """The rules that follow from doubts."""
        rules = []
        for doubt in doubts:
            code = SAME_AS.get(doubt.code, doubt.code) + (f"/{doubt.variant}" if doubt.variant else "")
            for channel in doubt.channels or ("",):
                lead = channel.removesuffix("_current_a")
                kind = "battery" if lead == "battery" else "side" if lead in SIDES else ""
                place = PLACE_OF.get(lead, lead)
                effects = EFFECTS.get(code, ()) + EFFECTS.get(f"{code}@{kind}", ())
                paths = [(path.format(lead=lead, place=place), effect) for effect in effects for path in effect.paths]
                rules += [(tuple(path.split(".")), effect, doubt) for path, effect in paths]
        return cls(tuple(rules))

    def of(self, name: str, part: Part) -> Part:
        """A part of the report as it may stand, named as in the JSON: energy, current, battery, remaining, laps …"""
        changed: Part = self._walk((name,), part) if self.rules else part
        return changed

    def drive(self, use: DriveUse) -> DriveUse:
        """How the machine was driven, its command map without the sides that are refused."""
        after = self.of("drive", use)
        dropped = {
            side: doubt
            for side in SIDES
            for effect, doubt in self._on(("drive", "command_map", side))
            if effect.act == "refuse"
        }
        bins = tuple(each for each in after.command_map if each.side not in dropped)
        if len(bins) == len(after.command_map):
            return after
        why = after.command_map_refused if bins else reason(next(iter(dropped.values())))
        return replace(after, command_map=bins, command_map_refused=why)

    def _walk(self, path: tuple[str, ...], item: Any) -> Any:
        if isinstance(item, Estimate):
            for effect, doubt in self._on(path):
                item = _changed(item, effect, doubt)
            return item
        if isinstance(item, dict):
            return {key: self._walk((*path, _name(key)), value) for key, value in item.items()}
        if path[-1] == "exposure":
            return () if any(effect.act == "refuse" for effect, _ in self._on(path)) else item
        if path[:2] == ("energy", "by_channel") and isinstance(item, tuple):
            return tuple(
                self._walk((*path, name), value) for name, value in zip(("net_ah", "net_wh"), item, strict=True)
            )
        if isinstance(item, tuple):
            return tuple(self._walk(path, value) for value in item)
        if dataclasses.is_dataclass(item) and not isinstance(item, type):
            return self._fields(path, item)
        if path[-1] in NULLABLE and any(effect.act == "refuse" for effect, _ in self._on(path)):
            return None
        return item

    def _fields(self, path: tuple[str, ...], item: Any) -> Any:
        changes = {}
        for field in dataclasses.fields(item):
            if field.name not in LEFT_ALONE:
                name = NAMES.get(field.name, field.name)
                before = getattr(item, field.name)
                after = self._walk((*path, name) if name else path, before)
                if after is not before and after != before:
                    changes[field.name] = after
        return replace(item, **changes) if changes else item

    def _on(self, path: tuple[str, ...]) -> list[tuple[Effect, Doubt]]:
        """Effects on one value, refusals first, as nothing is left to limit or widen after them."""
        found = [
            (effect, doubt)
            for pattern, effect, doubt in self.rules
            if len(pattern) == len(path) and all(map(fnmatchcase, path, pattern))
        ]
        return sorted(found, key=lambda each: each[0].act != "refuse")


def _name(key: Any) -> str:
    return f"{key:g}" if isinstance(key, float) else str(key)


def reason(doubt: Doubt) -> str:
    """Why, in words, and the finding to read."""
    return f"{DOUBTS[doubt.code]} (finding {doubt.code})"


def _changed(value: Estimate, effect: Effect, doubt: Doubt) -> Estimate:
    """One value under one effect."""
    why = reason(doubt)
    if value.refused is not None or value.value is None:
        # What could not be computed may well be so for this very reason: it goes first.
        old = value.refused or ""
        return value if effect.act != "refuse" or why in old else refuse(value.unit, f"{why}; {old}".rstrip("; "))
    if effect.act == "refuse":
        return refuse(value.unit, why)
    if effect.act == "widen":
        return _widened(value, effect, doubt, why)
    if value.bound not in ("estimate", effect.act):
        # Known only from above, and now only from below: that is nothing.
        return refuse(value.unit, f"{why}; {value.basis}" if value.basis else why)
    if value.bound == effect.act:
        return value if why in value.basis else replace(value, reasons=as_reasons(why) + value.reasons)
    return value.bounded(effect.act, why)


def _widened(value: Estimate, effect: Effect, doubt: Doubt, why: str) -> Estimate:
    """Both sides moved out; once for each doubt, however often it is asked."""
    widths = dict(doubt.widths)
    if why in value.basis or value.value is None:
        return value
    if effect.by.startswith("="):
        half = widths.get(effect.by[1:], 0.0)
    elif effect.by:
        half = widths.get(effect.by, 0.0) * abs(value.value)
    else:
        half = widths.get(value.unit, 0.0)
    if half <= 0:
        return value
    low = None if value.low is None else value.low - half
    high = None if value.high is None else value.high + half
    # What cannot be negative stays so; a net amount or a mean can.
    if low is not None and value.low is not None and value.low >= 0 and effect.by:
        low = max(low, 0.0)
    reasons = as_reasons(f"{why}, ±{half:.3g}") + value.reasons
    terms = ranked({**{term.name: term.u for term in value.terms}, why: half / COVERAGE_FACTOR})
    return replace(value, low=low, high=high, reasons=reasons, terms=terms)
