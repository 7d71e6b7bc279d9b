"""What a link can carry, found out by asking the vehicle at its other end: `asflown link survey`."""
