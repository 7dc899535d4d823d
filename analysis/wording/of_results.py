"""Words for what every result can say: intervals, open sides, values that cannot be computed."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase
from amptally.logger.channels import BY_SI_NAME


def _shares(facts: Facts) -> str:
    return ", ".join(f"{name} {100 * share:.0f} %" for name, share in facts["shares"])


def _model(facts: Facts) -> str:
    return "model 1 σ: " + ", ".join(f"{name} {100 * relative_u:.1f} %" for name, relative_u in facts["relative_u"])


def _not_measured(facts: Facts) -> str:
    return f"no {BY_SI_NAME[facts['channel']].label.lower()} was measured"


PHRASES: dict[str, Phrase] = {
    "not_measured": _not_measured,
    "single_sample": "a single sample covers no time",
    "too_few_samples": "too few samples",
    "not_finite": "the data hold no finite value for this",
    "interval_from": _shares,
    "sensor_error_undeclared": "sensor error not declared",
    "widened_by_doubt": "{doubt} as doubt",
    "model_uncertainty": _model,
    "no_current": "no current in this lead",
    "open_on_needed_side": "the current's interval is open on the side that matters",
    "open_on_opposite_sides": "one factor is open below and the other above",
}
FINDINGS: dict[str, FindingWords] = {}
