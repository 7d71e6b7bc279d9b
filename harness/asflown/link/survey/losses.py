"""From what was said and heard to which frames arrived, each way.

Down, the sequence numbers of the vehicle tell which frames are missing. Up, an answered probe has arrived. One that is
not answered was lost on its way up, or its answer on the way down: then a frame of the vehicle is missing at that
place. Between two answered probes, the frames missing there are shared out between lost answers and other telemetry by
how much telemetry that time usually brings; the fit sums over all cases.
"""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections import Counter

import numpy as np

from asflown.link.survey.ears import Answer, Heard
from asflown.link.survey.loss_model import Gap, Observed
from asflown.link.survey.sequence import gaps_before
from asflown.link.survey.voice import Said

_LONGEST_GAP = 60
"""Steps between two answered probes beyond which it is not looked into who was lost: an outage, not loss."""


def down_losses(frames: list[Heard]) -> Observed:
    """From the first frame to the last."""
    return Observed(Counter(gaps_before(frames)[1:]))


def up_losses(said: list[Said], answers: dict[int, Answer], frames: list[Heard]) -> Observed:
    """From the first answered probe to the last; `frames` is all that was heard, which answers point into."""
    answered = [number for number, one in enumerate(said) if one.asked_ns in answers]
    runs: Counter[int] = Counter()
    gaps: list[Gap] = []
    telemetry = _Telemetry(frames, sorted(answers[said[number].asked_ns].place for number in answered))
    for first, second in itertools.pairwise(answered):
        between = said[first + 1 : second]
        if len(between) > _LONGEST_GAP:
            continue
        steps = tuple(bool(one.asked_ns) for one in between)
        unanswered = sum(steps)
        places = answers[said[first].asked_ns].place, answers[said[second].asked_ns].place
        weights = telemetry.weights(*places, unanswered)
        if len(weights) == 1 and all(steps):
            runs[unanswered] += 1
        else:
            gaps.append(Gap(steps, weights))
    return Observed(runs, tuple(gaps))


class _Telemetry:
    """How many frames the vehicle sends beside its answers."""

    def __init__(self, frames: list[Heard], answer_places: list[int]) -> None:
        self._frames, self._answers = frames, answer_places
        self._missing = np.concatenate(([0], np.cumsum(gaps_before(frames)))) if frames else np.zeros(1)
        self._per_us = self._usual_rate()

    def weights(self, first: int, second: int, unanswered: int) -> tuple[float, ...]:
        """By how many of the unanswered probes had arrived: how likely the rest of what is missing is telemetry."""
        if second <= first:  # overtaken on the way: nothing can be told from places
            return (1.0,)
        missing = self._missing_between(first, second)
        most = min(missing, unanswered)
        if not most:
            return (1.0,)
        elapsed_us = self._frames[second].time_us - self._frames[first].time_us
        expected = max(1e-3, self._per_us * elapsed_us)
        heard = second - first - 1 - (self._answers_up_to(second - 1) - self._answers_up_to(first))
        logs = np.array([_log_poisson(heard + missing - arrived, expected) for arrived in range(most + 1)])
        weights = np.exp(logs - logs.max())
        return tuple(float(weight) for weight in weights)

    def _usual_rate(self) -> float:
        """Telemetry frames in a microsecond, over the stretches between answers where nothing is missing."""
        frames = elapsed_us = 0
        for first, second in zip(self._answers, self._answers[1:], strict=False):
            if not self._missing_between(first, second):
                frames += second - first - 1
                elapsed_us += self._frames[second].time_us - self._frames[first].time_us
        return frames / elapsed_us if elapsed_us else 0.0

    def _missing_between(self, first: int, second: int) -> int:
        return int(self._missing[second + 1] - self._missing[first + 1])

    def _answers_up_to(self, place: int) -> int:
        return bisect_right(self._answers, place)


def _log_poisson(count: int, expected: float) -> float:
    """But for what is the same for all counts of one place."""
    return count * float(np.log(expected)) - float(np.sum(np.log(np.arange(1, count + 1))))
