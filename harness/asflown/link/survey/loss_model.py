"""The Gilbert-Elliott model of loss, and how likely it makes what was observed.

The model: before each frame the channel may change between a good and a bad state (probabilities p and r); in the bad
state every frame is lost, in the good one a share e. A frame that arrived was therefore sent in the good state, and
what happens between two arrivals depends on nothing before: the likelihood is a product over the runs of losses.
Sources: E. N. Gilbert, Bell System Technical Journal 39, 1960; E. O. Elliott, the same, 42, 1963.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Gap:
    """What lies between two frames that arrived, when it is not a plain run of losses.

    `steps`: for each frame between, whether it was a probe (True: its fate is known as far as `weights` says) or
    anything else (False: nobody knows). `weights[a]`: how likely it is, otherwise, that a of the probes arrived.
    """

    steps: tuple[bool, ...]
    weights: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Observed:
    """Which frames of one direction arrived, between the first and the last that did."""

    runs: Counter[int]
    """How often so many losses came between two arrivals, 0 included."""
    gaps: tuple[Gap, ...] = ()

    @property
    def frames(self) -> int:
        """How many frames are looked at."""
        return sum((1 + length) * count for length, count in self.runs.items()) + sum(
            1 + len(gap.steps) for gap in self.gaps
        )

    @property
    def bursts(self) -> int:
        """How many runs of losses there are, as far as can be seen."""
        seen = sum(count for length, count in self.runs.items() if length)
        return seen + sum(any(gap.steps) for gap in self.gaps)


@dataclass(frozen=True, slots=True)
class LossModel:
    """p, r and e of the model."""

    to_bad: float
    to_good: float
    in_good: float

    def step(self, good: float, bad: float) -> tuple[float, float]:
        """The states' weights before the next frame."""
        return (
            good * (1 - self.to_bad) + bad * self.to_good,
            good * self.to_bad + bad * (1 - self.to_good),
        )


def model_of(loss: float, burst: float, background: float) -> LossModel | None:
    """The model with this share of loss and mean run, a part `background` of the loss falling in the good state.

    None when no probabilities do that. With the share b of time in the bad state: loss = b + (1 - b) e, and runs
    begin at the rate loss / burst = (1 - b)(1 - e)(p + (1 - p) e).
    """
    if not 0 < loss < 1 or burst < 1:
        return None
    in_good = background * loss
    bad = (loss - in_good) / (1 - in_good)
    if bad <= 0:
        return None
    begins = loss / burst / ((1 - bad) * (1 - in_good))
    to_bad = (begins - in_good) / (1 - in_good)
    to_good = to_bad * (1 - bad) / bad
    if not (0 < to_bad < 1 and 0 < to_good <= 1):
        return None
    return LossModel(to_bad, to_good, in_good)


class Likelihood:
    """The logarithm of how likely what was observed is under a model."""

    def __init__(self, observed: Observed) -> None:
        self._runs = sorted(observed.runs.items())
        self._longest = self._runs[-1][0] if self._runs else 0
        self._gaps = Counter(observed.gaps)

    def of(self, model: LossModel | None) -> float:
        """Minus infinity where the model cannot be, or cannot have led to this."""
        if model is None:
            return -math.inf
        ends = self._run_probabilities(model)
        total = 0.0
        for length, count in self._runs:
            total += count * _log(ends[length])
        for gap, count in self._gaps.items():
            total += count * _log(_gap_probability(model, gap))
        return total

    def _run_probabilities(self, model: LossModel) -> list[float]:
        """By length: from an arrival, that many losses and then an arrival."""
        arrives = 1 - model.in_good
        good, bad = 1.0, 0.0
        ends = []
        for _ in range(self._longest + 1):
            good, bad = model.step(good, bad)
            ends.append(good * arrives)
            good *= model.in_good
        return ends


def _gap_probability(model: LossModel, gap: Gap) -> float:
    """Summed over how many of the probes between arrived, each case with its weight."""
    lost, arrives = model.in_good, 1 - model.in_good
    states = [(1.0, 0.0)]
    for is_probe in gap.steps:
        moved = [model.step(*state) for state in states]
        if not is_probe:
            states = moved
            continue
        states = [(good * lost, bad) for good, bad in moved] + [(0.0, 0.0)]
        for number, (good, _) in enumerate(moved, 1):
            states[number] = states[number][0] + good * arrives, states[number][1]
        states = states[: len(gap.weights)]
    ends = (model.step(*state)[0] * arrives for state in states)
    return sum(weight * end for weight, end in zip(gap.weights, ends, strict=False))


def _log(probability: float) -> float:
    return math.log(probability) if probability > 0 else -math.inf
