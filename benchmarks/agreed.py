"""Which values ours and the plain alternatives must agree on before any time is reported, and how closely."""

from __future__ import annotations

import numpy as np

LEADS = ("battery", "left", "right")
WINDOWS_S = (0.1, 1.0, 10.0, 60.0, 600.0)
INTERVAL_S = 0.001
REST_S = 60.0

TOLERANCES = {
    # The machine file declares that voltages are read 0.4 ms late; we correct that, the plain ones do not.
    "net_wh": 1e-4,
    "net_ah": 1e-6,
    # An interval that crosses zero is split by us and counted whole by the plain ones.
    "discharged_ah": 1e-3,
    "recovered_ah": 1e-2,
    "mean_power_w": 1e-4,
    "min_voltage_v": 1e-9,
    # We find the stretch at rest ourselves; its end is a little later or sooner than 60 s.
    "rest_voltage_v": 1e-4,
    "worst_sag_v": 2e-3,
    "receiver_min_v": 1e-9,
}
"""Relative."""
PEAK, MEAN = 1e-9, 1e-4
"""Our mean is weighted by time, so that the first and the last sample count half."""
RMS = {0.1: 1e-2, 1.0: 2e-3, 10.0: 2e-3, 60.0: 2e-3, 600.0: 2e-3}
"""Ours slides continuously along straight lines between samples; the plain ones step from sample to sample."""


def tolerances(windows_s: tuple[float, ...] = WINDOWS_S) -> dict[str, float]:
    """Every value that is compared, with its relative tolerance."""
    found = dict(TOLERANCES)
    for lead in LEADS:
        found |= {f"{lead}_peak_a": PEAK, f"{lead}_mean_a": MEAN}
        found |= {f"{lead}_rms_{window:g}_s_a": RMS[window] for window in windows_s}
    return found


def disagreements(ours: dict[str, float], plain: dict[str, float], windows_s: tuple[float, ...]) -> list[str]:
    """What differs by more than it may; empty where all agree."""
    found = []
    for name, share in tolerances(windows_s).items():
        if not abs(ours[name] - plain[name]) <= share * abs(plain[name]):
            found.append(f"{name}: {ours[name]!r} against {plain[name]!r}")
    return found


def windows_within(duration_s: float) -> tuple[float, ...]:
    """The fixed windows that fit into a drive."""
    return tuple(window for window in WINDOWS_S if window <= duration_s)


def curve_windows_s(duration_s: float) -> list[float]:
    """As many lengths as our exposure curve has, each a whole number of samples."""
    spaced = np.geomspace(2 * INTERVAL_S, duration_s - INTERVAL_S, 48).tolist()
    return sorted({max(round(window / INTERVAL_S), 2) * INTERVAL_S for window in [*spaced, *WINDOWS_S]})
