"""The landing detector: on the ground when the craft wants to sink, hardly lifts, and does not sink.

It knows estimates and commands only, as on hardware.
"""

from __future__ import annotations

from asflown.sim.controller.reference import PERIOD_S

_LIFT_BELOW = 0.7
"""Commanded thrust as a share of weight."""
_SINKING_ABOVE_M_S = 0.2
_WANTED_ABOVE_M_S = 0.1
_HELD_S = 0.3


class TouchDown:
    """Call `step` every 10 ms in flight."""

    __slots__ = ("_held_s",)

    def __init__(self) -> None:
        self._held_s = 0.0

    def reset(self) -> None:
        """Starts a new flight."""
        self._held_s = 0.0

    @property
    def likely(self) -> bool:
        """Whether the ground has probably been reached, so that the craft should stay level."""
        return self._held_s > 0.0

    def step(self, wanted_down_m_s: float, down_m_s: float, lift_share: float) -> bool:
        """Whether the craft has stood on the ground long enough to be sure."""
        standing = (
            wanted_down_m_s > _WANTED_ABOVE_M_S
            and abs(down_m_s) < _SINKING_ABOVE_M_S
            and lift_share < _LIFT_BELOW
        )
        self._held_s = self._held_s + PERIOD_S if standing else 0.0
        return self._held_s >= _HELD_S
