"""Command pulses, mixing and duty: what each side was asked for."""
