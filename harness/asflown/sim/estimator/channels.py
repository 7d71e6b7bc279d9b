"""The error models behind the estimate: small Kalman filters in plain floats, one per loosely coupled channel.

For a craft that flies nearly level the error dynamics of inertial navigation fall apart into channels (the
single-axis error model of inertial navigation textbooks): north and east each carry position, velocity, tilt and
gyro bias; height carries position, velocity and accelerometer bias; heading carries angle and gyro bias. North
and east share one covariance, because their sensors and times of measurement are the same.

Filters hold errors only, so their state is zero between updates: an update returns the correction that the
caller applies to what it believes. Covariances are symmetric; `pNM` is row N, column M.
"""

from __future__ import annotations


class HorizontalChannel:
    """Covariance of position, velocity, tilt (rad, towards this axis) and gyro bias for one horizontal axis.

    d position = velocity; d velocity = g tilt + noise; d tilt = bias + noise; d bias = noise.
    Densities: acceleration (m/s^2)^2 s, rate rad^2/s, bias (rad/s)^2/s.
    """

    __slots__ = (
        "acceleration_density",
        "bias_density",
        "gravity_m_s2",
        "p00",
        "p01",
        "p02",
        "p03",
        "p11",
        "p12",
        "p13",
        "p22",
        "p23",
        "p33",
        "rate_density",
    )

    def __init__(
        self, gravity_m_s2: float, acceleration_density: float, rate_density: float, bias_density: float
    ) -> None:
        self.gravity_m_s2 = gravity_m_s2
        self.acceleration_density = acceleration_density
        self.rate_density, self.bias_density = rate_density, bias_density
        self.reset(1.0, 1.0, 0.0, 0.0)

    def reset(self, position_m: float, velocity_m_s: float, tilt_rad: float, bias_rad_s: float) -> None:
        """Starts from independent errors with these standard deviations."""
        self.p00, self.p11, self.p22, self.p33 = position_m**2, velocity_m_s**2, tilt_rad**2, bias_rad_s**2
        self.p01 = self.p02 = self.p03 = self.p12 = self.p13 = self.p23 = 0.0

    def predict(self, dt: float) -> None:
        """P <- F P F' + Q for one period, to first order in dt."""
        g = self.gravity_m_s2 * dt
        p11, p12, p13, p22, p23, p33 = self.p11, self.p12, self.p13, self.p22, self.p23, self.p33
        a00, a01, a02, a03 = (
            self.p00 + dt * self.p01,
            self.p01 + dt * p11,
            self.p02 + dt * p12,
            self.p03 + dt * p13,
        )
        a11, a12, a13 = p11 + g * p12, p12 + g * p22, p13 + g * p23
        a22, a23 = p22 + dt * p23, p23 + dt * p33
        self.p00 = a00 + dt * a01
        self.p01 = a01 + g * a02
        self.p02 = a02 + dt * a03
        self.p03 = a03
        self.p11 = a11 + g * a12 + self.acceleration_density * dt
        self.p12 = a12 + dt * a13
        self.p13 = a13
        self.p22 = a22 + dt * a23 + self.rate_density * dt
        self.p23 = a23
        self.p33 = p33 + self.bias_density * dt

    def gain_position(self, variance: float) -> tuple[float, float, float, float]:
        """Takes in one measurement of position: the gains on its innovation, in the order of the states."""
        p0, p1, p2, p3 = self.p00, self.p01, self.p02, self.p03
        s = 1.0 / (p0 + variance)
        k0, k1, k2, k3 = p0 * s, p1 * s, p2 * s, p3 * s
        self._reduce(k0, k1, k2, k3, p0, p1, p2, p3)
        return k0, k1, k2, k3

    def gain_velocity(self, variance: float) -> tuple[float, float, float, float]:
        """Takes in one measurement of velocity: the gains on its innovation, in the order of the states."""
        p0, p1, p2, p3 = self.p01, self.p11, self.p12, self.p13
        s = 1.0 / (p1 + variance)
        k0, k1, k2, k3 = p0 * s, p1 * s, p2 * s, p3 * s
        self._reduce(k0, k1, k2, k3, p0, p1, p2, p3)
        return k0, k1, k2, k3

    def _reduce(
        self, k0: float, k1: float, k2: float, k3: float, p0: float, p1: float, p2: float, p3: float
    ) -> None:
        self.p00 -= k0 * p0
        self.p01 -= k0 * p1
        self.p02 -= k0 * p2
        self.p03 -= k0 * p3
        self.p11 -= k1 * p1
        self.p12 -= k1 * p2
        self.p13 -= k1 * p3
        self.p22 -= k2 * p2
        self.p23 -= k2 * p3
        self.p33 -= k3 * p3


