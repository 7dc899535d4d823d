"""Capacity, battery models and what is left: charge, runtime, end of discharge."""
