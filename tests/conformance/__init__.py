"""What the built-in vehicle does with every message and command of the standard, written down from a run."""
