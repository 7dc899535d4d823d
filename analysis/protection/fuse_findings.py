"""The words of every finding about a fuse; when each applies is decided in `fuse.py`. `who` is such as "Left fuse"."""

from __future__ import annotations

from amptally.analysis.exposure.exposure import Window
from amptally.analysis.results.finding import Finding


def current_missing(who: str, why: str) -> Finding:
    """Nothing measured what the fuse carried."""
    action = "Record this lead's current, or map its column when importing."
    return Finding("caution", "fuse_current_missing", f"{who}: no margin, because {why}.", "no samples", action)


def place_assumed(who: str, given: str, missing: str) -> Finding:
    """Fuse and sensor are taken to sit in the supply leg."""
    what = f"{who}: fuse and current sensor are taken to be in the supply leg."
    return Finding("note", "fuse_place_assumed", what, given, f"Write {missing} in the machine file.")


def place_refused(who: str, code: str, why: str, given: str, action: str) -> Finding:
    """The sensor does not see, or may not see, what the fuse sees."""
    return Finding("caution", code, f"{who}: no margin, because {why}.", given, f"{action}.")


def place_translated(who: str, why: str, given: str, action: str) -> Finding:
    """The sensor sits in the other lead, and the comparison rests on an estimate or a bound."""
    what = f"{who}: its current is estimated, not measured, because {why}."
    return Finding("caution", "fuse_place_differs", what, given, f"{action}, and the margin becomes a measurement.")


def estimate_open(who: str, evidence: str) -> Finding:
    """What is known of the current of this lead lies on both sides of a limit, or is open."""
    what = f"{who}: the estimate of its current leaves open on which side of its limits it was."
    action = "Measure the current in the fuse's own lead; until then take it as possibly inside its band."
    return Finding("caution", "fuse_estimate_open", what, evidence, action)


def preheated(who: str, rms_a: float, seconds: float, derated_a: float) -> Finding:
    """Cold-start times do not hold for a fuse that carried load just before."""
    what = f"{who}: it was warm when its tightest window began, and its opening times are those of a cold one."
    evidence = f"{rms_a:.3g} A RMS in the {seconds:.3g} s before, {100 * rms_a / derated_a:.0f} % of {derated_a:.3g} A"
    action = "A fuse that carried current before opens sooner: read the margin as the most it can be."
    return Finding("note", "fuse_preheated", what, evidence, action)


def rating_missing(who: str, why: str, given: object, place: str) -> Finding:
    """No usable rating."""
    action = f"Write fuse.{place}.rating_a as printed on the fuse."
    return Finding("caution", "fuse_rating_missing", f"{who}: no margin, because {why}.", f"rating_a: {given}", action)


def family_unknown(who: str, why: str, known: str, place: str) -> Finding:
    """No table for this family."""
    action = f"Write fuse.{place}.family."
    return Finding("caution", "fuse_family_unknown", f"{who}: no margin, because {why}.", f"known: {known}", action)


def rating_unknown(who: str, why: str, made: str) -> Finding:
    """The family is not made in this rating."""
    action = "Check the family and the rating on the fuse itself."
    evidence = f"limits are held for {made}"
    return Finding("caution", "fuse_rating_unknown", f"{who}: no margin, because {why}.", evidence, action)


def derating_missing(who: str, rating_a: float) -> Finding:
    """The rating is used whatever the temperature."""
    what = f"{who}: no derating table is held for this family."
    action = "In warm air take the usable current from the maker's data sheet."
    return Finding("caution", "fuse_derating_missing", what, f"{rating_a:g} A is used at any temperature", action)


def ambient_assumed(who: str, ambient_c: float, place: str) -> Finding:
    """The default temperature is used."""
    what = f"{who}: the air at the fuse is taken to be at {ambient_c:g} °C."
    action = "Measure the air at the fuse and write it in the machine file."
    return Finding("note", "fuse_ambient_assumed", what, f"fuse.{place}.ambient_c is not given", action)


