"""Positions measured outside the vehicle, as messages bring them: ODOMETRY, VISION_POSITION_ESTIMATE.

Only frames whose axes are north, east and down are understood: how others are turned, nobody on board knows.
Velocities in ODOMETRY are not used. What says of itself that it is no measurement counts for nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import isfinite, sqrt
from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.frames import euler_from_quaternion
from asflown.sim.downlink import Downlink
from asflown.sim.interface import FlightCore, PositionFeed
from asflown.sim.sources import Sources

LEAST_DEVIATION_M, USUAL_DEVIATION_M = 0.005, 0.05
"""Accuracies below the first are not believed; the second stands where the message gives none."""
USUAL_YAW_DEVIATION_RAD = 0.05
OLDEST_S = 0.5
"""An older measurement is refused; a time stamp that lies farther off is of another clock and says nothing."""
_VARIANCES = (0, 6, 11)
_YAW_VARIANCE = 20
"""Places of x, y, z and yaw in the upper triangle of a 6 x 6 covariance, row by row."""


class PositionRefused(ValueError):
    """Why a position cannot be used; the text is for people."""


def from_odometry(message: mav.MAVLink_odometry_message, clocks_us: Sequence[int]) -> PositionFeed:
    """An ODOMETRY as a position; `clocks_us` is what the vehicle's clocks show. Raises PositionRefused."""
    if message.frame_id != mav.MAV_FRAME_LOCAL_NED:
        raise PositionRefused(f"odometry: frame {message.frame_id} is not supported")
    if message.quality < 0:
        raise PositionRefused("odometry: marked as failed")
    quaternion = tuple(message.q)
    turned = all(map(isfinite, quaternion)) and any(quaternion)
    yaw_rad = euler_from_quaternion(*quaternion)[2] if turned else None
    return _feed(
        "odometry", (message.x, message.y, message.z), yaw_rad, message.pose_covariance,
        message.time_usec, clocks_us,
    )  # fmt: skip


def from_vision(
    message: mav.MAVLink_vision_position_estimate_message, clocks_us: Sequence[int]
) -> PositionFeed:
    """A VISION_POSITION_ESTIMATE as a position, as `from_odometry`. Raises PositionRefused."""
    yaw_rad = message.yaw if isfinite(message.yaw) else None
    return _feed(
        "vision position", (message.x, message.y, message.z), yaw_rad, message.covariance,
        message.usec, clocks_us,
    )  # fmt: skip


def _feed(
    what: str,
    place_m: tuple[float, float, float],
    yaw_rad: float | None,
    covariance: Sequence[float],
    stamp_us: int,
    clocks_us: Sequence[int],
) -> PositionFeed:
    if not all(map(isfinite, place_m)):
        raise PositionRefused(f"{what}: not a number")
    age_s = _age_s(stamp_us, clocks_us)
    if age_s > OLDEST_S:
        raise PositionRefused(f"{what}: {age_s:.1f} s old")
    variances = [covariance[place] for place in _VARIANCES]
    told = isfinite(covariance[0]) and all(variance > 0 for variance in variances)
    deviation_m = sqrt(max(variances)) if told else USUAL_DEVIATION_M
    yaw_variance = covariance[_YAW_VARIANCE]
    yaw_told = isfinite(covariance[0]) and yaw_variance > 0
    return PositionFeed(
        *place_m,
        deviation_m=max(LEAST_DEVIATION_M, deviation_m),
        age_s=age_s,
        yaw_rad=yaw_rad,
        yaw_deviation_rad=sqrt(yaw_variance) if yaw_told else USUAL_YAW_DEVIATION_RAD,
    )


def _age_s(stamp_us: int, clocks_us: Sequence[int]) -> float:
    """By the first of the vehicle's clocks that the stamp can be of; 0 when it is of none."""
    for clock_us in clocks_us:
        age_s = (clock_us - stamp_us) * 1e-6
        if 0.0 <= age_s < 10 * OLDEST_S:
            return age_s
    return 0.0


class PositionDesk:
    """Takes positions as messages bring them to the core, and tells in words which it cannot use."""

    def __init__(self, core: FlightCore, downlink: Downlink, sources: Sources) -> None:
        self._core, self._downlink, self._sources = core, downlink, sources
        self._resets: int | None = None

    def odometry(self, message: mav.MAVLink_odometry_message, now_us: int) -> None:
        """An ODOMETRY came."""
        self._take(from_odometry, message, now_us)

    def vision(self, message: mav.MAVLink_vision_position_estimate_message, now_us: int) -> None:
        """A VISION_POSITION_ESTIMATE came."""
        self._take(from_vision, message, now_us)

    def _take(self, read: Callable[..., PositionFeed], message: Any, now_us: int) -> None:
        """Stamps may be of the vehicle's time since power-up, or of Unix time, as the standard allows both."""
        try:
            feed = read(message, (now_us - self._sources.boot_us, self._sources.unix_us))
        except PositionRefused as refused:
            self._downlink.refusal(str(refused), now_us)
            return
        anew = self._resets not in (None, message.reset_counter)
        self._resets = message.reset_counter
        self._core.take_position(replace(feed, anew=anew))
