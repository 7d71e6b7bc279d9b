"""Judging change: what differs between flights, since when, and whether it is more than noise."""
