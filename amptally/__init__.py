"""Record drives of small battery-electric two-wheel machines, and say how close they came to the limits."""

from __future__ import annotations

__all__ = ["main"]


def main() -> int:
    """Run the command in sys.argv; the exit code is returned."""
    from amptally.commands import main as run

    return run()
