"""From which moment on something was all but certain, for chances that are known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.campaign.moments import BORNE_OUT, CERTAIN, Answers, Ask, Asked, Found, Moment, find_moment


def chances(probability: Callable[[int], float], log: list[Asked] | None = None) -> Ask:
    """Somebody who answers yes with a probability by tick; equal questions get equal answers."""

    def ask(questions: Sequence[Asked]) -> Answers:
        for one in questions:
            if log is not None:
                log.append(one)
            draw = np.random.default_rng((one.tick, one.number)).random()
            yield one, bool(draw < probability(one.tick))

    return ask


@pytest.mark.parametrize("cause", [137, 1_000, 2_468, 3_900])
@pytest.mark.parametrize("before", [0.1, 0.5, 0.8])
def test_a_step_is_found_where_it_is(cause: int, before: float) -> None:
    """Below a quarter of a second off, and borne out, at whatever moment it lies."""
    found = find_moment(
        4_000, chances(lambda tick: 1.0 if tick >= cause else before), within_ticks=25, most=700
    )
    moment, still_open = found.from_moment, found.open_moment
    assert found.clear
    assert moment is not None
    assert still_open is not None
    assert still_open.tick < cause <= moment.tick <= still_open.tick + 25
    assert moment.happened == moment.answered == BORNE_OUT
    assert moment.interval.low > 0.93


def test_what_was_certain_from_the_start_has_no_moment() -> None:
    """Then no other chance would have helped."""
    found = find_moment(3_000, chances(lambda tick: 1.0), within_ticks=25, most=300)
    assert found.clear
    assert found.open_moment is None
    assert found.from_moment is not None
    assert found.from_moment.tick == 0


def test_what_is_decided_at_the_very_end_is_said_so() -> None:
    """Nothing before the end is all but certain: the last moment that was open is close to the end."""
    found = find_moment(3_000, chances(lambda tick: 0.5), within_ticks=25, most=300)
    assert found.clear
    assert found.from_moment is None
    assert found.open_moment is not None
    assert found.open_moment.tick >= 2_975


def test_no_more_is_asked_than_allowed() -> None:
    """And the answer says that it is not clear."""
    log: list[Asked] = []
    found = find_moment(4_000, chances(lambda tick: tick / 4_000, log), within_ticks=10, most=60)
    assert len(log) == 60
    assert not found.clear


def test_no_question_is_asked_twice() -> None:
    """Numbers count up at each moment, so that a run that is taken up again finds its answers."""
    log: list[Asked] = []
    find_moment(4_000, chances(lambda tick: 1.0 if tick > 900 else 0.3, log), within_ticks=25, most=300)
    assert len(set(log)) == len(log)


def test_nobody_who_does_not_answer_is_asked_for_ever() -> None:
    """Questions without an answer count as asked."""
    found = find_moment(
        4_000, lambda questions: [(one, None) for one in questions], within_ticks=25, most=100
    )
    assert (found.clear, found.answered) == (False, 0)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 20), st.integers(1, 20)), min_size=1, max_size=8))
def test_the_fitted_curve_rises_and_keeps_the_mean(answers: list[tuple[int, int]]) -> None:
    """Isotonic regression changes no weighted mean."""
    found = Found(100)
    found.moments = [Moment(tick, n, min(happened, n), n) for tick, (happened, n) in enumerate(answers)]
    found.fit()
    fitted = [one.fitted for one in found.moments]
    assert fitted == sorted(fitted)
    assert sum(one.fitted * one.answered for one in found.moments) == pytest.approx(
        sum(one.happened for one in found.moments)
    )


def test_a_rare_escape_does_not_move_the_moment_far() -> None:
    """Where one in fifty gets away after the cause, the moment found still lies at the cause in most runs."""
    off = []
    for run in range(20):
        cause = 1_500 + 13 * run
        answers = chances(partial(leaky, cause))
        moment = find_moment(4_000, answers, within_ticks=25, most=400).from_moment
        off.append(4_000 if moment is None else abs(moment.tick - cause))
    assert sorted(off)[15] <= 50


def leaky(cause: int, tick: int) -> float:
    """All but certain from the cause on, and no more."""
    return CERTAIN + 0.035 if tick >= cause else 0.4
