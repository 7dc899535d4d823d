"""Journal, run file, edits: what is on disk and how it stays whole."""
