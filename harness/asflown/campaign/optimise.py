"""Where to look next for the smallest of some costly values: a point of the unit cube, after what others showed.

Knows nothing of flights: whoever searches asks for a point, and tells the values that were found there, by name; any of
them may become the smallest. Equal seeds and equal values give equal points.

`model` keeps a Gaussian process of each value and looks where it may be lowest (lower confidence bound: Srinivas,
Krause, Kakade & Seeger, ICML 2010, from memory); it is for a few dozen points. The most promising values take turns:
their minimum has kinks where one takes the place of another, one that nothing moves would hide the others, and one that
is easily moved, but never far enough, would take all points to itself.
`evolution` is CMA-ES, for hundreds. `random` is what both are held against.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal, Protocol

import numpy as np
from scipy.spatial.distance import cdist
from scipy.stats import qmc

from asflown.campaign.surface import Shape, Surface, first_shape, likelier
from asflown.frames import FloatArray

Way = Literal["model", "evolution", "random"]
Within = Mapping[int, tuple[float, float]]
"""Between which ends some coordinates are wished to be; ends beyond the cube count as its own."""
Hints = Mapping[str, Within]
"""By the name of a value: where it may well be low."""

_OPENING = 4
"""Points spread over the cube before anything is known."""
_OFTEN = 40
"""From so many points on, the model's shape is thought over each fifth time only."""
_DARING = (3.0, 1.0, 0.3)
"""How many standard deviations below the mean a value may be hoped for, in turn."""
_APART = 0.05
"""No nearer to a point that is known: a small dip that is not deep enough is not looked into for ever."""
_TURNS, _HINT_EACH = (0, 0, 1, 2), 2
"""Whose turn it is, from the most promising value on, again and again; the hint is heeded in each second round."""
_EACH_SPREAD = 4
"""Every so many points one is as far from all others as may be: a model alone would stay in the first dip it meets."""
_ANYWHERE, _NEAR, _AT_EDGES, _ALONG = 1000, 300, 300, 40
_POPULATION, _FIRST_STEP = 6, 0.3
_SHARE_OF_MEAN, _NOTHING = 0.2, 2.0
_MOVED = 0.2
"""Of its highest: a value that spreads no further has not been moved yet, and its noise is not to be modelled."""


class Chooser(Protocol):
    """Says where to look; each answer is told before the next question."""

    def next(self, hints: Hints) -> FloatArray:
        """A point, each coordinate from 0 to 1. Only `model` heeds hints, and not before it knows anything."""

    def learn(self, values: Mapping[str, float]) -> None:
        """The values at that point: the smaller, the better. There may be none, or fewer than before."""


def chooser(way: Way, dimensions: int, seed: int) -> Chooser:
    """One that has seen nothing yet."""
    made: dict[Way, Callable[[int, int], Chooser]] = {
        "model": _Model,
        "evolution": _Evolution,
        "random": _Random,
    }
    return made[way](dimensions, seed)


def minimise(
    value_of: Callable[[FloatArray], float], by: Chooser, most: int, below: float = 0.0
) -> list[float]:
    """The values found one after another, until one is below `below`, or `most` were looked at."""
    found: list[float] = []
    while len(found) < most and (not found or found[-1] >= below):
        found.append(value_of(by.next({})))
        by.learn({"": found[-1]})
    return found


def together(values: Mapping[str, float]) -> float:
    """One number for all: the smallest, and a small part of the mean, for one that nothing touches hides the others."""
    if not values:
        return _NOTHING
    return min(values.values()) + _SHARE_OF_MEAN * float(np.mean(list(values.values())))


class _Random:
    def __init__(self, dimensions: int, seed: int) -> None:
        self._dimensions, self._generator = dimensions, np.random.default_rng(seed)

    def next(self, hints: Hints) -> FloatArray:
        """Anywhere."""
        return self._generator.random(self._dimensions)

    def learn(self, values: Mapping[str, float]) -> None:
        """Changes nothing."""


class _Evolution:
    """A population at a time."""

    def __init__(self, dimensions: int, seed: int) -> None:
        import cma  # noqa: PLC0415  heavy, and only searches need it

        self._dimensions = dimensions
        options: dict[str, Any] = {
            "bounds": [0.0, 1.0], "popsize": _POPULATION, "seed": seed + 1, "verbose": -9,
        }  # fmt: skip
        self._strategy: Any = cma.CMAEvolutionStrategy([0.5] * max(2, dimensions), _FIRST_STEP, options)
        self._asked: list[Any] = []
        self._values: list[float] = []

    def next(self, hints: Hints) -> FloatArray:
        """The next of the population."""
        if not self._asked:
            self._asked = list(self._strategy.ask())
        return np.asarray(self._asked[len(self._values)][: self._dimensions], np.float64)

    def learn(self, values: Mapping[str, float]) -> None:
        """The strategy moves on once the whole population is known."""
        self._values.append(together(values))
        if len(self._values) == len(self._asked):
            self._strategy.tell(self._asked, self._values)
            self._asked, self._values = [], []


