"""What a forecast starts from: the battery, the state of its blocks, and the load that the run put on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from amptally.analysis.forecast.data_sheet import SHEET_ABOVE, WORN_TO, DataSheet, MeasuredCapacity
from amptally.analysis.forecast.load_profile import LoadProfile
from amptally.analysis.forecast.voltage_curve import VoltageKnee
from amptally.analysis.results.estimate import Estimate

EndsBy = Literal["block_a", "block_b", "controller", "bms"]


@dataclass(frozen=True, slots=True)
class BlockState:
    """One block of the battery, or several alike."""

    name: Literal["block_a", "block_b"]
    """block_a is the lower one in series."""
    start_charge: Estimate
    """Fraction of rated capacity when `drawn` begins; refused when not known."""
    load: LoadProfile
    """Current that is assumed to go on: that of the driven part of the run."""
    drawn: LoadProfile | None = None
    """Current since `start_charge` was true; None for a forecast from there."""
    drawn_u_ah: float = 0.0
    """1 σ of the drawn charge [Ah], from the sensor."""
    resistance_ohm: Estimate | None = None
    """Resistance of the block at about 10 s; None when neither measured nor given."""
    count: int = 1
    """Blocks that it stands for: those of a battery of more than two are taken to be alike."""


@dataclass(frozen=True, slots=True)
class BatteryData:
    """What the machine file says about the battery."""

    sheet: DataSheet
    """Capacity of one block."""
    chemistry: str
    """agm, gel, flooded, lfp, li_ion or nimh."""
    block_voltage_v: float
    """Nominal voltage of one block [V]."""
    in_series: bool
    """Whether blocks share one current; False for parallel and for one block."""
    temperature_c: float | None = None
    """Of the battery [°C]."""
    depth_of_discharge: float | None = None
    """Share that may be used of the charge that a full battery gives at this load, 0..1; None for all of it."""
    likely_left: float = 1.0
    """Share of the sheet's capacity that the blocks are taken to have left."""
    sheet_above: float = SHEET_ABOVE
    """How far above their sheet the blocks may lie, relative, at 95 %."""
    worn_to: float = WORN_TO
    """Lowest share of the sheet's capacity that the blocks may have left; 1 where a capacity test says so."""
    measured: MeasuredCapacity | None = None
    """A measured full discharge of a block; it counts in place of the sheet's capacity."""
    cutoff_v: float | None = None
    """Voltage of a block under load at which the run is to end [V]."""
    bms_cutoff_v: float | None = None
    """Voltage of the whole battery at which its management disconnects [V]."""
    controller_cutoff_v: float | None = None
    """Voltage at the controller's terminals at which it stops [V]."""
    shares_measured: bool = True
    """Whether the current of each block is known; else blocks in parallel are taken to share equally."""


@dataclass(frozen=True, slots=True)
class Demand:
    """The load of this run on the whole battery."""

    mean_a: float
    """Mean battery current of the driven part [A]."""
    rms_10s_a: float
    """Largest 10 s RMS of the battery current [A]."""
    rms_1s_a: float
    """Largest 1 s RMS of the battery current [A]."""
    mean_power_w: Estimate
    """Mean power of the driven part [W]."""
    speed_m_s: Estimate | None = None
    """Mean speed of the driven part [m/s]; None without wheel counts or lap length."""
    lead_ohm: float = 0.0
    """Resistance between battery and controller terminals [Ω]."""
    voltage_share: float = 1.0
    """Mean voltage still to come over that of the run."""
    current_growth: float = 1.0
    """Mean current still to come over that of the run, if the power stays constant while the voltage falls."""
    knee: VoltageKnee | None = None
    """Knee of the voltage under load; None where it has not begun."""
