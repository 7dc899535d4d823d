"""Words for the fixed choices of a report: verdicts, sources, limits; and the cautions that always hold.

Terminal, HTML and dashboard take them from here.
"""

from __future__ import annotations

CAUTIONS = (
    "Batteries of this size can weld tools and burn. Disconnect the battery before touching wires, take rings off, "
    "keep the wheels off the ground while testing, and have an emergency stop within reach.",
    "These figures say what was measured, against which limit, with what margin. They do not replace local codes or "
    "the judgement of a licensed person.",
)
NOT_GIVEN = "not given"
FUSE_VERDICTS = {
    "past": "should have opened",
    "inside": "may open",
    "near": "close to its limits",
    "below": "below its limits",
    "unknown": "not decided",
}
"""The load against the band in which a fuse may open."""
WIRE_VERDICTS = {"under": "below its limits", "over": "above a limit", "unknown": "not decided"}
TONES = {"plain": "measured", "caution": "caution", "danger": "danger", "unknown": "not decided"}
FUSE_CURRENT = {
    None: "none to compare",
    "measured": "measured in this fuse's lead",
    "estimated": "estimated through the controller's duty, not measured",
    "bounded": "only bounded by the current measured in the other lead",
}
"""Where the current of a fuse comes from."""
BLOCKS = ("block A", "block B")
ENDS_BY = {
    "block_a": "block A at its limit",
    "block_b": "block B at its limit",
    "controller": "the controller's cut-off",
    "bms": "the battery management's cut-off",
}
"""What ends a discharge."""
START_CHARGE_FROM = {
    "stated": "as stated when recording",
    "rest": "from rest voltage",
    "ledger": "from earlier runs of this battery",
    "none": "not known",
}
LAP_METHODS = {"marker": "the operator's marks", "distance": "the wheel counts", "signal": "the signals themselves"}
