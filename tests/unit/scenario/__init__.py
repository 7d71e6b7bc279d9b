"""Tests of scenario and vehicle files."""
