"""Rest voltage, sag, resistance, blocks and state of charge."""
