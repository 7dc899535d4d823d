"""Which channels are drawn in which lane, in which order, and what each lane is called in an address."""

from __future__ import annotations

from dataclasses import dataclass

from amptally.analysis.runs.run import Run


@dataclass(frozen=True, slots=True)
class Lane:
    """One strip of the traces: channels of one unit that belong together."""

    key: str
    """Its name in an address."""
    title: str
    unit: str
    channels: tuple[tuple[str, str], ...]
    """(SI name, short name) of what may be drawn, in the order of colours and dashes."""
    first_colour: int = 0
    """Place of its first channel's colour: left and right keep theirs everywhere."""
    fuse: str | None = None
    """The fuse whose rating is drawn."""
    usual: bool = True
    """Shown by default."""
    min_span: float = 1.0
    """An axis covers at least this much, so that noise does not fill the lane."""
    from_zero: bool = False
    """Zero is always in view."""
    stepped: bool = False
    """Values hold until the next one."""


def _lead(lead: str, name: str, first_colour: int, fuse: str) -> Lane:
    parts = (("", name), ("_rms", "RMS of interval"), ("_min", "minimum of interval"), ("_max", "maximum of interval"))
    channels = tuple((f"{lead}_current{part}_a", text) for part, text in parts)
    return Lane(lead, f"{name} current", "A", channels, first_colour, fuse, min_span=2.0, from_zero=True)


LANES: tuple[Lane, ...] = (
    _lead("battery", "Battery", 0, "main"),
    _lead("left", "Left", 1, "left"),
    _lead("right", "Right", 2, "right"),
    Lane(
        "volts",
        "Voltage",
        "V",
        (("battery_voltage_v", "battery"), ("controller_voltage_v", "controller")),
        min_span=0.2,
    ),
    Lane("lower", "Lower block voltage", "V", (("midpoint_voltage_v", "lower block"),), 3, min_span=0.1),
    Lane(
        "fused",
        "Voltage behind the fuses",
        "V",
        (("left_fused_voltage_v", "left"), ("right_fused_voltage_v", "right")),
        1,
        usual=False,
        min_span=0.2,
    ),
    Lane("blockb", "Block B current", "A", (("block_b_current_a", "block B"),), 3, min_span=2.0, from_zero=True),
    Lane("receiver", "Receiver supply", "V", (("receiver_voltage_v", "receiver"),), 3, min_span=0.2),
    Lane(
        "pulses",
        "Command pulses",
        "µs",
        (("pulse_a_us", "A"), ("pulse_b_us", "B")),
        0,
        min_span=100.0,
        stepped=True,
    ),
    Lane(
        "wheels",
        "Wheel counts",
        "counts",
        (("left_wheel_count", "left"), ("right_wheel_count", "right")),
        1,
        usual=False,
        min_span=10.0,
        stepped=True,
    ),
    Lane(
        "heat",
        "Temperature",
        "°C",
        (
            ("ambient_temp_c", "air"),
            ("fuse_temp_c", "fuses"),
            ("controller_temp_c", "controller"),
            ("motor_temp_c", "motor"),
        ),
        usual=False,
        min_span=2.0,
    ),
    Lane(
        "counts",
        "Running counts",
        "counts",
        (("pulse_a_count", "pulses A"), ("pulse_b_count", "pulses B"), ("mark", "marker")),
        usual=False,
        min_span=2.0,
        stepped=True,
    ),
)
BY_KEY = {lane.key: lane for lane in LANES}


def lanes_of(run: Run) -> tuple[Lane, ...]:
    """The lanes for which this run has channels.

    Channels of the usual lanes are checked for a valid sample; those of the others are not read before they are shown.
    """
    columns = set(run.columns)
    return tuple(
        lane
        for lane in LANES
        if any(name in columns and (not lane.usual or run.has(name)) for name, _ in lane.channels)
    )


def usual_keys(lanes: tuple[Lane, ...]) -> tuple[str, ...]:
    """What is shown by default; everything where that would be nothing."""
    usual = tuple(lane.key for lane in lanes if lane.usual)
    return usual or tuple(lane.key for lane in lanes)
