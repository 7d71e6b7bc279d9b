"""asflown: fly a script, compare the path it flew with the path that was planned, and say what that proves."""

__version__ = "0.1.0"
