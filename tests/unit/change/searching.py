"""Runs searches on made-up candidates, whose flights are bad at random with known rates."""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import TypeVar

import numpy as np

from asflown.change.bisect_questions import Ask

Answer = TypeVar("Answer")


def run(search: Generator[Ask, bool, Answer], is_bad: Callable[[Ask], bool]) -> tuple[Answer, list[Ask]]:
    """The answer of a search, and what it asked for."""
    asked = []
    try:
        ask = next(search)
        while True:
            asked.append(ask)
            ask = search.send(is_bad(ask))
    except StopIteration as end:
        answer: Answer = end.value
        return answer, asked


def noisy(truly_bad: Callable[[str], bool], good: float, bad: float, seed: int) -> Callable[[Ask], bool]:
    """Flights that fail with chance `good` where the candidate is good, `bad` where it is bad."""
    generator = np.random.default_rng(seed)
    return lambda ask: bool(generator.random() < (bad if truly_bad(ask.candidate) else good))
