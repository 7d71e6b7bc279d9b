"""Nest-box scripts that are each wrong in one way, which the scenario's limits must catch."""
