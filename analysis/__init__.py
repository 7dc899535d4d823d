"""A run in, numbers with their uncertainty out."""
