"""Tables of other loggers: what was asked of them, the form of their text, their units, what cannot be right."""