class VerticalChannel:
    """Covariance of position, velocity and accelerometer bias along the vertical.

    d position = velocity; d velocity = bias + noise; d bias = noise. The acceleration noise is held constant over
    a period. Densities: acceleration (m/s^2)^2 s, bias (m/s^2)^2/s.
    """

    __slots__ = ("acceleration_density", "bias_density", "p00", "p01", "p02", "p11", "p12", "p22")

    def __init__(self, acceleration_density: float, bias_density: float) -> None:
        self.acceleration_density, self.bias_density = acceleration_density, bias_density
        self.reset(1.0, 1.0, 0.0)

    def reset(self, position_m: float, velocity_m_s: float, bias_m_s2: float) -> None:
        """Starts from independent errors with these standard deviations."""
        self.p00, self.p11, self.p22 = position_m**2, velocity_m_s**2, bias_m_s2**2
        self.p01 = self.p02 = self.p12 = 0.0

    def predict(self, dt: float) -> None:
        """P <- F P F' + Q for one period."""
        half = 0.5 * dt * dt
        p02, p12, p22 = self.p02, self.p12, self.p22
        a00 = self.p00 + dt * self.p01 + half * p02
        a01 = self.p01 + dt * self.p11 + half * p12
        a02 = p02 + dt * p12 + half * p22
        a11, a12 = self.p11 + dt * p12, p12 + dt * p22
        q = self.acceleration_density / dt
        self.p00 = a00 + dt * a01 + half * a02 + half * half * q
        self.p01 = a01 + dt * a02 + half * dt * q
        self.p02 = a02
        self.p11 = a11 + dt * a12 + dt * dt * q
        self.p12 = a12
        self.p22 = p22 + self.bias_density * dt

    def gain_position(self, variance: float) -> tuple[float, float, float]:
        """Takes in one measurement of position: the gains on its innovation."""
        p0, p1, p2 = self.p00, self.p01, self.p02
        s = 1.0 / (p0 + variance)
        return self._reduce(p0 * s, p1 * s, p2 * s, p0, p1, p2)

    def gain_velocity(self, variance: float) -> tuple[float, float, float]:
        """Takes in one measurement of velocity: the gains on its innovation."""
        p0, p1, p2 = self.p01, self.p11, self.p12
        s = 1.0 / (p1 + variance)
        return self._reduce(p0 * s, p1 * s, p2 * s, p0, p1, p2)

    def _reduce(
        self, k0: float, k1: float, k2: float, p0: float, p1: float, p2: float
    ) -> tuple[float, float, float]:
        self.p00 -= k0 * p0
        self.p01 -= k0 * p1
        self.p02 -= k0 * p2
        self.p11 -= k1 * p1
        self.p12 -= k1 * p2
        self.p22 -= k2 * p2
        return k0, k1, k2


class HeadingChannel:
    """Covariance of heading and gyro bias about the vertical. Densities: rate rad^2/s, bias (rad/s)^2/s."""

    __slots__ = ("bias_density", "p00", "p01", "p11", "rate_density")

    def __init__(self, rate_density: float, bias_density: float) -> None:
        self.rate_density, self.bias_density = rate_density, bias_density
        self.reset(1.0, 0.0)

    def reset(self, heading_rad: float, bias_rad_s: float) -> None:
        """Starts from independent errors with these standard deviations."""
        self.p00, self.p01, self.p11 = heading_rad**2, 0.0, bias_rad_s**2

    def predict(self, dt: float) -> None:
        """P <- F P F' + Q for one period."""
        a01 = self.p01 + dt * self.p11
        self.p00 += dt * (self.p01 + a01) + self.rate_density * dt
        self.p01 = a01
        self.p11 += self.bias_density * dt

    def gain(self, variance: float) -> tuple[float, float]:
        """Takes in one measurement of heading: the gains on its innovation."""
        p0, p1 = self.p00, self.p01
        s = 1.0 / (p0 + variance)
        k0, k1 = p0 * s, p1 * s
        self.p00 -= k0 * p0
        self.p01 -= k0 * p1
        self.p11 -= k1 * p1
        return k0, k1
