"""Bytes on the wire to samples, without I/O."""
