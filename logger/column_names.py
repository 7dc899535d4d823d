"""What the name of a column says: a channel, a unit, a time. Used where a board or a log brings names of its own.

`battery_current_ma`, `Battery Current [mA]` and `battery current (mA)` say the same. A name that is close to one of
ours is never taken for it: it is offered.
"""

from __future__ import annotations

import difflib
import re
from functools import lru_cache

from amptally.logger.channels import BY_NAME, BY_SI_NAME, COLUMN_UNITS, TIME_UNITS_US, Channel
from amptally.logger.unit_words import split_unit

MAX_NAME = 64
"""Longer names are nobody's."""
_TIMES = {"time", "t", "timestamp", "elapsed", "uptime", "clock"}
_TIMES_WITH_UNIT = {"millis": "ms", "micros": "us", "ms": "ms", "us": "us", "seconds": "s", "sec": "s", "s": "s",
                    "msec": "ms", "usec": "us"}  # fmt: skip
_CC = {"C": 100.0, "cC": 1.0}


def steps_per(channel: Channel, unit: str | None) -> float | None:
    """Storage steps per printed unit of a channel; `unit` None is its SI unit. None where the unit is not one of it."""
    if channel.unit == "0.01 °C":
        return _CC.get(unit or "C")
    units = COLUMN_UNITS[channel.unit]
    if unit is None:
        return 1.0 / channel.si_per_step
    return float(units[unit]) if unit in units else None


def plain(name: str) -> str:
    """A name as names are compared: small letters, one underscore for blanks, points and hyphens."""
    return re.sub(r"[\s.\-_]+", "_", name.strip(" \t\"'").lower()).strip("_")


@lru_cache(maxsize=1)
def _stems() -> dict[str, Channel]:
    return {plain(split_unit(channel.si_name)[0]): channel for channel in BY_SI_NAME.values()}


@lru_cache(maxsize=1024)
def known_channel(name: str) -> tuple[Channel, float] | None:
    """(channel, storage steps per printed unit) of a name that is ours, whatever unit it names; None for all others."""
    if len(name) > MAX_NAME:
        return None
    lower = plain(name)
    if lower in BY_NAME:
        return BY_NAME[lower], 1.0
    if lower in BY_SI_NAME:
        return BY_SI_NAME[lower], 1.0 / BY_SI_NAME[lower].si_per_step
    stem, unit = split_unit(name)
    channel = BY_SI_NAME.get(plain(stem)) or _stems().get(plain(stem))
    if unit is None or channel is None:
        return None
    steps = steps_per(channel, unit)
    return None if steps is None else (channel, steps)


def time_unit(name: str) -> str | None:
    """The unit of a time column; "" for one that names none; None for a column that is no time."""
    stem, unit = split_unit(name)
    lower = plain(stem.removesuffix("()"))
    if lower in _TIMES:
        return unit if unit in TIME_UNITS_US else "" if unit is None else None
    return _TIMES_WITH_UNIT.get(plain(name.strip().removesuffix("()")))


_QUANTITIES = {
    "voltage": "v u volt volts voltage",
    "current": "i a amp amps ampere amperes current curr cur",
    "temp": "temp temperature ntc",
    "pulse": "pulse pwm ch rc ppm servo throttle steer steering stick",
    "mark": "mark marker lap laps button",
    "wheel": "wheel wheels hall encoder enc odo tacho",
}
_PLACES = {
    "battery": "bat batt battery pack supply vin main total bus",
    "left": "left l lft m1 1 motor1",
    "right": "right r rgt m2 2 motor2",
    "midpoint": "mid midpoint middle lower half centre center",
    "receiver": "rx receiver bec rcv servo5v radio",
    "controller": "controller ctrl esc driver",
    "fuse": "fuse", "motor": "motor mot", "ambient": "ambient air amb",
}  # fmt: skip
_QUANTITY_OF = {word: name for name, words in _QUANTITIES.items() for word in words.split()}
_PLACE_OF = {word: name for name, words in _PLACES.items() for word in words.split()}
_CHANNEL_OF = {
    ("voltage", "battery"): "battery_voltage_v", ("voltage", "midpoint"): "midpoint_voltage_v",
    ("voltage", "controller"): "controller_voltage_v", ("voltage", "receiver"): "receiver_voltage_v",
    ("voltage", "left"): "left_fused_voltage_v", ("voltage", "right"): "right_fused_voltage_v",
    ("current", "battery"): "battery_current_a", ("current", "left"): "left_current_a",
    ("current", "right"): "right_current_a", ("pulse", "left"): "pulse_a_us", ("pulse", "right"): "pulse_b_us",
    ("wheel", "left"): "left_wheel_count", ("wheel", "right"): "right_wheel_count",
    ("temp", "fuse"): "fuse_temp_c", ("temp", "controller"): "controller_temp_c", ("temp", "motor"): "motor_temp_c",
    ("temp", "ambient"): "ambient_temp_c",
}  # fmt: skip
_USUAL_PLACE = {"voltage": "battery", "current": "battery", "pulse": "left", "temp": "ambient", "wheel": "left"}
_OF_UNIT = {"V": "voltage", "mV": "voltage", "uV": "voltage", "A": "current", "mA": "current", "uA": "current",
            "us": "pulse", "C": "temp"}  # fmt: skip


def nearest_channel(name: str) -> str | None:
    """The SI name of the channel that a column probably holds, to be offered; None where nothing comes near."""
    stem, unit = split_unit(name)
    words = _words(stem)
    quantity = next((_QUANTITY_OF[word] for word in words if word in _QUANTITY_OF), _OF_UNIT.get(unit or ""))
    place = next((_PLACE_OF[word] for word in words if word in _PLACE_OF), None)
    if quantity == "mark":
        return "mark"
    if quantity is not None:
        found = _CHANNEL_OF.get((quantity, place or "")) or _CHANNEL_OF.get((quantity, _USUAL_PLACE[quantity]))
        return None if place is None and len(words) > 1 and words[0] not in _QUANTITY_OF else found
    near = difflib.get_close_matches(plain(name), [*BY_SI_NAME, *_stems()], 1, 0.75)
    return None if not near else near[0] if near[0] in BY_SI_NAME else _stems()[near[0]].si_name


def _words(stem: str) -> list[str]:
    """Parts of a name in small letters; `Vbat` is v and bat, `IL` is i and l, `current1` is current and 1."""
    found: list[str] = []
    for part in re.findall(r"[A-Z]?[a-z]+|[A-Z]+|\d+", stem):
        word = part.lower()
        head, tail = word[:1], word[1:]
        if word not in _QUANTITY_OF and word not in _PLACE_OF and head in "viu" and tail in _PLACE_OF:
            found += [head, tail]
        else:
            found.append(word)
    return found
