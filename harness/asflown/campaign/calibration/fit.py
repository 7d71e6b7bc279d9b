"""Thrust and drag from moments: what the model leaves unexplained must have nothing in common with its instruments.

Thrust: unexplained vertical force is zero on average (a constant is the instrument, for throttle answers to vertical
gusts). Drag: unexplained sideways force has nothing in common with the velocities asked for. Mean wind and a trim of
the attitudes are estimated along, for each flight. There are as many conditions as unknowns: weights do not matter.

Interval: sandwich covariance with the conditions summed over blocks of BLOCK_S, which allows any correlation within a
block (gusts last for seconds), times blocks / (blocks - unknowns), and Student's t with blocks less unknowns. Source:
L. P. Hansen, Large Sample Properties of Generalized Method of Moments Estimators, Econometrica 50, 1982; of K.-Y. Liang
and S. L. Zeger, Biometrika 73, 1986, for blocks (both from memory). What the vehicle's estimate and its throttle in
whole per cent leave wrong for good (SYSTEMATIC, found on the built-in vehicle in calm air) is added in quadrature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from asflown.campaign.calibration.model import Flight, Residual, find_gusts, residual
from asflown.errors import FolderProblem
from asflown.frames import FloatArray

BLOCK_S = 10.0
CONFIDENCE = 0.95
SYSTEMATIC = (0.005, 0.015)
"""Standard deviations, as shares of thrust and of drag."""
_OF_ALL, _OF_FLIGHT = 2, 4
_TRIM_WINDOWS = 50.0
"""A trim of zero counts as much as so many windows."""
_ROUNDS = 4
_STEP = 1e-4
_LEAST_FREEDOM = 3


@dataclass(frozen=True, slots=True)
class Estimate:
    """A quantity with its 95 % interval."""

    value: float
    low: float
    high: float

    @property
    def half(self) -> float:
        """Half the interval's width."""
        return 0.5 * (self.high - self.low)


@dataclass(frozen=True, slots=True)
class Fit:
    """Shares of the design's own, at the design's mass."""

    thrust: Estimate
    drag: Estimate
    nuisance: tuple[FloatArray, ...]
    """For each flight: mean wind (north, east) and trim (forward, right)."""
    blocks: int


def fit(flights: Sequence[Flight], start: tuple[float, float] = (1.0, 1.0)) -> Fit:
    """Both, from all flights together. Raises FolderProblem for too little flight, or flights without an answer."""
    blocks = sum(_blocks(flight) for flight in flights)
    freedom = blocks - _OF_ALL - len(flights)
    if freedom < _LEAST_FREEDOM:
        needed_s = (_LEAST_FREEDOM + _OF_ALL + len(flights)) * BLOCK_S
        raise FolderProblem(
            f"{sum(one.capture.airborne_s for one in flights):.0f} s in the air are too short to learn from",
            f"Give flights of {needed_s:.0f} s or more together",
        )
    unknowns = solved(flights, start, free=True)
    spread = _covariance(flights, unknowns) * blocks / freedom
    from scipy.stats import t  # noqa: PLC0415  heavy, and only a fit needs it

    reach = float(t.ppf(0.5 + 0.5 * CONFIDENCE, freedom))
    found = []
    for number, systematic in enumerate(SYSTEMATIC):
        value = float(unknowns[number])
        half = reach * float(np.hypot(np.sqrt(spread[number, number]), systematic * value))
        found.append(Estimate(value, value - half, value + half))
    return Fit(found[0], found[1], _nuisance(unknowns), blocks)


def solved(flights: Sequence[Flight], start: tuple[float, float], *, free: bool) -> FloatArray:
    """All unknowns: thrust, drag, four for each flight. Not `free`: thrust and drag stay as they are.

    Raises FolderProblem when there is no solution.
    """
    from scipy.optimize import root  # noqa: PLC0415

    first = 0 if free else _OF_ALL
    unknowns = np.concatenate([np.array(start), np.tile([0.5, 0.5, 0.0, 0.0], len(flights))])

    def conditions(rest: FloatArray) -> FloatArray:
        return _moments(flights, np.concatenate([unknowns[:first], rest]))[first:]

    for flight in flights:
        flight.gust_m_s[:] = 0.0
    for turn in range(_ROUNDS):
        found = root(conditions, unknowns[first:], method="hybr")
        if not found.success or not np.isfinite(found.x).all():
            raise FolderProblem(
                "these flights fit no craft of this kind", "Look whether it is the right vehicle"
            )
        unknowns = np.concatenate([unknowns[:first], found.x])
        if turn < _ROUNDS - 1:
            for flight, left in zip(flights, residuals(flights, unknowns), strict=True):
                find_gusts(flight, left)
    return unknowns


def residuals(flights: Sequence[Flight], unknowns: FloatArray) -> list[Residual]:
    """What is left of each flight."""
    each = zip(flights, _nuisance(unknowns), strict=True)
    return [residual(flight, float(unknowns[0]), float(unknowns[1]), own) for flight, own in each]


def _nuisance(unknowns: FloatArray) -> tuple[FloatArray, ...]:
    rest = unknowns[_OF_ALL:]
    return tuple(rest[at : at + _OF_FLIGHT] for at in range(0, len(rest), _OF_FLIGHT))


def _blocks(flight: Flight) -> int:
    return int(flight.capture.airborne_s / BLOCK_S)


def _scores(flights: Sequence[Flight], unknowns: FloatArray) -> list[FloatArray]:
    """Residual times instrument for each window and condition; shape (windows, unknowns) for each flight."""
    found = []
    for number, (flight, left) in enumerate(zip(flights, residuals(flights, unknowns), strict=True)):
        turn, body = flight.turned(), left.body_m_s2
        asked = np.einsum("nji,nj->ni", turn, flight.windows(flight.instrument))
        scores = np.zeros((len(body), len(unknowns)))
        scores[:, 0] = body[:, 2]
        scores[:, 1] = (body[:, :2] * asked[:, :2]).sum(axis=1)
        own = _OF_ALL + _OF_FLIGHT * number
        scores[:, own : own + 2] = np.einsum("nij,nj->ni", turn[:, :2, :2], body[:, :2])
        scores[:, own + 2 : own + 4] = body[:, :2]
        found.append(scores)
    return found


def _moments(flights: Sequence[Flight], unknowns: FloatArray) -> FloatArray:
    total: FloatArray = np.sum([scores.sum(axis=0) for scores in _scores(flights, unknowns)], axis=0)
    for own in range(_OF_ALL, len(unknowns), _OF_FLIGHT):
        total[own + 2 : own + 4] -= _TRIM_WINDOWS * unknowns[own + 2 : own + 4]
    return total


def _covariance(flights: Sequence[Flight], unknowns: FloatArray) -> FloatArray:
    steps = np.eye(len(unknowns)) * _STEP
    slopes = [
        (_moments(flights, unknowns + step) - _moments(flights, unknowns - step)) / (2 * _STEP)
        for step in steps
    ]
    summed = []
    for flight, scores in zip(flights, _scores(flights, unknowns), strict=True):
        summed += [block.sum(axis=0) for block in np.array_split(scores, max(1, _blocks(flight)))]
    filling = np.stack(summed)
    bread = np.linalg.pinv(np.stack(slopes, axis=1))
    return np.asarray(bread @ (filling.T @ filling) @ bread.T, np.float64)
