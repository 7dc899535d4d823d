"""Generator of circuit_24v_drive.csv: a battery whose resistances and open-circuit voltage are known exactly.

    PYBAMM_DISABLE_TELEMETRY=true python tests/data/build_circuit_trace.py      # needs pybamm 26.10.1.1 (BSD 3-clause)

PyBaMM's equivalent-circuit (Thevenin) model solves the circuit; every number of it is in `CIRCUIT` and was chosen here.
Run once, in an environment of its own: neither the package nor its tests need the library.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

CIRCUIT = {
    "ohmic_ohm": 0.0132,
    "pairs": [[0.0041, 0.15], [0.0058, 2.2], [0.0074, 45.0]],
    "empty_v": 24.0,
    "per_charge_v": 1.8,
    "capacity_ah": 18.0,
    "start_charge": 0.9,
}
"""R0 [Ω]; pairs of resistance [Ω] and time constant [s]; open-circuit voltage = empty_v + per_charge_v × charge, the
straight line of Larminie & Lowry for twelve lead-acid cells (from memory); size [Ah] and charge at the start."""
INTERVAL_S = 0.05
RAMP_S = 0.03
SEED = 20
HERE = Path(__file__).parent


def load() -> tuple[np.ndarray, np.ndarray]:
    """Corners of the current [s, A]: 20 s of rest, four clean steps, a drive of starts and pauses, 110 s of rest."""
    rng = np.random.default_rng(SEED)
    levels = [(0.0, 20.0), (30.0, 14.0), (6.0, 16.0), (42.0, 13.0), (0.0, 17.0)]
    clock = sum(length for _, length in levels)
    while clock < 250.0:
        length = float(rng.choice([rng.uniform(0.4, 2.0), rng.uniform(2.0, 9.0)]))
        choices = [0.0, rng.uniform(3, 15), rng.uniform(15, 60), -rng.uniform(1, 6)]
        level = float(rng.choice(choices, p=[0.2, 0.4, 0.3, 0.1]))
        levels.append((round(level, 2), round(length, 2)))
        clock += round(length, 2)
    levels += [(35.0, 25.0), (0.0, 110.0)]
    times, amps, at = [0.0], [0.0], 0.0
    for (level, length), (following, _) in zip(levels, [*levels[1:], (0.0, 0.0)], strict=True):
        at += length
        times += [at, at + RAMP_S]
        amps += [level, following]
    return np.array(times), np.array(amps)


def main() -> None:
    import pybamm  # type: ignore[import-not-found,unused-ignore]

    corners_s, corners_a = load()
    pairs = CIRCUIT["pairs"]
    model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": len(pairs)})
    # The solver integrates energy and charge itself, as two more states of the circuit.
    for name, rate in (("energy", model.variables["Power [W]"]), ("charge", model.variables["Current [A]"])):
        state = pybamm.Variable(name)
        model.rhs[state], model.initial_conditions[state], model.variables[name] = rate / 3600, pybamm.Scalar(0), state
    values = model.default_parameter_values
    values.update(
        {
            "Open-circuit voltage [V]": lambda charge: CIRCUIT["empty_v"] + CIRCUIT["per_charge_v"] * charge,
            "R0 [Ohm]": CIRCUIT["ohmic_ohm"],
            "Cell capacity [A.h]": CIRCUIT["capacity_ah"],
            "Nominal cell capacity [A.h]": CIRCUIT["capacity_ah"],
            "Initial SoC": CIRCUIT["start_charge"],
            "Upper voltage cut-off [V]": 30.0,
            "Lower voltage cut-off [V]": 15.0,
            "Entropic change [V/K]": 0.0,
            "Current function [A]": pybamm.Interpolant(corners_s, corners_a, pybamm.t, interpolator="linear"),
        },
        check_already_exists=False,
    )
    for place, (ohm, tau_s) in enumerate(pairs, 1):
        values.update(
            {
                f"R{place} [Ohm]": ohm,
                f"C{place} [F]": tau_s / ohm,
                f"Element-{place} initial overpotential [V]": 0.0,
            },
            check_already_exists=False,
        )
    grid_s = np.arange(0.0, corners_s[-1] - RAMP_S, INTERVAL_S)
    solver = pybamm.IDAKLUSolver(rtol=1e-9, atol=1e-9)
    simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)
    # Stops at every corner of the current, so that no ramp is stepped over.
    stops_s = np.append(corners_s[corners_s < grid_s[-1]], grid_s[-1])
    solution = simulation.solve(stops_s, t_interp=np.union1d(grid_s, stops_s))
    amps, volts = solution["Current [A]"](grid_s), solution["Voltage [V]"](grid_s)
    rows = "\n".join(f"{t:.2f},{i:.3f},{v:.5f}" for t, i, v in zip(grid_s, amps, volts, strict=True))
    (HERE / "circuit_24v_drive.csv").write_text(f"time_s,current_A,voltage_V\n{rows}\n", encoding="utf-8")
    truth = {
        "made_with": f"pybamm {pybamm.__version__}, equivalent_circuit.Thevenin",
        **CIRCUIT,
        "net_wh": float(solution["energy"](grid_s[-1])),
        "net_ah": float(solution["charge"](grid_s[-1])),
        "end_charge": float(solution["SoC"](grid_s[-1])),
    }
    (HERE / "circuit_24v_drive.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
