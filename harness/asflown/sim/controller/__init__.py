"""The flight controller of the built-in vehicle: from a target to four motor commands, by estimates only."""
