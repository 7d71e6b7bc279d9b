"""Tests of the link: MAVLink's transport."""
