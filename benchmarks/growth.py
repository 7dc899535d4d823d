"""How time grows with samples, windows and runs: measured points, the exponent fitted to them, a log-log picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

MOST = 1.1
"""No exponent may be above this."""


@dataclass(frozen=True, slots=True)
class Growth:
    """Time against one size."""

    name: str
    """Of the picture's file."""
    against: str
    sizes: tuple[float, ...]
    seconds: tuple[float, ...]

    @property
    def exponent(self) -> float:
        """Slope of the straight line through the logarithms, by least squares."""
        return float(np.polyfit(np.log(self.sizes), np.log(self.seconds), 1)[0])

    def told(self) -> str:
        """The points."""
        return ", ".join(f"{size:,.0f}: {time:.3g} s" for size, time in zip(self.sizes, self.seconds, strict=True))

    def as_json(self) -> dict[str, Any]:
        """Points and exponent."""
        points = [list(point) for point in zip(self.sizes, self.seconds, strict=True)]
        return {"against": self.against, "exponent": self.exponent, "points": points}

    def draw(self, folder: Path) -> Path:
        """The picture as SVG."""
        import matplotlib as mpl

        mpl.use("svg")
        # Fixed, so that the same points give the same file.
        mpl.rcParams["svg.hashsalt"] = "amptally"
        import matplotlib.pyplot as plt

        figure, axes = plt.subplots(figsize=(5, 3.6), layout="constrained")
        sizes, seconds = np.array(self.sizes), np.array(self.seconds)
        level = np.exp(np.mean(np.log(seconds)) - self.exponent * np.mean(np.log(sizes)))
        axes.loglog(sizes, seconds, "o", color="#1f4e79", label="measured")
        axes.loglog(sizes, level * sizes**self.exponent, "-", color="#8a8a8a", label=f"exponent {self.exponent:.2f}")
        axes.set_xlabel(self.against)
        axes.set_ylabel("processor time [s]")
        axes.grid(visible=True, which="both", linewidth=0.3)
        axes.legend(frameon=False)
        path = folder / f"{self.name}.svg"
        folder.mkdir(parents=True, exist_ok=True)
        figure.savefig(path, metadata={"Date": None})
        plt.close(figure)
        return path
