"""Calibration: what flown captures show of one craft, with how sure that is, and what they cannot show."""