def ambient_beyond(who: str, why: str, ambient_c: float) -> Finding:
    """Hotter than the derating table goes."""
    evidence = f"air at the fuse {ambient_c:g} °C"
    action = "Move the fuse to cooler air."
    return Finding("caution", "fuse_ambient_beyond", f"{who}: no margin, because {why}.", evidence, action)


def limit_unverified(who: str, title: str, doubts: str) -> Finding:
    """Rows from memory, or a column used for another part."""
    action = "Compare them with the data sheet of the fuse that is fitted."
    return Finding(
        "caution", "fuse_limit_unverified", f"{who}: its limits are unverified.", f"{title}: {doubts}", action
    )


def sampling_slow(who: str, evidence: str, shortest_s: float) -> Finding:
    """Too few samples for the shortest opening time."""
    what = f"{who}: sampled too slowly for its shortest opening time, so the margin is an upper bound."
    return Finding("caution", "fuse_sampling_slow", what, evidence, f"Sample at {2 / shortest_s:.3g} Hz or more.")


def filter_undeclared(who: str, needed_hz: float) -> Finding:
    """Nothing is known about the filter before the converter."""
    what = f"{who}: the filter before the converter is not declared; a slow one would hide short peaks."
    action = "Write the sensor's bandwidth_hz in the machine file."
    return Finding("note", "fuse_filter_undeclared", what, f"needed: {needed_hz:.3g} Hz or more", action)


def filter_slow(who: str, evidence: str) -> Finding:
    """The filter flattens what the fuse would feel."""
    what = f"{who}: the filter before the converter hides short peaks, so the margin is an upper bound."
    action = "Use a faster filter, or a board that sends the RMS of each interval."
    return Finding("caution", "fuse_filter_slow", what, evidence, action)


def short_windows(who: str, shortest_s: float, window: Window) -> Finding:
    """Windows below the shortest published time, with the worst of the shortest seen."""
    what = f"{who}: windows shorter than {shortest_s:g} s have no published opening time and no margin."
    evidence = f"largest RMS over {window.window_s:.3g} s: {window.rms_a:.4g} A at {window.start_s:.3f} s"
    action = "Compare short peaks with the melting I²t on the fuse's data sheet."
    return Finding("note", "fuse_short_windows", what, evidence, action)


def nothing_to_compare(who: str, code: str, why: str) -> Finding:
    """No current, or no window with a limit."""
    return Finding("note", code, f"{who}: no margin.", why, "Record a run under load.")


def gap_in_window(who: str, window: Window) -> Finding:
    """Samples are missing where it matters most."""
    what = f"{who}: samples are missing in the tightest window, so the margin is an upper bound."
    evidence = f"{window.window_s:.4g} s of samples between {window.start_s:.3f} and {window.end_s:.3f} s"
    return Finding("caution", "fuse_gap", what, evidence, "Look for the cause of the gap.")


def gap_leaves_open(who: str, gap_s: float, filled_fraction: float) -> Finding:
    """What the gaps could have carried forbids to say that the load was low."""
    what = f"{who}: the gaps could hide a continuous load near the rating, so the verdict is left open."
    evidence = f"{gap_s:.4g} s of gaps; filled with the greatest current seen: {filled_fraction:.3g} of the rating"
    return Finding("caution", "fuse_gap", what, evidence, "Look for the cause of the gaps.")


def past(who: str, evidence: str) -> Finding:
    """Past the latest opening."""
    what = f"{who}: by its published limits it should have opened."
    action = "Doubt the sensor's scale and place and the fuse that is fitted; then replace the fuse."
    return Finding("danger", "fuse_past", what, evidence, action)


def inside(who: str, evidence: str) -> Finding:
    """Between the earliest and the latest opening."""
    what = f"{who}: a fuse of this kind may open at this load."
    action = "Lower or shorten this load. A larger fuse needs a wire that carries it."
    return Finding("danger", "fuse_inside", what, evidence, action)


def near(who: str, evidence: str) -> Finding:
    """Below the earliest opening, and not by much."""
    action = "Look at the moment named, and at the same load in warm air."
    return Finding("caution", "fuse_near", f"{who}: close to its limits.", evidence, action)
