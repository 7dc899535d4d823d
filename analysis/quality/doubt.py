"""A finding that a channel is not what it is labelled, with what analysis/report/trust.py needs to act on it."""

from __future__ import annotations

from dataclasses import dataclass

from amptally.analysis.results.finding import Finding


@dataclass(frozen=True, slots=True)
class Doubt(Finding):
    """A finding about bad data; the report shows its five texts, trust acts on the rest."""

    channels: tuple[str, ...] = ()
    """SI names of the channels that are doubted."""
    variant: str = ""
    """Which case of the finding it is, where cases bear on different values."""
    widths: tuple[tuple[str, float], ...] = ()
    """Half-widths to add to values: by unit (A, Ah, Wh, W) in that unit, by other names as shares of the value."""
