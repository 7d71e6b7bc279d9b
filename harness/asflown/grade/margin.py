"""Margins: how far a number is from its limit, in units of the limit's scale."""

from __future__ import annotations

from asflown.errors import UsageError
from asflown.scenario.model import Limit


def margin(value: float, limit: Limit) -> float:
    """0 at the limit, negative when violated, without unit.

    `at_most`: (limit - value) / scale, so 1 is perfect where 0 is the best. `at_least`: (value - limit) / scale.
    `between`: the distance to the nearer end over half the width. `scale`, where the limit gives none, is the
    limit's own size. Raises UsageError for a limit of size 0 without a scale.
    """
    if limit.at_most is not None:
        return (limit.at_most - value) / _scale(limit, limit.at_most)
    if limit.at_least is not None:
        return (value - limit.at_least) / _scale(limit, limit.at_least)
    if limit.between is not None:
        low, high = limit.between
        return min(value - low, high - value) / _scale(limit, (high - low) / 2)
    raise UsageError("a limit limits nothing", "Give one of at_most, at_least, between")


def _scale(limit: Limit, size: float) -> float:
    scale = abs(size) if limit.scale is None else limit.scale
    if scale == 0:
        raise UsageError("a limit of size 0 has no scale", "Add `scale`: what a margin of 1 is measured in")
    return scale


def upper(limit: Limit) -> float | None:
    """The largest value allowed; None where there is none."""
    if limit.at_most is not None:
        return limit.at_most
    return None if limit.between is None else limit.between[1]
