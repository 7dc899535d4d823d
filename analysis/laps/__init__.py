"""Laps from marks, distance or the signals themselves."""