class _Model:
    """Points that were looked at, and a Gaussian process through each of the values that were found there."""

    def __init__(self, dimensions: int, seed: int) -> None:
        self._dimensions, self._generator = dimensions, np.random.default_rng(seed)
        opening = qmc.Sobol(dimensions, rng=np.random.default_rng(seed)).random(_OPENING)
        self._opening: list[FloatArray] = list(np.asarray(opening, np.float64))
        self._points: list[FloatArray] = []
        self._values: list[Mapping[str, float]] = []
        self._shapes: dict[str, Shape] = {}

    def next(self, hints: Hints) -> FloatArray:
        """The opening first; then where a value may be lowest."""
        asked = self._opening[len(self._points)] if len(self._points) < _OPENING else self._lowest(hints)
        self._points.append(asked)
        return asked

    def learn(self, values: Mapping[str, float]) -> None:
        """Kept for the next model."""
        self._values.append(values)

    def _lowest(self, hints: Hints) -> FloatArray:
        number = len(self._points)
        found: dict[str, list[float]] = {}
        for name, value in (pair for values in self._values for pair in values.items()):
            found.setdefault(name, []).append(value)
        if not found:
            return self._generator.random(self._dimensions)
        names = sorted(found, key=lambda name: (_promise(min(found[name]), max(found[name])), name))
        spread, turn = number // _EACH_SPREAD, number - number // _EACH_SPREAD
        if number % _EACH_SPREAD == 0:
            return self._farthest(hints.get(_in_turn(names, spread), {}))
        name = _in_turn(names, turn)
        highest = max(found[name])
        if highest - min(found[name]) <= _MOVED * abs(highest):
            return self._farthest(hints.get(name, {}))
        heeded = turn // len(_TURNS) % _HINT_EACH == 0
        values = np.array([each.get(name, highest) for each in self._values])
        return self._lowest_of(name, values, hints.get(name, {}) if heeded else {}, turn)

    def _farthest(self, within: Within) -> FloatArray:
        """Where nobody looked yet, as far from all others as may be."""
        candidates = self._into(within, self._generator.random((_ANYWHERE, self._dimensions)))
        farthest: FloatArray = candidates[int(np.argmax(cdist(candidates, self._points).min(axis=1)))]
        return farthest

    def _lowest_of(self, name: str, values: FloatArray, within: Within, turn: int) -> FloatArray:
        """Where one value may be lowest, by what it was at each point; where it was missing, its highest."""
        number, known = len(self._points), np.array(self._points)
        candidates = _apart(self._into(within, self._candidates(known[int(np.argmin(values))])), known)
        scaled = (values - values.mean()) / values.std()
        shape = self._shapes.get(name, first_shape(self._dimensions))
        if number < _OFTEN or turn % 5 == 0:
            shape = self._shapes[name] = likelier(shape, known, scaled)
        mean, deviation = Surface(shape, known, scaled).at(candidates)
        lowest: FloatArray = candidates[int(np.argmin(mean - _DARING[turn % len(_DARING)] * deviation))]
        return lowest

    def _into(self, within: Within, candidates: FloatArray) -> FloatArray:
        """The candidates, anew in coordinates that are wished to be somewhere."""
        for place, ends in within.items():
            low, high = np.clip(ends, 0.0, 1.0)
            candidates[:, place] = low + (high - low) * self._generator.random(len(candidates))
        return candidates

    def _candidates(self, best: FloatArray) -> FloatArray:
        """Anywhere, at the ends of ranges, and about the best so far: near it, and along each coordinate."""
        draw, size = self._generator, self._dimensions
        near = [best + draw.normal(0.0, width, (_NEAR // 2, size)) for width in (0.1, 0.03)]
        along = best + draw.normal(0.0, 0.03, (size, _ALONG, size))
        along[np.arange(size), :, np.arange(size)] = np.linspace(0.0, 1.0, _ALONG)
        edges, at_edge = draw.random((_AT_EDGES, size)), draw.random((_AT_EDGES, size)) < 0.5
        edges[at_edge] = np.round(edges[at_edge])
        anywhere = draw.random((_ANYWHERE, size))
        return np.clip(np.vstack([anywhere, *near, along.reshape(-1, size), edges]), 0.0, 1.0)


def _promise(lowest: float, highest: float) -> float:
    """The smaller, the more a value is worth looking at: one that is low, and lower than it was elsewhere."""
    return lowest * lowest / highest if lowest > 0 else lowest


def _in_turn(names: list[str], turn: int) -> str:
    """Whose turn it is, of names from the most promising on."""
    return names[_TURNS[turn % len(_TURNS)] % len(names)]


def _apart(candidates: FloatArray, known: FloatArray) -> FloatArray:
    """Those that are not where somebody looked already; all, where none is."""
    nearest = cdist(candidates, known).min(axis=1)
    return candidates[nearest >= _APART] if (nearest >= _APART).any() else candidates
