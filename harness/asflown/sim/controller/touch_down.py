"""The landing detector: on the ground when the craft wants to sink, hardly lifts, and does not sink.

It knows estimates and commands only, as on hardware. An updraft can look like the ground for a moment, so once the
ground seems likely the detector lets go of thrust little by little: what is in the air then sinks, and shows it.
"""

from __future__ import annotations

from asflown.sim.controller.reference import PERIOD_S

_LIKELY_BELOW, _SURE_BELOW = 0.7, 0.35
"""Commanded thrust as a share of weight. In the air a third of it means falling, whatever the wind."""
_SINKING_ABOVE_M_S = 0.2
_WANTED_ABOVE_M_S = 0.1
_LETTING_GO_S, _LEAST_SHARE = 0.5, 0.2
_HELD_S = 0.25


class TouchDown:
    """Call `step` every 10 ms in flight; multiply the wanted thrust by `thrust_share`."""

    __slots__ = ("_likely_s", "_sure_s")

    def __init__(self) -> None:
        self._likely_s = self._sure_s = 0.0

    def reset(self) -> None:
        """Starts a new flight."""
        self._likely_s = self._sure_s = 0.0

    @property
    def likely(self) -> bool:
        """Whether the ground has probably been reached, so that the craft should stay level."""
        return self._likely_s > 0.0

    @property
    def thrust_share(self) -> float:
        """How much of the wanted thrust is still given."""
        return max(_LEAST_SHARE, 1.0 - self._likely_s / _LETTING_GO_S) if self._likely_s else 1.0

    def step(self, wanted_down_m_s: float, down_m_s: float, lift_share: float) -> bool:
        """Whether the craft is surely on the ground; `lift_share` is the thrust given, as a share of weight."""
        resting = wanted_down_m_s > _WANTED_ABOVE_M_S and abs(down_m_s) < _SINKING_ABOVE_M_S
        self._likely_s = self._likely_s + PERIOD_S if resting and lift_share < _LIKELY_BELOW else 0.0
        self._sure_s = self._sure_s + PERIOD_S if resting and lift_share < _SURE_BELOW else 0.0
        return self._sure_s >= _HELD_S
