"""The machine description: fields, reading, template, checks."""
