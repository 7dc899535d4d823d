"""Fuses and wires against the current they carried."""
