"""The error-state Kalman filter: covariance and pending correction of fifteen errors, 'true minus believed'.

States: position and velocity (north-east-down), attitude error psi (a small rotation in north-east-down that turns
the believed attitude into the true one), accelerometer and gyro biases (body axes). Error dynamics with specific
force f (north-east-down) and body-to-earth matrix C:

    d position = velocity;  d velocity = psi x f - C bias_a + noise;  d psi = -C bias_g + noise;  d bias = noise

to first order in the period; the noise of acceleration is held constant over a period. The errors themselves are
zero between measurements: `take` hands the correction to whoever holds the belief.
"""

from __future__ import annotations

from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray

from asflown.sim.estimator.noises import Noises
from asflown.sim.estimator.whitening import LOWER, whitened, whitening
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
_SEEN_BY_FIELD = np.zeros((2, STATES))
_SEEN_BY_FIELD[0, _DOWN], _SEEN_BY_FIELD[1] = 1.0, _SEEN_AS_HEADING
_WEIGHTS = np.array([0, 5, 7, 8], dtype=np.intp)
_LOWER = np.array(LOWER, dtype=np.intp)


class ErrorFilter:
    """`predict` with a fixed period; measurements in any order; `take` after them.

    A measurement of infinite variance counts for nothing.
    """

    __slots__ = (
        "_age_s",
        "_correlated",
        "_driving",
        "_lag",
        "_lagging",
        "_mixed",
        "_moving",
        "_pair",
        "_pending",
        "_period_s",
        "_product",
        "_pulls",
        "_rows",
        "_spread",
        "_transition",
        "_transposed",
        "_turned_pair",
        "_unseen",
        "_unseen_most",
        "_weights",
        "_white",
        "_whitening",
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
        self._pending = False
        """Whether a correction waits to be taken."""
        self._product: Array = np.empty((STATES, STATES))
        self._spread: Array = np.empty((STATES, STATES))
        self._make_places_of_field()
        self._make_places_of_motion()

    def _make_places_of_field(self) -> None:
        """Height and heading: rows of the covariance seen through them, the second's level part, and weights."""
        self._pair: Array = np.empty((3, STATES))
        self._turned_pair: Array = self._pair.T
        self._mixed: Array = np.empty((3, STATES))
        self._weights: Array = np.zeros((3, 3))

    def _make_places_of_motion(self) -> None:
        """Measured north, east and velocities: their rows, and what those become within the age of a fix."""
        self._age_s = -1.0
        self._rows: Array = np.empty((5, STATES))
        self._lag: Array = np.empty((5, 3))
        self._lagging: Array = np.empty((5, STATES))
        self._pulls: Array = self._transition[3:6]
        self._moving: Array = np.empty((5, STATES))
        self._unseen: Array = np.empty((5, STATES))
        self._unseen_most = (0.0, 0.0)
        self._correlated: list[float] = []
        self._whitening: Array = np.zeros((5, 5))
        self._white: Array = np.empty((5, STATES))

    def predict(self, force_ned: Vector, turned: Turned) -> None:
        """P <- F P F' + Q for one period of flight with this specific force and attitude."""
        dt, (fn, fe, fd) = self._period_s, force_ned
        c = [-dt * value for value in turned]
        self._transition.put(_CHANGING, [dt * fd, -dt * fe, -dt * fd, dt * fn, dt * fe, -dt * fn, *c, *c])
        _dot(_dot(self._transition, self.covariance, self._product), self._transposed, self.covariance)
        self.covariance += self._driving

    def measure_field(
        self, down_m: float, down_m2: float, heading_rad: float, heading_rad2: float
    ) -> tuple[float, float]:
        """Takes in a position downwards, then the angle between measured and known field, seen from above.

        Both by innovation and variance; returns the variances that the innovations were expected to have. A tilt
        about the direction of magnetic north shows as a heading error, the more the steeper the field dips. The
        correction of the second goes to heading and gyro biases alone (a suboptimal gain k, in Joseph's form), so
        that no magnet ever tilts the craft.

        With p = P h_down, a = P1 h_heading after the first, m = the part of a that may be corrected, and weights w
        of one over the expected variances: P - w_down p p' - w_heading (m a' + a m' - m m'), as one product.
        """
        covariance, pair = self.covariance, self._pair
        _dot(_SEEN_BY_FIELD, covariance, pair[:2])
        seen = pair.tolist()
        p, u = seen[0], seen[1]
        shared: float = u[_DOWN]
        down_expected = p[_DOWN] + down_m2
        by_down = 1.0 / down_expected
        share = shared * by_down
        heading_expected = u[8] - _DIP_NORTH * u[6] - _DIP_EAST * u[7] - share * shared + heading_rad2
        by_heading = 1.0 / heading_expected
        row = pair[1]
        row -= np.multiply(pair[0], share, pair[2])
        np.multiply(row, _HEADING_ONLY, pair[2])
        if self._pending:
            x = self._x
            down_m -= x.item(_DOWN)
            heading_rad -= float(_dot(_SEEN_AS_HEADING, x))
        self._weights.put(_WEIGHTS, [by_down, by_heading, by_heading, -by_heading])
        covariance -= _dot(self._turned_pair, _dot(self._weights, pair, self._mixed), self._product)
        gains = [by_down * down_m, 0.0, by_heading * (heading_rad - share * down_m)]
        self._add(_dot(np.array(gains), pair))
        return down_expected, heading_expected

    def measure_down(self, innovation_m: float, variance: float) -> float:
        """Takes in a position downwards alone; returns the variance that its innovation was expected to have."""
        return self.measure_field(innovation_m, variance, 0.0, inf)[0]

    def measure_heading(self, innovation_rad: float, variance: float) -> float:
        """Takes in a heading alone; returns the variance that its innovation was expected to have."""
        return self.measure_field(0.0, inf, innovation_rad, variance)[1]

    def expect_motion(self, age_s: float) -> list[float]:
        """Variances of north, east and velocity as they were `age_s` ago; `measure_motion` is about these then.

        With the present state x = F x0 + w, w of covariance Q since then, and G = H F^-1: what x0 shows has the
        covariance G (P - Q) with x. The noise since then is seen by nobody, and stays.
        """
        if age_s != self._age_s:
            self._look_back(age_s)
        rows = _dot(self._lag, self._pulls, self._rows)
        rows += self._lagging
        moving = _dot(rows, self.covariance, self._moving)
        share = self._unseen_share()
        moving -= self._unseen if share == 1.0 else share * self._unseen
        self._correlated = s = _dot(moving, rows.T).ravel().tolist()
        return [s[0], s[6], s[12], s[18], s[24]]

    def measure_motion(self, innovations: list[float], variances: list[float]) -> float:
        """Takes in north, east and three velocities; returns their normalised innovation squared."""
        lower = whitening(self._correlated, variances)
        self._whitening.put(_LOWER, lower)
        white = _dot(self._whitening, self._moving, self._white)
        away = whitened(lower, innovations)
        left = away
        if self._pending:
            pending: list[float] = _dot(self._rows, self._x).tolist()
            left = whitened(lower, [i - p for i, p in zip(innovations, pending, strict=True)])
        covariance, spread = self.covariance, self._spread
        np.add(covariance, covariance.T, spread)
        spread *= 0.5
        self._spread = covariance  # changes places with what was the covariance
        self.covariance = np.subtract(spread, _dot(white.T, white, self._product), spread)
        self._add(_dot(np.array(left), white))
        a, b, c, d, e = away
        return a * a + b * b + c * c + d * d + e * e

    def _look_back(self, age_s: float) -> None:
        """What a motion of `age_s` ago is by now: velocity times age less, with the pull of the last period on it."""
        self._age_s, periods = age_s, age_s / self._period_s
        half = 0.5 * age_s * periods
        self._lag.fill(0.0)
        self._lag[0, 0] = self._lag[1, 1] = half
        self._lag[2, 0] = self._lag[3, 1] = self._lag[4, 2] = -periods
        lagging = self._lagging
        lagging.fill(0.0)
        lagging[0, 0] = lagging[1, 1] = 1.0
        lagging[0, 3] = lagging[1, 4] = -age_s - half
        lagging[2, 3] = lagging[3, 4] = lagging[4, 5] = 1.0 + periods
        self._unseen.fill(0.0)
        q = self.noises.acceleration_density * age_s
        self._unseen_most = 2.0 * q * age_s * age_s / 3.0, 2.0 * q
        for row, state in enumerate((0, 1)):
            self._unseen[row, state] = -q * age_s * age_s / 6.0
            self._unseen[row, 3 + state] = -0.5 * q * age_s
        for axis in range(3):
            self._unseen[2 + axis, axis], self._unseen[2 + axis, 3 + axis] = 0.5 * q * age_s, q

    def _unseen_share(self) -> float:
        """1, or how much of the noise since then there can be: never more than half of what is not known at all.

        So the covariance stays possible also where it was set by hand, or by measurements of that very time.
        """
        level = min(self.variance(0), self.variance(1))
        speed = min(self.variance(3), self.variance(4), self.variance(5))
        most_level, most_speed = self._unseen_most
        if level > most_level and speed > most_speed:
            return 1.0
        return max(0.0, min(1.0, level / most_level, speed / most_speed))

    def _add(self, correction: Array) -> None:
        self._x = self._x + correction if self._pending else correction
        self._pending = True

    def take(self) -> list[float]:
        """The correction since the last call, in the order of the states."""
        if not self._pending:
            return [0.0] * STATES
        self._pending = False
        correction: list[float] = self._x.tolist()
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
