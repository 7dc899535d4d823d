"""One pass over every sample of a run for all sections of a report, so that a long run is read once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from amptally.analysis.controller.pulses import LONG_RUN_ROWS, STEP_CHANNELS, changes_pass
from amptally.analysis.exposure.run_exposure import exposure_channel, exposure_pass
from amptally.analysis.integrals.energy import voltages_beside
from amptally.analysis.integrals.sums import curve_pass, power_pass
from amptally.analysis.quality.clipping import peak_level_pass
from amptally.analysis.quality.wheel_counts import count_steps_pass
from amptally.analysis.results.leads import CURRENTS, LEADS, SIDES
from amptally.analysis.runs.run import Run

WHEEL_COUNTS = tuple(f"{side}_wheel_count" for side in SIDES)


def single_pass(run: Run, windows_s: Sequence[float] = ()) -> None:
    """Extremes and means of all channels, sums of currents and powers, peak levels, changes of step channels.

    Of a long run also the exposure of the currents: `windows_s` are the window lengths that will be requested.
    """
    run.run_passes(_passes(run, windows_s))


def _passes(run: Run, windows_s: Sequence[float]) -> Iterator[Iterator[None]]:
    exposures = () if run.at_once else {exposure_channel(run, lead) for lead in LEADS}
    for name in run.channels:
        yield run.extremes_pass(name)
        if name.endswith(("_current_a", "_current_rms_a")):
            yield curve_pass(run, name)
        if name in CURRENTS:
            yield peak_level_pass(run, name)
        if name in exposures:
            yield exposure_pass(run, name, windows_s)
        if name in WHEEL_COUNTS:
            yield count_steps_pass(run, name)
        if name in STEP_CHANNELS and run.rows >= LONG_RUN_ROWS:
            yield changes_pass(run, name)
    for lead in LEADS:
        voltage = next((name for name in voltages_beside(lead) if name in run.channels), None)
        if voltage is not None and f"{lead}_current_a" in run.channels:
            yield power_pass(run, f"{lead}_current_a", voltage)
