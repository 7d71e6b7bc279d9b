"""Many flights: planned over varied conditions, flown by several processes or machines, and what they show."""
