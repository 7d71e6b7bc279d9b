"""Tests of asflown.grade.statistics."""
