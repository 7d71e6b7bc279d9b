"""Attitude and rate loops at 400 Hz: from a wanted thrust direction and heading to moments and motor commands.

Tilt is controlled by the direction of thrust alone, heading apart from it and more slowly. The rate loop is
proportional, integral, and derivative on the measurement; the integral stops while the mixer is saturated.
"""

from __future__ import annotations

from math import exp, pi

from asflown.frames import wrap_angle
from asflown.sim.controller.craft import Craft
from asflown.sim.controller.mixer import Commands, Mixer
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.interface import STEP_S
from asflown.sim.releases import Tuning

_TILT_RATE_MAX_RAD_S = 4.0
_INTEGRAL_SHARE_MAX = 0.3
"""Most of an axis's angular acceleration that the integral may take, as a share of what hover thrust can give."""


class AttitudeLoop:
    """Set `thrust_n`, the wanted up direction and the yaw rate at 100 Hz; call `step` at 400 Hz."""

    __slots__ = (
        "_attitude_p",
        "_d_factor",
        "_d_gain",
        "_integral_p",
        "_integral_q",
        "_integral_r",
        "_ix",
        "_iy",
        "_iz",
        "_last_p",
        "_last_q",
        "_limit_pq",
        "_limit_r",
        "_mixer",
        "_rate_p",
        "_slope_p",
        "_slope_q",
        "_step_i",
        "_strapdown",
        "_yaw_rate_p",
        "_yaw_step_i",
        "integrating",
        "thrust_n",
        "up_down",
        "up_east",
        "up_north",
        "yaw_rate_rad_s",
    )

    def __init__(self, tuning: Tuning, craft: Craft, strapdown: Strapdown, mixer: Mixer) -> None:
        self._strapdown, self._mixer = strapdown, mixer
        self._attitude_p, self._rate_p, self._yaw_rate_p = tuning.attitude_p, tuning.rate_p, tuning.yaw_rate_p
        self._step_i, self._yaw_step_i = tuning.rate_i * STEP_S, tuning.yaw_rate_i * STEP_S
        self._ix, self._iy, self._iz = craft.inertia_x_kg_m2, craft.inertia_y_kg_m2, craft.inertia_z_kg_m2
        self._d_factor = 1.0 - exp(-2.0 * pi * tuning.derivative_hz * STEP_S)
        self._d_gain = tuning.rate_d / STEP_S
        weight_n = craft.mass_kg * strapdown.gravity_m_s2
        self._limit_pq = _INTEGRAL_SHARE_MAX * weight_n * craft.arm_x_m / craft.inertia_x_kg_m2
        self._limit_r = _INTEGRAL_SHARE_MAX * weight_n * craft.yaw_arm_m / craft.inertia_z_kg_m2
        self.thrust_n = self.yaw_rate_rad_s = 0.0
        self.up_north, self.up_east, self.up_down = 0.0, 0.0, -1.0
        self.integrating = False
        self.reset()

    def reset(self) -> None:
        """Forgets integrals and slopes."""
        self._integral_p = self._integral_q = self._integral_r = 0.0
        self._last_p, self._last_q = self._strapdown.p, self._strapdown.q
        self._slope_p = self._slope_q = 0.0

    def step(self) -> Commands:
        """Motor commands for now."""
        s, gain = self._strapdown, self._attitude_p
        un, ue, ud = self.up_north, self.up_east, self.up_down
        # The wanted up direction seen from the body: its sideways part is the sine of the tilt error.
        want_p = gain * (s.r12 * un + s.r22 * ue + s.r32 * ud)
        want_q = -gain * (s.r11 * un + s.r21 * ue + s.r31 * ud)
        most = _TILT_RATE_MAX_RAD_S
        if not (-most < want_p < most and -most < want_q < most):
            want_p, want_q = min(most, max(-most, want_p)), min(most, max(-most, want_q))
        p, q, r = s.p, s.q, s.r
        error_p, error_q, error_r = want_p - p, want_q - q, self.yaw_rate_rad_s - r
        factor = self._d_factor
        self._slope_p = slope_p = self._slope_p + factor * (p - self._last_p - self._slope_p)
        self._slope_q = slope_q = self._slope_q + factor * (q - self._last_q - self._slope_q)
        self._last_p, self._last_q = p, q
        mixer, rate_p, d = self._mixer, self._rate_p, self._d_gain
        if self.integrating and not mixer.saturated:
            self._integrate(error_p, error_q, error_r)
        return mixer.mix(
            self.thrust_n,
            self._ix * (rate_p * error_p + self._integral_p - d * slope_p),
            self._iy * (rate_p * error_q + self._integral_q - d * slope_q),
            self._iz * (self._yaw_rate_p * error_r + self._integral_r),
        )

    def _integrate(self, error_p: float, error_q: float, error_r: float) -> None:
        limit, limit_r, step = self._limit_pq, self._limit_r, self._step_i
        p, q = self._integral_p + step * error_p, self._integral_q + step * error_q
        r = self._integral_r + self._yaw_step_i * error_r
        if not (-limit < p < limit and -limit < q < limit and -limit_r < r < limit_r):
            p, q = min(limit, max(-limit, p)), min(limit, max(-limit, q))
            r = min(limit_r, max(-limit_r, r))
        self._integral_p, self._integral_q, self._integral_r = p, q, r


def yaw_rate_towards(wanted_rad: float, yaw_rad: float, gain_per_s: float, limit_rad_s: float) -> float:
    """The yaw rate that turns the short way to a heading, limited."""
    rate = gain_per_s * wrap_angle(wanted_rad - yaw_rad)
    return rate if -limit_rad_s < rate < limit_rad_s else min(limit_rad_s, max(-limit_rad_s, rate))
