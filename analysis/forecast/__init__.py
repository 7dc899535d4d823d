"""Capacity, battery models, and forecasts: remaining charge, runtime, end of discharge."""
