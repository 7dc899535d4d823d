"""The door to recorded runs: open, correct, read whole or in stretches; what a folder of runs holds."""
