"""What happened: captures, their decoding into tracks, and the manifest of a flight."""
