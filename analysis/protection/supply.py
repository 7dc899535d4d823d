"""What a lead carried whose own current was not measured, from the current on the other side of the controller.

docs/methods.md, Duty. Everything here is an estimate or a bound, and is called so wherever it is shown.
"""

from __future__ import annotations

from dataclasses import dataclass

from amptally.analysis.controller.duty import RIPPLE_SHARE, Duty, estimate_duty, fuse_rms_a
from amptally.analysis.exposure.current import Current
from amptally.analysis.exposure.exposure import Exposure
from amptally.analysis.protection.fuse_eligibility import sensor_place
from amptally.analysis.results.reason import Reason
from amptally.analysis.runs.run import Floats, Run, Series


@dataclass(frozen=True, slots=True)
class Translated:
    """The current of the fuse's lead, as far as the other lead's current tells it."""

    likely: Exposure
    least: Exposure | None
    """None where nothing bounds it from below: margins are then `at_least`."""
    most: Exposure | None
    """None where nothing bounds it from above: margins are then `at_most`."""
    how: str
    """What it rests on, for people."""


def translate(run: Run, side: str, current: Current, position: str | None, capacitors: str | None) -> Translated | None:
    """The current in the supply leg or motor lead (`position`) from that of the other lead, else None.

    `capacitors` is where the controller's input capacitors sit, seen from the fuse.
    """
    from amptally.analysis.wording.results import phrase

    at, exposure = sensor_place(side, position, run.sensed), current.prepared
    if exposure is None or at.code != "differs":
        return None
    if at.position == "motor_lead":
        return Translated(exposure, exposure, None, "a motor carries at least its supply's current, at any duty")
    duty: Duty | Reason = Reason("plain", text="the run is too long to follow it; ask for a part of the run")
    if not run.long:
        series = _series(run, side, exposure)
        duty = estimate_duty(run, side, series.time_s, series.value)
    if isinstance(duty, Reason):
        how = f"a supply carries at most its motor's current, at any duty; no closer estimate: {phrase(duty)}"
        return Translated(exposure, None, exposure, how)
    likely_d, least_d, most_d = duty.sizes()
    ripple, may_ripple, where = {
        "battery_side": (1.0, 1.0, "between capacitors and bridge: RMS √duty × motor current"),
        "unknown": (0.0, 1.0, "place of the capacitors unknown: RMS from duty to √duty × motor current"),
    }.get(
        capacitors or "load_side",
        (
            0.0,
            RIPPLE_SHARE,
            f"before the capacitors: RMS duty × motor current, up to {RIPPLE_SHARE:g} of the ripple",
        ),
    )

    def carried(duty_of: Floats, share: float) -> Exposure:
        build = Exposure.from_interval_rms if exposure.interval_rms else Exposure.prepare
        return build(series.time_s, fuse_rms_a(series.value, duty_of, share), series.gap_after)

    return Translated(
        carried(likely_d, ripple),
        carried(least_d, ripple),
        carried(most_d, may_ripple),
        f"{phrase(duty.how)}; {where}",
    )


def _series(run: Run, side: str, exposure: Exposure) -> Series:
    """The samples that the exposure was made from."""
    series = run.series(f"{side}_current_rms_a" if exposure.interval_rms else f"{side}_current_a")
    assert series is not None
    return series
