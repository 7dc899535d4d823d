"""The rules of the report applied to samples as they arrive."""
