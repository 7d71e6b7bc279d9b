"""Position and velocity loops at 100 Hz: from the reference and the estimate to a thrust vector.

North-east-down, SI. Proportional on position, proportional and integral on velocity, with the reference's
acceleration and the drag of flying at its velocity fed forward. Integrals stop while the thrust vector is at its
limits, and never exceed half of gravity.
"""

from __future__ import annotations

from collections.abc import Callable
from math import hypot, sqrt, tan

from asflown.sim.controller.reference import PERIOD_S, Reference
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.interface import Limits
from asflown.sim.releases import Tuning

_CORRECTION_MAX_M_S = 2.0
_CLIMB_CORRECTION_MAX_M_S = 1.0
_INTEGRAL_MAX_M_S2 = 5.0
_LEAST_LIFT = 0.15
"""Least specific thrust in flight as a share of gravity, so that there is always control."""


class PositionLoop:
    """After `step`, `force` is the wanted thrust over mass (m/s^2), pointing up when level."""

    __slots__ = (
        "_integral_down",
        "_integral_east",
        "_integral_north",
        "_level_share",
        "_strapdown",
        "_tuning",
        "force",
    )

    def __init__(
        self, tuning: Tuning, strapdown: Strapdown, level_share: Callable[[float], float] = tan
    ) -> None:
        """`level_share` tells what a tilt limit allows: largest level over upright part of the thrust."""
        self._tuning, self._strapdown, self._level_share = tuning, strapdown, level_share
        self.force = (0.0, 0.0, -strapdown.gravity_m_s2)
        self.reset()

    def reset(self) -> None:
        """Forgets the integrals."""
        self._integral_north = self._integral_east = self._integral_down = 0.0

    def step(self, reference: Reference, limits: Limits, most_m_s2: float, level_only: bool) -> None:
        """10 ms of control; `most_m_s2` is what the rotors can give; `level_only` leaves the place alone."""
        down = self._vertical(reference, most_m_s2)
        north, east = (
            (0.0, 0.0)
            if level_only
            else self._horizontal(reference, -down * self._level_share(limits.tilt_rad))
        )
        self.force = north, east, down

    def specific_thrust(self) -> float:
        """The wanted thrust over mass along the body's own up axis as it points now, m/s^2."""
        s, (north, east, down) = self._strapdown, self.force
        along = -(north * s.r13 + east * s.r23 + down * s.r33)
        return max(_LEAST_LIFT * s.gravity_m_s2, along)

    def _vertical(self, reference: Reference, most_m_s2: float) -> float:
        s, k = self._strapdown, self._tuning
        gravity = s.gravity_m_s2
        correction = k.height_p * (reference.position[2] - s.down_m)
        if not -_CLIMB_CORRECTION_MAX_M_S < correction < _CLIMB_CORRECTION_MAX_M_S:
            correction = min(_CLIMB_CORRECTION_MAX_M_S, max(-_CLIMB_CORRECTION_MAX_M_S, correction))
        error = reference.velocity[2] + correction - s.velocity_down_m_s
        wanted = reference.acceleration[2] + k.climb_p * error + self._integral_down - gravity
        down = min(-_LEAST_LIFT * gravity, max(-most_m_s2, wanted))
        if down == wanted or (wanted - down) * error < 0.0:
            self._integral_down = _clipped(self._integral_down + k.climb_i * PERIOD_S * error)
        return down

    def _horizontal(self, reference: Reference, most_m_s2: float) -> tuple[float, float]:
        s, k = self._strapdown, self._tuning
        c_north = k.position_p * (reference.position[0] - s.north_m)
        c_east = k.position_p * (reference.position[1] - s.east_m)
        size = hypot(c_north, c_east)
        if size > _CORRECTION_MAX_M_S:
            c_north, c_east = c_north * _CORRECTION_MAX_M_S / size, c_east * _CORRECTION_MAX_M_S / size
        v_north, v_east = reference.velocity[0], reference.velocity[1]
        e_north, e_east = v_north + c_north - s.velocity_north_m_s, v_east + c_east - s.velocity_east_m_s
        p, drag, lead = k.velocity_p, k.drag_per_s, reference.lead_velocity
        north = reference.acceleration[0] + drag * lead[0] + p * e_north + self._integral_north
        east = reference.acceleration[1] + drag * lead[1] + p * e_east + self._integral_east
        size = sqrt(north * north + east * east)
        if size > most_m_s2:
            if north * e_north + east * e_east < 0.0:
                self._integrate(e_north, e_east)
            return north * most_m_s2 / size, east * most_m_s2 / size
        self._integrate(e_north, e_east)
        return north, east

    def _integrate(self, north: float, east: float) -> None:
        step = self._tuning.velocity_i * PERIOD_S
        self._integral_north = _clipped(self._integral_north + step * north)
        self._integral_east = _clipped(self._integral_east + step * east)


def _clipped(value: float) -> float:
    most = _INTEGRAL_MAX_M_S2
    return value if -most < value < most else min(most, max(-most, value))
