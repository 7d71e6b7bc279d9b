"""The Gilbert-Elliott model that explains best which frames were lost, with intervals of confidence.

Fitted by maximum likelihood. Intervals are those of the profile likelihood, for the share of frames lost and for the
mean length of a run of losses. The threshold is the square of Student's t with twice as many degrees of freedom as
there are runs, instead of the chi-square that it becomes with many (tests/benchmarks counts how often they hold).
Source for the intervals: any textbook on likelihood; for the model see `loss_model`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from asflown.frames import FloatArray
from asflown.link.survey.loss_model import Likelihood, Observed, model_of

CONFIDENCE = 0.95
_TINY = 1e-12
_LONGEST_BURST = 1e4
_NO_BACKGROUND = 1e-7


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value, and the ends of its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class LossFit:
    """What was found for one direction."""

    frames: int
    bursts: int
    loss: Estimate
    """Share of frames lost."""
    mean_burst: Estimate | None
    """Mean length of a run of losses, frames; None when there was none."""
    good_to_bad: float
    bad_to_good: float
    in_good: float


def fit(observed: Observed) -> LossFit | None:
    """The best model and its intervals; None when too little arrived to say anything."""
    frames, bursts = observed.frames, observed.bursts
    if frames < 2:
        return None
    if not bursts:
        high = 1 - (1 - CONFIDENCE) ** (1 / frames)  # exact, for losses that come by themselves
        return LossFit(frames, 0, Estimate(0.0, 0.0, high), None, 0.0, 1.0, 0.0)
    surface = _Surface(Likelihood(observed), observed)
    loss, burst, background = surface.best
    threshold = float(stats.t.ppf(0.5 + CONFIDENCE / 2, 2 * bursts)) ** 2 / 2
    model = model_of(loss, burst, background)
    assert model is not None
    return LossFit(
        frames,
        bursts,
        _interval(loss, lambda value: surface.drop_at_loss(value) - threshold, _TINY, 1 - 1e-6),
        _interval(burst, lambda value: surface.drop_at_burst(value) - threshold, 1.0, _LONGEST_BURST),
        float(model.to_bad),
        float(model.to_good),
        float(model.in_good) if model.in_good > _NO_BACKGROUND else 0.0,
    )


class _Surface:
    """The likelihood over share of loss, mean run, and the part of the loss that falls in the good state."""

    def __init__(self, likelihood: Likelihood, observed: Observed) -> None:
        self._likelihood = likelihood
        lost = sum(length * count for length, count in observed.runs.items())
        lost += sum(sum(gap.steps) for gap in observed.gaps)
        start = lost / observed.frames, max(1.02, lost / observed.bursts)
        self.best, self.top = self._climb(start)

    def _value(self, loss: float, burst: float, background: float) -> float:
        return self._likelihood.of(model_of(loss, burst, background))

    def _climb(self, start: tuple[float, float]) -> tuple[tuple[float, float, float], float]:
        """The highest point: from the plain counts, with several parts in the good state to begin with."""
        best: tuple[tuple[float, float, float], float] = ((start[0], start[1], 0.0), self._value(*start, 0.0))
        for background in (0.0, 0.1, 0.4, 0.7):
            loss, burst, part, value = self._maximise(
                lambda x: (_share(x[0]), 1 + math.exp(x[1]), _part(x[2])),
                [_unshare(start[0]), math.log(start[1] - 1 + 1e-3), _unpart(background)],
            )
            if value > best[1]:
                best = ((loss, burst, part), value)
        return best

    def drop_at_loss(self, loss: float) -> float:
        """How much less likely the best model with this share of loss is."""
        return self._drop(lambda x: (loss, 1 + math.exp(x[0]), _part(x[1])), self.best[1], self.best[2])

    def drop_at_burst(self, burst: float) -> float:
        """How much less likely the best model with this mean run is."""

        def unfold(x: list[float]) -> tuple[float, float, float]:
            return _share(x[0]), burst, _part(x[1])

        starts = [[_unshare(self.best[0]), _unpart(part)] for part in (self.best[2], 0.0, 0.5)]
        return self.top - max(self._maximise(unfold, start)[3] for start in starts)

    def _drop(
        self, unfold: Callable[[list[float]], tuple[float, float, float]], burst: float, background: float
    ) -> float:
        starts = [[math.log(max(burst - 1, 1e-3)), _unpart(part)] for part in (background, 0.0, 0.5)]
        return self.top - max(self._maximise(unfold, start)[3] for start in starts)

    def _maximise(
        self, unfold: Callable[[list[float]], tuple[float, float, float]], start: list[float]
    ) -> tuple[float, float, float, float]:
        """Nelder and Mead's search; a place that no model reaches counts as very unlikely."""

        def unlikely(x: FloatArray) -> float:
            value = self._value(*unfold(x.tolist()))
            return -value if value > -1e300 else 1e300

        found = optimize.minimize(
            unlikely,
            np.array(start),
            method="Nelder-Mead",
            options={"xatol": 1e-4, "fatol": 1e-4, "maxiter": 400},
        )
        loss, burst, background = unfold(found.x.tolist())
        return loss, burst, background, -float(found.fun)


def _interval(value: float, excess: Callable[[float], float], least: float, most: float) -> Estimate:
    """Where `excess` crosses 0 on either side of `value`; the allowed end where it does not."""
    return Estimate(value, _cross(value, least, excess), _cross(value, most, excess))


def _cross(inside: float, end: float, excess: Callable[[float], float]) -> float:
    """Walks from `inside` towards `end` by growing steps of a ratio, then halves; `inside` lies below."""
    inside = max(inside, 1e-9)
    ratio, outside = 1.3, inside
    while True:
        outside = outside * ratio if end > inside else outside / ratio
        if (outside >= end) if end > inside else (outside <= end):
            outside = end
            if excess(end) <= 0:
                return end
            break
        if excess(outside) > 0:
            break
        inside = outside
    for _ in range(14):
        middle = math.sqrt(inside * outside)
        if excess(middle) > 0:
            outside = middle
        else:
            inside = middle
    return outside


def _share(x: float) -> float:
    return 1 / (1 + math.exp(-max(-30.0, min(30.0, x))))


def _unshare(share: float) -> float:
    share = min(max(share, 1e-9), 1 - 1e-9)
    return math.log(share / (1 - share))


def _part(x: float) -> float:
    """From 0 to below 1; exactly 0 at x = 0, so that it can be found."""
    return x * x / (1 + x * x)


def _unpart(part: float) -> float:
    return math.sqrt(part / (1 - part)) if part else 1e-3
