"""Scripts that are flown in tests, with their scenarios."""
