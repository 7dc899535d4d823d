"""The limits to watch: those that a machine's description gives, no others."""

from __future__ import annotations

from collections.abc import Iterator

from amptally.analysis.alarms.checks import BalanceLimit, VoltageLimit
from amptally.analysis.alarms.fuse_air_watch import UNDECLARED, AirLimit
from amptally.analysis.alarms.fuse_watch import FuseLimit, fuse_limit
from amptally.analysis.alarms.watch import WatchLimits
from amptally.analysis.protection.fuse_eligibility import fuse_specs
from amptally.analysis.results.leads import LEADS
from amptally.analysis.results.reason import Reason
from amptally.logger.machine.description import Machine
from amptally.logger.machine.fields import SENSORS


def watch_limits(machine: Machine) -> WatchLimits:
    """The limits that a machine's description gives, no others."""
    sensed = machine.controller.sensed if machine.controller else None
    sensors = {lead: machine.sensors[f"{lead}_current"] for lead in LEADS if f"{lead}_current" in machine.sensors}
    balance = BalanceLimit(
        {lead: sensor.offset_u or 0.0 for lead, sensor in sensors.items()},
        {lead: sensor.gain_u or 0.0 for lead, sensor in sensors.items()},
    )
    air = machine.sensors.get("fuse_temp")
    return WatchLimits(
        air=UNDECLARED if air is None else AirLimit(air.offset_u, air.gain_u),
        fuses=tuple(fuse for fuse in fuse_limits(machine).values() if isinstance(fuse, FuseLimit)),
        voltages=tuple(voltage_limits(machine)),
        balance=balance if sensed == "supply_leg" else None,
        full_scale_a={lead: sensor.full_scale for lead, sensor in sensors.items() if sensor.full_scale},
        moving_a=max(1.0, (machine.motor.no_load_a if machine.motor else None) or 0.0),
        corrections={
            SENSORS[name].si_name: (sensor.offset or 0.0, sensor.gain or 0.0)
            for name, sensor in machine.sensors.items()
            if sensor.offset or sensor.gain
        },
    )


def fuse_limits(machine: Machine) -> dict[str, FuseLimit | Reason]:
    """The limit of each fuse that a machine's description names, or why it cannot be watched."""
    return {place: fuse_limit(spec) for place, spec in fuse_specs(machine).items()}


def voltage_limits(machine: Machine) -> Iterator[VoltageLimit]:
    """The minimum voltages that a machine's description gives."""
    battery, bms, controller, receiver = machine.battery, machine.bms, machine.controller, machine.receiver
    whole = ("battery_voltage_v",)
    if battery is not None and battery.cutoff_v is not None and battery.in_series is not None:
        cutoff_v = battery.cutoff_v
        yield VoltageLimit("battery_low", "battery", whole, cutoff_v * battery.in_series, "sheet_cutoff")
        if battery.in_series == 2:
            middle = "midpoint_voltage_v"
            yield VoltageLimit("block_low", "lower_block", (middle,), cutoff_v, "sheet_cutoff")
            yield VoltageLimit("block_low", "upper_block", whole, cutoff_v, "sheet_cutoff", less=middle)
    if bms is not None and bms.cutoff_v is not None:
        yield VoltageLimit("battery_low", "battery", whole, bms.cutoff_v, "bms_cutoff")
    if controller is not None:
        channels = ("controller_voltage_v", *whole)
        if controller.minimum_v is not None:
            yield VoltageLimit("controller_low", "controller_supply", channels, controller.minimum_v, "sheet_minimum")
        if controller.cutoff_v is not None:
            yield VoltageLimit(
                "controller_low", "controller_supply", channels, controller.cutoff_v, "controller_cutoff"
            )
    if receiver is not None and receiver.minimum_v is not None:
        yield VoltageLimit(
            "receiver_low",
            "receiver_supply",
            ("receiver_voltage_v",),
            receiver.minimum_v,
            "sheet_minimum",
            hold_s=0.02,
            severity="danger",
        )
