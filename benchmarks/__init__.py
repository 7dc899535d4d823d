"""Measurements, each runnable as `python -m benchmarks.NAME`."""
