"""Journal, run file, edits: the files on disk, and how they stay intact."""
