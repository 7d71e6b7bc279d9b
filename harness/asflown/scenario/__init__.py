"""What should happen: scenario and vehicle files, the expected path, limits and rules."""
