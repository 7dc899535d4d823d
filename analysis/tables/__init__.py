"""Published tables, one file each, with the source inside."""
