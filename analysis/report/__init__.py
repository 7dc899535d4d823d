"""Everything a run says, built once, and one file per form it is shown in."""
