"""The error-state Kalman filter: covariance and pending correction of fifteen errors, 'true minus believed'.

States: position and velocity (north-east-down), attitude error psi (a small rotation in north-east-down that turns
the believed attitude into the true one), accelerometer and gyro biases (body axes). Error dynamics with specific
force f (north-east-down) and body-to-earth matrix C:

    d position = velocity;  d velocity = psi x f - C bias_a + noise;  d psi = -C bias_g + noise;  d bias = noise

to first order in the period; the noise of acceleration is held constant over a period. The errors themselves are
zero between measurements: `take` hands the correction to whoever holds the belief.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from asflown.sim.estimator.noises import Noises
from asflown.sim.sensors.magnetometer import FIELD_NED_GAUSS

Array = NDArray[np.float64]
Vector = tuple[float, float, float]
Turned = tuple[float, float, float, float, float, float, float, float, float]
"""Body axes to north-east-down, row by row."""

_dot = np.dot
"""With a place for the result: half the price of `@`, and of `*` for an outer product, at this size; the same bits."""
STATES = 15
_DOWN = 2


def _places(rows: range, columns: range) -> list[int]:
    return [STATES * row + column for row in rows for column in columns]


_CROSS = [STATES * row + column for row, column in ((3, 7), (3, 8), (4, 6), (4, 8), (5, 6), (5, 7))]
_CHANGING = np.array(
    _CROSS + _places(range(3, 6), range(9, 12)) + _places(range(6, 9), range(12, 15)), dtype=np.intp
)
_LEVEL_SQUARED = FIELD_NED_GAUSS[0] ** 2 + FIELD_NED_GAUSS[1] ** 2
_DIP_NORTH = FIELD_NED_GAUSS[2] * FIELD_NED_GAUSS[0] / _LEVEL_SQUARED
_DIP_EAST = FIELD_NED_GAUSS[2] * FIELD_NED_GAUSS[1] / _LEVEL_SQUARED
"""Heading error for a tilt about north and about east."""
_SEEN_AS_HEADING = np.zeros(STATES)
_SEEN_AS_HEADING[[6, 7, 8]] = -_DIP_NORTH, -_DIP_EAST, 1.0
_HEADING_ONLY = np.zeros(STATES)
_HEADING_ONLY[[8, 12, 13, 14]] = 1.0


class ErrorFilter:
    """`predict` with a fixed period; measurements in any order; `take` after them."""

    __slots__ = (
        "_column",
        "_driving",
        "_gain",
        "_level_pull",
        "_level_rows",
        "_period_s",
        "_product",
        "_pull",
        "_rows",
        "_transition",
        "_transposed",
        "_velocity_rows",
        "_x",
        "covariance",
        "noises",
    )

    def __init__(self, noises: Noises, period_s: float) -> None:
        self.noises, self._period_s = noises, period_s
        self.covariance: Array = np.zeros((STATES, STATES))
        self._transition: Array = np.eye(STATES)
        for axis in range(3):
            self._transition[axis, 3 + axis] = period_s
        self._transposed: Array = self._transition.T
        self._driving = _driving_noise(noises, period_s)
        self._x: Array = np.zeros(STATES)
        self._product: Array = np.empty((STATES, STATES))
        self._gain: Array = np.empty(STATES)
        self._column: Array = self._gain.reshape(STATES, 1)
        self._rows: Array = np.zeros((5, STATES))
        for row, state in enumerate((0, 1, 3, 4, 5)):
            self._rows[row, state] = 1.0
        self._level_rows, self._velocity_rows = self._rows[:2, 6:12], self._rows[2:, 6:12]
        self._level_pull, self._pull = self._transition[3:5, 6:12], self._transition[3:6, 6:12]

    def predict(self, force_ned: Vector, turned: Turned) -> None:
        """P <- F P F' + Q for one period of flight with this specific force and attitude."""
        dt, (fn, fe, fd) = self._period_s, force_ned
        c = [-dt * value for value in turned]
        self._transition.put(_CHANGING, [dt * fd, -dt * fe, -dt * fd, dt * fn, dt * fe, -dt * fn, *c, *c])
        covariance: Array = _dot(_dot(self._transition, self.covariance, self._product), self._transposed)
        covariance += self._driving
        self.covariance = covariance

    def measure_down(self, innovation_m: float, variance: float) -> float:
        """Takes in a position downwards; returns the variance that its innovation was expected to have."""
        p, x = self.covariance[_DOWN], self._x
        expected = self.variance(_DOWN) + variance
        k = np.divide(p, expected, self._gain)
        x += k * (innovation_m - x.item(_DOWN))
        self.covariance -= _dot(self._column, p.reshape(1, STATES), self._product)
        return expected

    def measure_heading(self, innovation_rad: float, variance: float) -> float:
        """Takes in the angle between measured and known field, seen from above; returns its expected variance.

        A tilt about the direction of magnetic north shows as a heading error, the more the steeper the field dips.
        The correction goes to heading and gyro biases alone (a suboptimal gain, in Joseph's form), so that no magnet
        ever tilts the craft.
        """
        covariance, x = self.covariance, self._x
        u = _dot(_SEEN_AS_HEADING, covariance)
        expected = float(_dot(u, _SEEN_AS_HEADING)) + variance
        k = np.multiply(_HEADING_ONLY, u, self._gain)
        k /= expected
        x += k * (innovation_rad - float(_dot(_SEEN_AS_HEADING, x)))
        u -= (
            0.5 * expected * k
        )  # k u' + u k' - expected k k' is the sum of k (u - expected k / 2)' and its transpose
        cross = _dot(self._column, u.reshape(1, STATES), self._product)
        covariance -= cross + cross.T
        return expected

    def motion_rows(self, age_s: float) -> Array:
        """Rows for north, east and velocity as they were `age_s` ago; noise since then is left out.

        The same array each time.
        """
        rows, per_period = self._rows, age_s / self._period_s
        rows[0, 3] = rows[1, 4] = -age_s
        np.multiply(self._level_pull, 0.5 * age_s * per_period, self._level_rows)
        np.multiply(self._pull, -per_period, self._velocity_rows)
        return rows

    def expected(self, rows: Array, variances: Array) -> Array:
        """Covariance of the innovation of these measurements."""
        expected: Array = _dot(_dot(rows, self.covariance), rows.T)
        expected.ravel()[:: len(variances) + 1] += variances
        return expected

    def measure(self, rows: Array, innovations: Array, expected: Array) -> float:
        """Takes in several measurements at once; returns their normalised innovation squared."""
        p = _dot(rows, self.covariance)
        inverse = np.linalg.inv(expected)
        left = innovations - _dot(rows, self._x)
        gain = _dot(p.T, inverse)
        self._x += _dot(gain, left)
        covariance = self.covariance - _dot(gain, p, self._product)
        covariance = covariance + covariance.T
        covariance *= 0.5
        self.covariance = covariance
        return float(np.dot(innovations @ inverse, innovations))

    def take(self) -> list[float]:
        """The correction since the last call, in the order of the states."""
        correction: list[float] = self._x.tolist()
        self._x.fill(0.0)
        return correction

    def variance(self, state: int) -> float:
        """Variance of one error."""
        found: float = self.covariance.item((STATES + 1) * state)
        return found

    def deviation(self, state: int) -> float:
        """Standard deviation of one error."""
        return sqrt(max(0.0, self.variance(state)))

    def forget_position(self, variance_m2: float) -> None:
        """North and east are known anew with this variance, whatever was believed."""
        self.covariance[:2] = 0.0
        self.covariance[:, :2] = 0.0
        self.covariance[0, 0] = self.covariance[1, 1] = variance_m2

    def align(self, turned: Turned, gravity_m_s2: float) -> None:
        """The covariance after alignment at rest: tilt hides accelerometer biases, heading hides both.

        Level means: psi x f = C bias_a with f = (0, 0, -g).
        """
        n, c = self.noises, np.array(turned).reshape(3, 3)
        first = np.zeros(STATES)
        first[2], first[6:8], first[8] = n.first_height_m, n.first_tilt_rad, n.first_heading_rad
        first[9:12], first[12:15] = n.first_acceleration_bias_m_s2, n.first_rate_bias_rad_s
        first[3:6] = 0.02
        shape = np.eye(STATES)
        shape[6, 9:12], shape[7, 9:12] = c[1] / gravity_m_s2, -c[0] / gravity_m_s2
        shape[8] += _DIP_NORTH * shape[6] + _DIP_EAST * shape[7]
        root = shape * first
        self.covariance = root @ root.T


def _driving_noise(noises: Noises, dt: float) -> Array:
    """Q of one period."""
    q = np.zeros((STATES, STATES))
    half, density = 0.5 * dt * dt, noises.acceleration_density / dt
    for axis in range(3):
        q[axis, axis], q[3 + axis, 3 + axis] = half * half * density, dt * dt * density
        q[axis, 3 + axis] = q[3 + axis, axis] = half * dt * density
        q[6 + axis, 6 + axis] = noises.rate_density * dt
        q[9 + axis, 9 + axis] = noises.acceleration_bias_density * dt
        q[12 + axis, 12 + axis] = noises.rate_bias_density * dt
    return q
