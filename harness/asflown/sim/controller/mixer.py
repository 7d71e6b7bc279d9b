"""The mixer: thrust and three moments to four motor commands; what cannot be had is given up yaw first.

Rotors clockwise from the front right; body axes forward-right-down. Thrust of a rotor goes with the square of its
command. When a rotor would leave its range: first yaw shrinks, then thrust moves, at last roll and pitch shrink.
"""

from __future__ import annotations

from math import sqrt

from asflown.sim.controller.craft import Craft

Commands = tuple[float, float, float, float]

STOPPED: Commands = (0.0, 0.0, 0.0, 0.0)
IDLE_COMMAND = 0.12
"""Slowest a motor turns while armed, so that it never stops in the air."""


class Mixer:
    """`supply` must be called now and then: what a full command gives depends on voltage and air density."""

    __slots__ = ("_craft", "_pitch", "_roll", "_yaw", "floor_n", "full_n", "per_full", "saturated")

    def __init__(self, craft: Craft) -> None:
        self._craft = craft
        self._roll, self._pitch = 0.25 / craft.arm_y_m, 0.25 / craft.arm_x_m
        self._yaw = 0.25 / craft.yaw_arm_m
        self.saturated = False
        self.supply(craft.full_speed_voltage_v, 1.0)

    def supply(self, voltage_v: float, density_ratio: float) -> None:
        """Takes in the battery's voltage and the air density relative to standard sea level."""
        share = max(0.5, voltage_v / self._craft.full_speed_voltage_v)
        self.full_n = self._craft.full_thrust_n * share * share * density_ratio
        self.per_full = 1.0 / self.full_n
        self.floor_n = self.full_n * IDLE_COMMAND**2

    def mix(self, thrust_n: float, roll_nm: float, pitch_nm: float, yaw_nm: float) -> Commands:
        """Motor commands (0 to 1) for a total thrust and moments about the body axes."""
        base = 0.25 * thrust_n
        roll, pitch, yaw = roll_nm * self._roll, pitch_nm * self._pitch, yaw_nm * self._yaw
        t1, t2 = base - roll + pitch + yaw, base - roll - pitch - yaw
        t3, t4 = base + roll - pitch + yaw, base + roll + pitch - yaw
        low, high = self.floor_n, self.full_n
        if low <= t1 <= high and low <= t2 <= high and low <= t3 <= high and low <= t4 <= high:
            self.saturated = False
        else:
            self.saturated = True
            t1, t2, t3, t4 = self._within(base, roll, pitch, yaw)
        per_full = self.per_full
        return sqrt(t1 * per_full), sqrt(t2 * per_full), sqrt(t3 * per_full), sqrt(t4 * per_full)

    def _within(
        self, base: float, roll: float, pitch: float, yaw: float
    ) -> tuple[float, float, float, float]:
        low, high = self.floor_n, self.full_n
        tilt = (-roll + pitch, -roll - pitch, roll - pitch, roll + pitch)
        span = abs(roll) + abs(pitch)
        if 2.0 * span > high - low:
            shrink = 0.5 * (high - low) / span
            tilt = (tilt[0] * shrink, tilt[1] * shrink, tilt[2] * shrink, tilt[3] * shrink)
            span *= shrink
        base = min(high - span, max(low + span, base))
        yaw = _largest(yaw, base, tilt, low, high)
        t1, t2, t3, t4 = (
            base + tilt[0] + yaw,
            base + tilt[1] - yaw,
            base + tilt[2] + yaw,
            base + tilt[3] - yaw,
        )
        return max(low, t1), max(low, t2), max(low, t3), max(low, t4)


def _largest(
    yaw: float, base: float, tilt: tuple[float, float, float, float], low: float, high: float
) -> float:
    """As much of `yaw` as every rotor has room for."""
    sign = 1.0 if yaw > 0.0 else -1.0
    room = abs(yaw)
    for share, turns in zip(tilt, (sign, -sign, sign, -sign), strict=True):
        room = min(room, (high - base - share) if turns > 0.0 else (base + share - low))
    return sign * max(0.0, room)
