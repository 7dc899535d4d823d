"""Words for laps."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase, counted

SOURCES = {"wheel_counts": "wheel counts", "signals": "signals"}
PRESS = "Press the marker at the same place each lap to have them counted from there."
SAY = "Say which by [lap] duration_s in the machine file, about how long a lap takes"


def _too_few(facts: Facts) -> str:
    seen = {0: "no lap", 1: "one lap"}[facts["laps"]]
    return f"{seen} with battery current: two are needed to see how much laps differ"


def _marks(facts: Facts) -> str:
    laps = facts["doubtful_laps"]
    numbers, many = ", ".join(map(str, laps)), len(laps) > 1
    doubled, stray, placed, lost = facts["doubled"], facts["stray"], facts["placed"], facts["lost"]
    parts = [
        f"{counted(doubled, 'press', 'presses')} right after another left out" if doubled else "",
        f"{counted(stray, 'press', 'presses')} in the middle of a lap left out" if stray else "",
        f"{counted(placed, 'boundary', 'boundaries')} added where the {SOURCES[facts['placed_by']]} show more than "
        "one lap"
        if placed
        else "",
        f"{'laps' if many else 'lap'} {numbers} may be two or more, and {'are' if many else 'is'} left out of the mean"
        if laps
        else "",
        f"{counted(lost, 'press', 'presses')} while nothing was recorded, at unknown times" if lost else "",
    ]
    return "; ".join(filter(None, parts))


def _distance(facts: Facts) -> str:
    if facts["repeat_m"] is not None:
        return f"the signals repeat every {facts['repeat_m']:.1f} m by the wheels: counted at that repetition"
    return (
        f"every {facts['length_m']:g} m of the mean of both wheels from where they start to turn; slip and error add up"
    )


def _signal(facts: Facts) -> str:
    circuits = f"; {facts['circuits']} circuits or directions" if facts["circuits"] > 1 else ""
    beside = f"; {facts['uncovered_s']:.0f} s of driving belong to no lap" if facts["uncovered_s"] >= 1 else ""
    return f"confidence {facts['confidence']:.2f} of 1{circuits}{beside}; equal halves would count as laps"


PHRASES: dict[str, Phrase] = {
    "laps_unwanted": "the machine file says that its runs have no laps",
    "lap_marks_few": lambda facts: (
        f"{counted(facts['marks'], 'lap mark')} in the run's edits within this part: two make a lap"
    ),
    "marker_unrecorded": "no marker button was recorded",
    "marker_presses_few": lambda facts: (
        f"the marker was pressed {counted(facts['presses'], 'time')}: two marks make a lap"
    ),
    "lap_distance_undescribed": (
        "laps by distance need wheel counts on both sides, wheel_diameter_m, wheel_counts_per_rev and [lap] length_m"
    ),
    "lap_distance_short": "the wheels covered less than one lap of {length_m:g} m",
    "laps_too_many": "{laps} laps in {duration_s:.0f} s cannot be: at most {most} are counted, none shorter than 1 s",
    "lap_channels_absent": "no channel that could tell laps apart",
    "signals_constant": "the signals do not change",
    "signals_short": "too short: the signals must show at least two laps of 5 s or longer",
    "signals_unrepeating": "the signals do not repeat themselves",
    "machine_standing": "the machine stands still nearly all the time",
    "one_lap": "only one complete lap: nothing to compare it with",
    "likeness_low": "no stretch of the run is similar enough to what comes one lap later",
    "contrast_low": "the run resembles itself at any distance, not only at that of a lap",
    "agreement_low": "the stretches that repeat are too different from one another to be laps",
    "regularity_low": "the stretches that repeat differ too much in length to be laps",
    "load_constant": "the load is constant: nothing drives",
    "battery_charging": "the battery is being charged, or its current sensor is reversed; nothing shows a drive",
    "laps_change": "the laps change into others, and neither repeat clearly enough by themselves",
    "laps_uncovered": "what repeats covers {covered_s:.0f} s of driving; {uncovered_s:.0f} s belong to no lap",
    "laps_or_parts": f"a lap may take {{lap_s:.1f}} s, or be {{times}} times as long, {{longer_s:.1f}} s. {SAY}",
    "laps_or_sides": (
        f"the signals repeat every {{lap_s:.1f}} s, but by the wheels that does not lead back to where it began: "
        f"it may be one side of a loop. {SAY}; or give track_m, wheel_diameter_m and wheel_counts_per_rev: "
        "then the heading tells"
    ),
    "laps_of_other_time": "the signals repeat every {lap_s:.1f} s; by the machine file a lap takes {given_s:.1f} s",
    "trend_laps_few": "a trend needs {needed} laps",
    "least_squares_of_laps": "least squares over {laps} laps",
    "laps_few": _too_few,
    "laps_uncharged": "the laps took no net charge",
    "laps_scatter": lambda facts: f"scatter of {facts['laps']} laps, {100 * facts['scatter_relative']:.1f} % (1 σ)",
    "later_laps_differ": lambda facts: f"later laps differ, {100 * facts['relative_u']:g} % (1 σ)",
    "trend_of_laps": lambda facts: f"trend of {1000 * facts['ah_per_lap']:+.2g} mAh a lap as doubt",
}
FINDINGS: dict[str, FindingWords] = {
    "lap_marks": FindingWords(
        "Some lap marks look pressed twice or not at all.",
        _marks,
        "If that is wrong, correct the marks in the run's edits file (lap_marks_s).",
    ),
    "laps_from_distance": FindingWords(
        "Laps were counted by distance, not marked: the start of a lap is arbitrary.", _distance, PRESS
    ),
    "laps_from_signal": FindingWords(
        "Laps were found in the signals, not marked: the start of a lap is arbitrary.", _signal, PRESS
    ),
}
