"""Pictures: one file each."""
