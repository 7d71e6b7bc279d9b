"""Strapdown integration at 400 Hz: attitude, velocity and position from rates and specific force.

Body axes forward-right-down, north-east-down about the estimator's origin. Plain floats and one long method on
purpose: this runs 400 times per second of flight. The earth's rotation is left out; corrections absorb it.

A period is integrated with what was measured when it began, as the plant itself moves on; with what was measured at
its end the attitude would run ahead by 4 mrad in a turn, more than all noise together. The rates told are the latest.
"""

from __future__ import annotations

from asflown.frames import quaternion_from_euler
from asflown.sim.interface import STEP_S
from asflown.sim.sensors.imu import Sample


class Strapdown:
    """What is believed of the motion. `r11` to `r33` turn body axes into north-east-down; rates are unbiased."""

    __slots__ = (
        "_before",
        "bias_p",
        "bias_q",
        "bias_r",
        "bias_x",
        "bias_y",
        "bias_z",
        "down_m",
        "east_m",
        "gravity_m_s2",
        "north_m",
        "p",
        "q",
        "q0",
        "q1",
        "q2",
        "q3",
        "r",
        "r11",
        "r12",
        "r13",
        "r21",
        "r22",
        "r23",
        "r31",
        "r32",
        "r33",
        "velocity_down_m_s",
        "velocity_east_m_s",
        "velocity_north_m_s",
    )

    def __init__(self, gravity_m_s2: float) -> None:
        self.gravity_m_s2 = gravity_m_s2
        self._before: Sample = (0.0, 0.0, 0.0, 0.0, 0.0, -gravity_m_s2)
        self.p = self.q = self.r = 0.0
        self.bias_p = self.bias_q = self.bias_r = 0.0
        self.bias_x = self.bias_y = self.bias_z = 0.0
        self.north_m = self.east_m = self.down_m = 0.0
        self.velocity_north_m_s = self.velocity_east_m_s = self.velocity_down_m_s = 0.0
        self.align(0.0, 0.0, 0.0)

    def begin(self, sample: Sample) -> None:
        """Says what is measured as the next period begins; without it, a craft at rest."""
        self._before = sample

    def align(self, roll_rad: float, pitch_rad: float, yaw_rad: float) -> None:
        """Sets the attitude."""
        self.q0, self.q1, self.q2, self.q3 = quaternion_from_euler(roll_rad, pitch_rad, yaw_rad)
        self._update_matrix()

    def propagate(self, sample: Sample) -> None:
        """One period of 2.5 ms; the quaternion to first order and normalised, which is good to 1e-6 rad/s here."""
        p, q, r, x, y, z = self._before
        self._before = sample
        bias_p, bias_q, bias_r = self.bias_p, self.bias_q, self.bias_r
        self.p, self.q, self.r = sample[0] - bias_p, sample[1] - bias_q, sample[2] - bias_r
        p -= bias_p
        q -= bias_q
        r -= bias_r
        x -= self.bias_x
        y -= self.bias_y
        z -= self.bias_z
        h, dt = 0.5 * STEP_S, STEP_S
        p *= h
        q *= h
        r *= h
        q0, q1, q2, q3 = self.q0, self.q1, self.q2, self.q3
        a = q0 - q1 * p - q2 * q - q3 * r
        b = q1 + q0 * p + q2 * r - q3 * q
        c = q2 + q0 * q - q1 * r + q3 * p
        d = q3 + q0 * r + q1 * q - q2 * p
        n = 1.5 - 0.5 * (a * a + b * b + c * c + d * d)  # one Newton step towards the inverse of the length
        self.q0 = a = a * n
        self.q1 = b = b * n
        self.q2 = c = c * n
        self.q3 = d = d * n
        bb, cc, dd = b * b, c * c, d * d
        bc, bd, cd, ab, ac, ad = b * c, b * d, c * d, a * b, a * c, a * d
        self.r11 = r11 = 1.0 - 2.0 * (cc + dd)
        self.r12 = r12 = 2.0 * (bc - ad)
        self.r13 = r13 = 2.0 * (bd + ac)
        self.r21 = r21 = 2.0 * (bc + ad)
        self.r22 = r22 = 1.0 - 2.0 * (bb + dd)
        self.r23 = r23 = 2.0 * (cd - ab)
        self.r31 = r31 = 2.0 * (bd - ac)
        self.r32 = r32 = 2.0 * (cd + ab)
        self.r33 = r33 = 1.0 - 2.0 * (bb + cc)
        self.velocity_north_m_s = vn = self.velocity_north_m_s + dt * (r11 * x + r12 * y + r13 * z)
        self.velocity_east_m_s = ve = self.velocity_east_m_s + dt * (r21 * x + r22 * y + r23 * z)
        vd = self.velocity_down_m_s + dt * (r31 * x + r32 * y + r33 * z + self.gravity_m_s2)
        self.velocity_down_m_s = vd
        self.north_m += dt * vn
        self.east_m += dt * ve
        self.down_m += dt * vd

    def turned(self) -> tuple[float, float, float, float, float, float, float, float, float]:
        """The matrix from body axes to north-east-down, row by row."""
        return self.r11, self.r12, self.r13, self.r21, self.r22, self.r23, self.r31, self.r32, self.r33

    def tilt(self, about_north_rad: float, about_east_rad: float, about_down_rad: float) -> None:
        """Turns the believed attitude by a small rotation given in north-east-down."""
        x, y, z = 0.5 * about_north_rad, 0.5 * about_east_rad, 0.5 * about_down_rad
        a, b, c, d = self.q0, self.q1, self.q2, self.q3
        q0 = a - x * b - y * c - z * d
        q1 = b + x * a + y * d - z * c
        q2 = c + y * a + z * b - x * d
        q3 = d + z * a + x * c - y * b
        n = (q0 * q0 + q1 * q1 + q2 * q2 + q3 * q3) ** -0.5
        self.q0, self.q1, self.q2, self.q3 = q0 * n, q1 * n, q2 * n, q3 * n
        self._update_matrix()

    def correct(self, errors: list[float]) -> None:
        """Takes in what is true minus what is believed, in the order of the states of `ErrorFilter`."""
        self.north_m += errors[0]
        self.east_m += errors[1]
        self.down_m += errors[2]
        self.velocity_north_m_s += errors[3]
        self.velocity_east_m_s += errors[4]
        self.velocity_down_m_s += errors[5]
        self.tilt(errors[6], errors[7], errors[8])
        self.bias_x += errors[9]
        self.bias_y += errors[10]
        self.bias_z += errors[11]
        self.bias_p += errors[12]
        self.bias_q += errors[13]
        self.bias_r += errors[14]

    def _update_matrix(self) -> None:
        a, b, c, d = self.q0, self.q1, self.q2, self.q3
        self.r11, self.r12, self.r13 = 1 - 2 * (c * c + d * d), 2 * (b * c - a * d), 2 * (b * d + a * c)
        self.r21, self.r22, self.r23 = 2 * (b * c + a * d), 1 - 2 * (b * b + d * d), 2 * (c * d - a * b)
        self.r31, self.r32, self.r33 = 2 * (b * d - a * c), 2 * (c * d + a * b), 1 - 2 * (b * b + c * c)
