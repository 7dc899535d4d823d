"""Bytes on the wire → samples, without I/O."""
