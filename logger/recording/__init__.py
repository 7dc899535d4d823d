"""Port to journal to run file, and every way a recording can end."""
