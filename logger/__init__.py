"""Serial bytes in, run files out."""
