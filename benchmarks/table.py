"""The table of what was measured, as text, JSON and docs/performance.md."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from benchmarks.growth import Growth

HEAD = ("what", "ours", "plain alternative", "ratio", "peak memory", "data size", "goal", "met")
RATIO_TEXT = "ratio: plain / ours where both are times or sizes, else ours / bound"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table."""

    what: str
    ours: str
    plain: str = ""
    """The plain alternative, or the bound."""
    ratio: float | None = None
    """How many times less ours takes than the alternative; below 1 it takes more."""
    peak: str = ""
    """Ours, then the alternative's."""
    size: str = ""
    goal: str = ""
    met: bool | None = None
    """None where there is no goal, or it was not measured as the goal says."""

    def cells(self) -> tuple[str, ...]:
        """As HEAD."""
        met = {None: "", True: "yes", False: "no"}[self.met]
        ratio = "" if self.ratio is None else f"{self.ratio:.2g}"
        return self.what, self.ours, self.plain, ratio, self.peak, self.size, self.goal, met


def as_text(lines: list[Line]) -> str:
    """For a terminal."""
    rows = [HEAD, *(line.cells() for line in lines)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(HEAD))]
    return "\n".join("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
                     for row in rows)  # fmt: skip


def as_json(lines: list[Line], growths: list[Growth], machine: dict[str, Any], values: dict[str, Any]) -> str:
    """Everything that was measured."""
    document = {
        "machine": machine,
        "lines": [asdict(line) for line in lines],
        "growth": [growth.as_json() for growth in growths],
        "values": values,
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def as_markdown(lines: list[Line], growths: list[Growth], machine: dict[str, Any], notes: Path) -> str:
    """docs/performance.md: the table, the pictures, the machine, and what people wrote about it in `notes`."""
    out = ["# Performance", "", "Written by `python -m benchmarks`; the words under the table are in "
           "`benchmarks/notes.md`. Ratios matter, not times: this was a small shared machine.", ""]  # fmt: skip
    out += [f"| {' | '.join(HEAD)} |", "|" + "---|" * len(HEAD)]
    out += [f"| {' | '.join(line.cells())} |" for line in lines]
    out += ["", "Ratio: the alternative's time or size over ours; below 1 ours takes more.", ""]
    out += ["## The machine", "", ", ".join(f"{name} {value}" for name, value in machine.items()) + ".", ""]
    if growths:
        out += ["## Growth", "", "| against | exponent | points |", "|---|---|---|"]
        out += [f"| {growth.against} | {growth.exponent:.2f} | {growth.told()} |" for growth in growths]
        out += ["", *(f"![{growth.against}](performance/{growth.name}.svg)" for growth in growths), ""]
    return "\n".join(out) + "\n" + notes.read_text(encoding="utf-8")
