"""Tests of judging change."""
