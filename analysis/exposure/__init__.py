"""Largest RMS of a current over any window, peaks, and how far sampling supports them."""
