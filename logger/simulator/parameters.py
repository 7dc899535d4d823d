"""Parameters of the demo cart, frozen; a study can replace them field by field.

The machine and every number are invented for the demo, except where a line gives a source.
Angles in radians, resistances at 25 °C unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from amptally.logger.simulator.route import Course, demo_course


@dataclass(frozen=True, slots=True)
class MotorParameters:
    """One brushed permanent-magnet motor: V = I R + K w, T = K I less friction (references section 10)."""

    torque_constant_nm_a: float = 0.0764
    """K, the same number in V s/rad."""
    resistance_ohm: float = 0.140
    """Winding, from brush to brush."""
    inductance_h: float = 0.00022
    """Winding inductance."""
    rotor_inertia_kg_m2: float = 4.0e-4
    """Rotor and first gear stage."""
    coulomb_nm: float = 0.075
    """Friction torque that does not grow with speed."""
    viscous_nm_s: float = 1.3e-4
    """Friction torque per rad/s: iron and windage."""
    contact_drop_v: float = 0.35
    """Brush voltage drop at a large current."""
    saturation_a: float = 330.0
    """K falls as 1/(1 + (I/saturation)²) while the armature field opposes the magnets."""
    unbalance: float = 0.012
    """Relative ripple of K over a turn of the rotor."""
    copper_per_k: float = 0.00393
    """Rise of the winding resistance (references section 2, from memory there)."""
    magnet_per_k: float = -0.002
    """Change of K with case temperature, ferrite magnets; from memory."""
    copper_heat_j_k: float = 240.0
    """Heat capacity of the winding."""
    copper_to_case_w_k: float = 1.5
    """Heat flow from winding to case."""
    case_heat_j_k: float = 2200.0
    """Heat capacity of case and magnets."""
    case_to_air_w_k: float = 0.8
    """Heat flow from case to air."""


@dataclass(frozen=True, slots=True)
class BlockParameters:
    """One 12 V AGM block. Its data sheet says 35 Ah at the 20 h rate; the two blocks on the cart have less."""

    capacity_ah: float = 35.0
    """Actual capacity of this block at the 20 h rate and 25 °C."""
    charge: float = 1.0
    """Filling at the start, 0 to 1."""
    resistance_ohm: float = 0.0065
    """Ohmic part, discharging."""
    charging_ratio: float = 1.5
    """Ohmic part while charging, relative to discharging."""
    fast_ohm: float = 0.0017
    """First relaxation: charge transfer, at a small current."""
    fast_s: float = 0.4
    """Time constant of the first relaxation."""
    fast_knee_a: float = 220.0
    """The first relaxation weakens as 1/(1 + |I|/knee): it is not a linear resistor."""
    slow_ohm: float = 0.0031
    """Second relaxation: acid near the plates."""
    slow_s: float = 14.0
    """Time constant of the second relaxation."""
    hysteresis_v: float = 0.012
    """Half the gap between the charging and the discharging open-circuit curve."""
    hysteresis_ah: float = 0.15
    """Charge that moves the voltage from one curve to the other."""
    surface_v: float = 0.06
    """Voltage above rest after a fresh charge; it disappears over the first `surface_ah` discharged."""
    surface_ah: float = 0.6
    """Charge over which the surface charge disappears."""
    temperature_c: float = 23.0
    """Block temperature at the start."""
    resistance_per_k: float = -0.008
    """Change of the ohmic part with temperature; from memory."""
    capacity_per_k: float = 0.006
    """Change of the capacity with temperature (references RV3, 0.006 at slow rates)."""
    heat_j_k: float = 9000.0
    """Heat capacity."""
    to_air_w_k: float = 0.9
    """Heat flow to the air."""
    acceptance: float = 0.97
    """Fraction of returned charge that is stored."""


@dataclass(frozen=True, slots=True)
class ControllerParameters:
    """Dual motor controller driven by two pulses; it mixes throttle and steering itself."""

    neutral_us: float = 1500.0
    """Pulse width for zero command."""
    span_us: float = 500.0
    """Pulse width from zero to full."""
    deadband: float = 0.05
    """Fraction of the span around zero that commands nothing."""
    slew_per_s: float = 2.5
    """Maximum rate of change of the duty cycle."""
    on_resistance_ohm: float = 0.009
    """Bridge, two switches in series."""
    on_per_k: float = 0.004
    """Rise of the bridge resistance with its temperature; from memory."""
    bridge_k_w: float = 3.0
    """Temperature rise of a bridge per watt of loss."""
    bridge_s: float = 45.0
    """Time constant of that rise."""
    dead_time_v: float = 0.12
    """Voltage lost to switching dead time at a large current."""
    logic_a: float = 0.09
    """Its own supply current, taken at the bus bar before the channel fuses: the balance residual of the demo."""
    channel_idle_a: float = 0.02
    """Bridge drive current in each supply leg."""
    cutoff_v: float = 19.0
    """Below this bus voltage the duty cycle goes to zero."""
    restart_v: float = 20.5
    """Above this bus voltage it comes back."""
    signal_lost_s: float = 0.1
    """Time without a pulse after which the duty cycle goes to zero."""


@dataclass(frozen=True, slots=True)
class WiringParameters:
    """Resistances of the copper, round trips; AWG values at 20 °C from references section 2 (published column)."""

    jumper_ohm: float = 0.00035
    """Link between the blocks, inside what the battery voltage sensor spans."""
    main_ohm: float = 1.4 * 0.3951e-3 * 3.28084 + 0.0014
    """1.4 m of 6 AWG, plus 1.4 mΩ of plugs, cutoff and an 80 A main fuse."""
    leg_ohm: float = 0.6 * 0.9989e-3 * 3.28084
    """Fuse to bridge: 0.6 m of 10 AWG."""
    motor_lead_ohm: float = 1.6 * 0.9989e-3 * 3.28084
    """Bridge to motor: 1.6 m of 10 AWG."""


@dataclass(frozen=True, slots=True)
class FuseParameters:
    """A 40 A high-current blade fuse in its holder."""

    cold_ohm: float = 0.0014
    """Element at 20 °C (references section 1, maker's data sheet of a 40 A part, second-hand)."""
    per_k: float = 0.0039
    """Rise of the element's resistance; with `k_w` it gives the sheet's 75 mV at 40 A."""
    k_w: float = 29.0
    """Temperature rise of the element per watt."""
    heat_s: float = 2.5
    """Time constant of that rise."""
    holder_ohm: float = 0.0003
    """Contact of the holder at the start."""
    growth_ohm_per_a2s: float = 1.0e-9
    """Degradation of the contact with the current it carries."""


@dataclass(frozen=True, slots=True)
class ReceiverParameters:
    """Battery eliminator on the lower block (A): its current flows in block A only, not in the positive main lead."""

    load_w: float = 1.35
    """Receiver and sensor board on the rail."""
    ripple: float = 0.05
    """Varying part of the load, 1 σ."""
    efficiency: float = 0.82
    """Of the converter."""
    rail_v: float = 5.05
    """Rail voltage without load, with block A at 12.6 V."""
    source_ohm: float = 0.12
    """Droop of the rail with its load."""
    line_v_v: float = 0.02
    """Rail volts per volt of block A."""
    dropout_v: float = 1.2
    """Minimum difference between block A and the rail."""


@dataclass(frozen=True, slots=True)
class ChassisParameters:
    """Body, wheels and ground."""

    mass_kg: float = 205.0
    """Cart, batteries and fixed racks, without trays."""
    load_kg: float = 25.0
    """Trays carried all day; those loaded and unloaded on a lap are added."""
    yaw_inertia_kg_m2: float = 42.0
    """Moment of inertia about the vertical axis, empty."""
    track_m: float = 0.62
    """Between the driven wheels."""
    wheel_diameter_m: float = 0.254
    """10 in."""
    gear_ratio: float = 14.0
    """Rotor turns per wheel turn."""
    gear_loss: float = 0.12
    """Fraction of the gear torque lost to friction."""
    backlash_rad: float = 0.012
    """Half the backlash at the wheel."""
    stiffness_nm_rad: float = 520.0
    """Gear, shaft and tyre, at the wheel."""
    damping_nm_s: float = 3.5
    """Of the same."""
    rolling: float = 0.050
    """Rolling resistance on worn gravel (references section 10: 0.04 to 0.08)."""
    friction: float = 0.70
    """Tyre against ground (references section 10: 0.6 to 0.8)."""
    driven_share: float = 0.42
    """Fraction of the weight on each driven wheel."""
    scrub_m: float = 0.024
    """Turning moment per newton of weight."""
    counts_per_rev: int = 24
    """Pickup edges per wheel turn."""


@dataclass(frozen=True, slots=True)
class CartParameters:
    """One whole machine."""

    left_motor: MotorParameters = field(default_factory=MotorParameters)
    right_motor: MotorParameters = field(
        default_factory=lambda: MotorParameters(torque_constant_nm_a=0.0757, resistance_ohm=0.144, coulomb_nm=0.083)
    )
    """A little weaker and stiffer than the left one."""
    block_a: BlockParameters = field(
        default_factory=lambda: BlockParameters(
            capacity_ah=34.3, charge=0.995, resistance_ohm=0.0063, temperature_c=22.5
        )
    )
    """The lower block."""
    block_b: BlockParameters = field(
        default_factory=lambda: BlockParameters(
            capacity_ah=31.4, charge=0.965, resistance_ohm=0.0075, fast_ohm=0.0020, slow_ohm=0.0035, temperature_c=24.5
        )
    )
    """The upper block, the weaker one."""
    controller: ControllerParameters = field(default_factory=ControllerParameters)
    wiring: WiringParameters = field(default_factory=WiringParameters)
    left_fuse: FuseParameters = field(default_factory=lambda: FuseParameters(growth_ohm_per_a2s=4.0e-9))
    """Its holder is loose."""
    right_fuse: FuseParameters = field(default_factory=FuseParameters)
    receiver: ReceiverParameters = field(default_factory=ReceiverParameters)
    chassis: ChassisParameters = field(default_factory=ChassisParameters)
    ambient_c: float = 24.0
    """Air in the greenhouse."""


@dataclass(frozen=True, slots=True)
class DriveParameters:
    """The drive: course, laps, and how they are driven."""

    course: Course = field(default_factory=demo_course)
    """The loop; one lap is once round."""
    laps: int = 9
    """Complete laps; the start line is crossed once more than that."""
    marks: bool = True
    """Whether the operator presses the marker button at each crossing of the start line."""
    rest_s: float = 12.0
    """Standing still before the first start."""
    pace: float = 1.0
    """Multiplies every speed of the course."""
    drift: float = 0.02
    """1 σ of the relative speed from lap to lap."""
    stall_lap: int = 6
    """Lap on which the cart hits the bench leg; 0 for never."""
    stall_s: float = 0.8
    """How long the operator pushes against it."""
    push: float = 0.60
    """Throttle of that push."""
    park_m: float = 4.0
    """Distance from the last crossing to the parking place."""
    frame_loss: float = 0.0004
    """Fraction of the command pulses that the receiver loses."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """A machine and a drive."""

    cart: CartParameters = field(default_factory=CartParameters)
    drive: DriveParameters = field(default_factory=DriveParameters)
