"""Words for currents: peaks, RMS, sampling."""

from __future__ import annotations

from amptally.analysis.wording.phrase import Facts, FindingWords, Phrase


def _apart(seconds: float) -> str:
    """A sample interval: 10 ms, 2.5 s."""
    return f"{1e3 * seconds:.3g} ms" if seconds < 1 else f"{seconds:.3g} s"


def _bridge(facts: Facts) -> str:
    hz = facts["switching_hz"]
    return f"bridge {hz / 1000:g} kHz" if hz else "bridge frequency not given, 1 kHz or more"


def _ripple(facts: Facts) -> str:
    where = "may sit" if facts["capacitors"] == "unknown" else "sits"
    return (
        f"The {facts['lead']} current sensor {where} between the controller's capacitors and its bridge, and does not "
        "show the pulses there: RMS is at least, margins are at most what is given."
    )


def _ripple_evidence(facts: Facts) -> str:
    slow, corner_hz = facts["slow_interval_s"], facts["corner_hz"]
    seen = "the board's interval RMS" if slow is None else f"samples every {_apart(slow)}"
    behind = "" if corner_hz is None else f", behind a filter of {corner_hz:g} Hz"
    return f"{seen}{behind}; {_bridge(facts)}; RMS is 1/√duty times the mean: 1.4 times at half duty, 3.2 at a tenth"


def _ripple_next(facts: Facts) -> str:
    return (
        f"Send the RMS of each interval from {facts['needed_rate_hz'] / 1000:.3g} thousand conversions a second or "
        f"more behind a filter of {facts['needed_corner_hz'] / 1000:.3g} kHz or more, or move the sensor to the "
        f"battery's side of the capacitors, and write fuse.{facts['place']}.capacitors and controller.switching_hz."
    )


def _bursts(facts: Facts) -> str:
    if facts["silences"]:
        return (
            f"{facts['silences']} silences, each counted as a gap; samples {_apart(facts['usual_s'])} apart between "
            "them"
        )
    return f"half of the time lies in intervals of {_apart(facts['by_time_s'])}, most others are far shorter"


def _bursts_next(facts: Facts) -> str:
    if facts["silences"]:
        return (
            "Let the board send one sample at a time. Where the current is known to have stayed as it was through the "
            "silences, import with --max-gap longer than they are."
        )
    return "Spread the samples evenly; if their times are times of arrival, use the board's own clock."


def _irregular(facts: Facts) -> str:
    return (
        f"usually {_apart(facts['usual_s'])} apart, but more than a twentieth of the time lies in intervals of "
        f"{_apart(facts['coarse_s'])} or longer, up to {_apart(facts['longest_s'])}"
    )


def _slow(facts: Facts) -> str:
    return (
        f"{facts['lead']} current every {_apart(facts['interval_s'])}: from that alone its RMS over "
        f"{facts['window_s']:g} s is uncertain by {100 * facts['relative_u']:.1f} % (1 σ)"
    )


PHRASES: dict[str, Phrase] = {
    "ripple_unseen": lambda facts: (
        f"the bridge's pulses are not seen: RMS up to 1/√duty times as large ({_bridge(facts)})"
    ),
    "run_shorter_than_window": "the run lasts {duration_s:.4g} s, shorter than this window of {window_s:g} s",
    "window_too_short": (
        "a window of {window_s:g} s is shorter than two sample intervals of {interval_s:.3g} s; a higher sample rate "
        "would show it"
    ),
    "window_crosses_gap": "the window crosses a gap",
    "gap_may_hide_larger_rms": "{missing_s:.3g} s of gaps could hide a larger one",
    "samples_miss_larger_rms": "samples up to {interval_s:.3g} s apart can miss a larger one",
    "filter_flattens_window": "the filter of {corner_hz:g} Hz flattens anything this short",
    "peak_from_board_extremes": "from the board's own extremes since the start, not seen in any sample",
    "sensor_at_full_scale": "at the sensor's full scale",
    "filter_flattens_peaks": "a filter of {corner_hz:g} Hz flattens peaks as short as a sample interval",
    "interval_extremes_missing": "not known what happened where interval extremes are missing",
    "samples_miss_shorter_peak": lambda facts: f"samples {_apart(facts['interval_s'])} apart can miss a shorter peak",
}
FINDINGS: dict[str, FindingWords] = {
    "ripple_unseen": FindingWords(_ripple, _ripple_evidence, _ripple_next),
    "sampling_bursty": FindingWords(
        "Samples come in bursts with silences between: what happened in the silences is not known.",
        _bursts,
        _bursts_next,
    ),
    "sampling_irregular": FindingWords(
        "Samples are unevenly spaced: peaks and short windows are judged by the longer intervals.",
        _irregular,
        "Look for lost frames, or a logger that waits for other work; an even rate tells more, even a lower one.",
    ),
    "sampling_slow": FindingWords(
        "The current changes more between samples than they can follow: intervals are wide and peaks are missed.",
        _slow,
        "Sample at {needed_rate_hz:g} Hz or more, or let the board send the RMS of each interval.",
    ),
}
