"""Laws of the statistics of flights, and what they refuse."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from asflown.errors import UsageError
from asflown.grade import statistics
from asflown.grade.statistics import (
    clopper_pearson,
    fewest_flights,
    fewest_for_percentile,
    fixed_flights,
    holm,
    percentile_power,
    sequential_plan,
    share_at_least,
    share_at_most,
    share_chances,
    share_flights,
    shift,
    shift_power,
    simulated_power,
    tolerance_limits,
    tost,
    tost_flights,
    tost_percentile,
    tost_power,
    wilson,
)

numbers = st.floats(-100, 100, allow_nan=False).map(lambda value: round(value, 3))
sets = st.lists(numbers, min_size=2, max_size=12)
shares = st.floats(0.02, 0.98)


def generator() -> np.random.Generator:
    """The same chance each time."""
    return np.random.default_rng(1)


def test_public_surface() -> None:
    """What is exported is named, sorted, and there."""
    assert statistics.__all__ == sorted(statistics.__all__)
    assert all(hasattr(statistics, name) for name in statistics.__all__)


@settings(deadline=None)
@given(st.integers(0, 60), st.integers(0, 60), st.floats(0.5, 0.999))
def test_interval_is_the_pair_of_bounds(passed: int, failed: int, confidence: float) -> None:
    """The two-sided interval is made of one-sided bounds at half the error each; the score interval is near."""
    if not passed + failed:
        return
    flights, each = passed + failed, (1 + confidence) / 2
    interval = clopper_pearson(passed, flights, confidence)
    assert interval.low == pytest.approx(share_at_least(passed, flights, each), abs=1e-9)
    assert interval.high == pytest.approx(share_at_most(passed, flights, each), abs=1e-9)
    assert wilson(passed, flights, confidence).low <= passed / flights + 1e-9 <= 1 + interval.high


@pytest.mark.parametrize(("failed", "flights"), [(0, 22), (1, 38), (2, 52)])
def test_fewest_flights_that_can_show_a_share(failed: int, flights: int) -> None:
    """90 % with confidence 90 % takes 22 flights without a failure, and more with each one; one fewer does not do."""
    assert fewest_flights(0.9, 0.9, failed) == flights
    assert share_at_least(flights - failed, flights, 0.9) >= 0.9
    assert share_at_least(flights - 1 - failed, flights - 1, 0.9) < 0.9


@settings(deadline=None)
@given(sets, shares, shares)
def test_tolerance_limits_turn_with_the_values(
    values: list[float], coverage: float, confidence: float
) -> None:
    """The lower limit is the upper one of the values turned round, and limits are values that were flown."""
    upper = tolerance_limits(values, coverage, confidence)
    lower = tolerance_limits([-value for value in values], coverage, confidence, side="lower")
    if upper is None:
        assert lower is None
        return
    assert lower is not None
    assert lower.low is not None
    assert upper.high in values
    assert upper.high == -lower.low


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 200), st.floats(0.3, 0.97), st.floats(0.3, 0.97))
def test_distribution_free_limits_keep_their_confidence(
    flights: int, coverage: float, confidence: float
) -> None:
    """The r-th of n sorted values lies above the quantile as often as promised, by the binomial; the next does not."""
    limits = tolerance_limits([float(k) for k in range(flights)], coverage, confidence)
    sure = [sum(_binomial(n, flights, coverage) for n in range(r + 1)) for r in range(flights)]
    assume(all(abs(one - confidence) > 1e-9 for one in sure))
    fitting = [r for r in range(flights) if sure[r] >= confidence]
    assert (None if limits is None else limits.high) == (float(fitting[0]) if fitting else None)


def _binomial(successes: int, trials: int, share: float) -> float:
    return math.comb(trials, successes) * share**successes * (1 - share) ** (trials - successes)


def test_normal_limits_keep_their_promise() -> None:
    """Of 2,000 sets of ten normal values, about 90 % have two-sided limits that hold 80 % of all."""
    drawn = np.random.default_rng(2).normal(size=(2000, 10))
    kept = 0
    for values in drawn:
        limits = tolerance_limits(values.tolist(), 0.8, 0.9, side="both", way="normal")
        assert limits is not None
        assert limits.low is not None
        assert limits.high is not None
        kept += _normal_share(limits.low, limits.high) >= 0.8
    assert kept / 2000 == pytest.approx(0.9, abs=0.02)


def _normal_share(low: float, high: float) -> float:
    return (math.erf(high / math.sqrt(2)) - math.erf(low / math.sqrt(2))) / 2


@settings(max_examples=50, deadline=None)
@given(sets, sets, st.floats(0.01, 200))
def test_equivalence_is_shown_when_the_interval_lies_within_the_band(
    a: list[float], b: list[float], band: float
) -> None:
    """OC-STAT-21: equivalence at alpha exactly when the 1 - 2 alpha interval lies within the band."""
    found = tost(a, b, band)
    if abs(found.p_value - 0.05) > 1e-9:
        assert found.shown == (found.p_value < 0.05), found
    assert found.shown == (-band < found.low and found.high < band)
    assert found.low <= found.difference <= found.high


@settings(max_examples=50, deadline=None)
@given(sets, sets, st.floats(0.01, 200))
def test_equivalence_does_not_care_which_set_is_first(a: list[float], b: list[float], band: float) -> None:
    """Swapping the sets turns the difference round and leaves the p value."""
    forth, back = tost(a, b, band), tost(b, a, band)
    assert forth.difference == pytest.approx(-back.difference, abs=1e-12)
    assert forth.p_value == pytest.approx(back.p_value, abs=1e-9)


def test_a_wider_band_than_the_smallest_would_have_been_shown() -> None:
    """The smallest band is where the p value passes alpha."""
    a, b = [1.0, 1.2, 0.9, 1.1], [1.3, 1.4, 1.1, 1.5]
    smallest = tost(a, b, 1.0).smallest_band
    assert tost(a, b, smallest * 1.001).shown
    assert not tost(a, b, smallest * 0.999).shown


@pytest.mark.parametrize(
    ("flights", "p_value", "shown"), [(2, 1 / 6, False), (3, 1 / 20, True), (6, 1 / 924, True)]
)
def test_sets_without_spread(flights: int, p_value: float, shown: bool) -> None:
    """Equal flights are worth what their number is: two on a side show nothing, however equal they are."""
    found = tost([1.0] * flights, [1.2] * flights, 0.3)
    assert found.p_value == pytest.approx(p_value)
    assert found.shown == shown
    beyond = tost([1.0] * flights, [1.2] * flights, 0.1)
    assert (beyond.p_value, beyond.shown) == (1, False)


def test_percentiles_by_bootstrap() -> None:
    """Percentiles of like sets are shown to be equivalent, of shifted ones not; p value and interval agree."""
    draws = np.random.default_rng(4).normal(size=(2, 60))
    alike = tost_percentile(draws[0].tolist(), draws[1].tolist(), 2.0, 90, generator())
    shifted = tost_percentile(draws[0].tolist(), (draws[1] + 3).tolist(), 2.0, 90, generator())
    assert alike.shown
    assert alike.p_value <= 0.05
    assert not shifted.shown
    assert shifted.p_value > 0.05


def test_bootstrap_repeats_itself() -> None:
    """The same generator gives the same figures."""
    values = [float(k) for k in range(25)]
    first, again = (tost_percentile(values, values[::-1], 5.0, 90, generator()) for _ in range(2))
    assert first == again


@pytest.mark.parametrize(("percentile", "fewest"), [(50, 4), (90, 20), (95, 40), (5, 40)])
def test_percentiles_beyond_the_flights_are_refused(percentile: float, fewest: int) -> None:
    """A 95th percentile takes 40 flights on a side, said in words."""
    assert fewest_for_percentile(percentile) == fewest
    few = [float(k) for k in range(fewest - 1)]
    with pytest.raises(UsageError, match=f"Fly at least {fewest} on either side"):
        tost_percentile(few, few, 1.0, percentile, generator())


@settings(max_examples=12, deadline=None)
@given(st.integers(2, 40), st.floats(0.2, 3))
def test_power_rises_with_the_band(flights: int, band: float) -> None:
    """A wider band is never shown less often, and a true difference is never shown away more often."""
    power = tost_power(flights, band, 1.0)
    assert 0 <= power <= tost_power(flights, band * 1.2, 1.0) + 1e-9 <= 1 + 1e-9
    assert tost_power(flights, band, 1.0, difference=band / 2) <= power + 1e-9


def test_power_at_the_band_is_alpha() -> None:
    """Sets that differ by just the band are called equivalent with probability alpha, when flights are many."""
    assert tost_power(200, 1.0, 1.0, difference=1.0) == pytest.approx(0.05, abs=1e-6)


def test_flights_for_a_power_are_the_fewest() -> None:
    """One flight fewer has less power."""
    flights = tost_flights(0.8, 1.0, 1.0)
    assert flights is not None
    assert tost_power(flights, 1.0, 1.0) >= 0.8 > tost_power(flights - 1, 1.0, 1.0)
    assert tost_flights(0.8, 0.001, 1.0) is None


@settings(deadline=None)
@given(st.integers(0, 80), shares, st.floats(0.5, 0.98), st.floats(0, 1))
def test_a_plan_errs_no_more_often_than_stated(
    flights: int, share: float, confidence: float, true_share: float
) -> None:
    """A share that is not reached passes, and one that is reached fails, with at most 1 - confidence."""
    chances = share_chances(flights, share, confidence, true_share)
    assert chances.passes + chances.fails + chances.undecided == pytest.approx(1, abs=1e-9)
    wrong = chances.passes if true_share < share else chances.fails
    assert wrong <= 1 - confidence + 1e-9


def test_flights_for_a_share() -> None:
    """The fewest flights that pass as often as wished; none do when the true share is the one asked for."""
    flights = share_flights(0.8, 0.9, 0.9, 0.97)
    assert flights is not None
    assert share_chances(flights, 0.9, 0.9, 0.97).passes >= 0.8
    assert share_flights(0.8, 0.9, 0.9, 0.9) is None


@settings(max_examples=8, deadline=None)
@given(st.floats(0.02, 0.3), st.floats(1.8, 3), st.floats(0.02, 0.2), st.floats(0.02, 0.2))
def test_sequential_plans_keep_their_error_rates(
    good: float, times: float, alpha: float, beta: float
) -> None:
    """Exactly, cut-off and all; they end, and flights are fewer on the average than in a test of fixed size."""
    bad = good * times
    plan = sequential_plan(good, bad, alpha, beta)
    at_good, at_bad = plan.characteristic(good), plan.characteristic(bad)
    assert at_good.rejects <= alpha
    assert at_bad.accepts <= beta
    assert at_good.accepts + at_good.rejects == pytest.approx(1)
    assert at_bad.mean_flights < 1.2 * fixed_flights(good, bad, alpha, beta)


@settings(max_examples=12, deadline=None)
@given(st.floats(0.02, 0.2), st.integers(2, 4), st.floats(0, 1))
def test_sequential_characteristic_agrees_with_walking(good: float, times: int, rate: float) -> None:
    """The exact characteristic decides each count as a walk does."""
    plan = sequential_plan(good, good * times, 0.1, 0.1)
    low, high = plan._open
    for flights in range(1, plan.longest + 1, 7):
        for failed in range(flights + 1):
            decision = plan.decision(flights, failed)
            expected = "accept" if failed < low[flights] else "reject" if failed >= high[flights] else None
            assert decision == expected


def test_a_test_that_was_not_decided() -> None:
    """A walk that ends too early says that nothing is decided, and after how many flights."""
    step = sequential_plan(0.05, 0.2).walk([False, True, False])
    assert (step.decision, step.flights, step.failed) == (None, 3, 1)


def test_power_of_a_shift_grows_with_its_size() -> None:
    """No step is found as often as alpha says, a large one almost always; the interval holds the truth."""
    none, large = (shift_power(8, 8, step, generator(), draws=100) for step in (0.0, 3.0))
    assert none.low <= 0.05
    assert none.high < 0.2
    assert large.low > 0.9


def test_power_of_a_percentile_shrinks_with_the_difference() -> None:
    """Two sets alike are shown to be within a wide band; sets that differ by the band hardly ever."""
    alike = percentile_power(20, 90, 2.0, 1.0, generator(), draws=60)
    apart = percentile_power(20, 90, 2.0, 1.0, generator(), difference=2.0, draws=60)
    assert alike.low > 0.5
    assert apart.low <= 0.05
    assert apart.high < 0.25


def test_simulated_power_agrees_with_the_formula() -> None:
    """Ten flights a side at a band of one deviation: drawing says what the formula says."""

    def shows(own: np.random.Generator) -> bool:
        a, b = own.normal(size=(2, 10)).tolist()
        return tost(a, b, 1.0, pooled=True).shown

    found = simulated_power(shows, generator(), draws=400, confidence=0.999)
    assert found.low <= tost_power(10, 1.0, 1.0) <= found.high


@given(st.lists(numbers, min_size=4, max_size=15))
@settings(max_examples=30, deadline=None)
def test_shifts_turn_with_time(values: list[float]) -> None:
    """The statistic of the series backwards is the same."""
    forth, back = (shift(series, generator(), resamples=50) for series in (values, values[::-1]))
    assert forth.statistic == pytest.approx(back.statistic)
    assert 0 < forth.p_value <= 1


def test_a_planted_shift_is_found() -> None:
    """Ten flights at one level and ten at another: the eleventh is the first of the new level."""
    draws = np.random.default_rng(8).normal(size=20)
    found = shift([*draws[:10], *(draws[10:] + 4)], generator())
    assert found.position == 10
    assert found.p_value < 0.01


def test_a_series_without_shift_is_called_shifted_as_often_as_stated() -> None:
    """Of 200 steady series about 5 % have a p value of 5 % or less."""
    draws = np.random.default_rng(6).normal(size=(200, 12))
    found = [shift(series.tolist(), generator(), resamples=199).p_value for series in draws]
    assert np.mean(np.array(found) <= 0.05) <= 0.09


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0, 1), max_size=8))
def test_holm_never_lowers_a_p_value(p_values: list[float]) -> None:
    """Adjusted values keep their order, are no smaller, and the smallest counts for all."""
    adjusted = holm(p_values)
    assert all(new >= old - 1e-12 for new, old in zip(adjusted, p_values, strict=True))
    if p_values:
        assert min(adjusted) == pytest.approx(min(1.0, min(p_values) * len(p_values)))


REFUSED: dict[str, tuple[Callable[[], object], str]] = {
    "no flights": (
        lambda: clopper_pearson(0, 0, 0.9),
        "0 of 0 flights is no share. Count at least one flight",
    ),
    "band": (
        lambda: tost([1, 2], [1, 2], 0),
        "band=0 is no band. Give how much difference does not matter, above zero",
    ),
    "one flight": (
        lambda: tost([1], [1, 2], 1),
        "1 and 2 flights cannot be compared. Fly at least two on either side",
    ),
    "not finite": (
        lambda: tolerance_limits([math.nan], 0.9, 0.9),
        "tolerance limits of values that are not finite. Leave them out, and say so",
    ),
    "coverage": (
        lambda: tolerance_limits([1.0], 1.0, 0.9),
        "coverage=1.0 is no share. Give a number between 0 and 1",
    ),
    "rates": (
        lambda: sequential_plan(0.3, 0.2),
        "good=0.3 and bad=0.2 are not in order. Write 0 < good < bad < 1",
    ),
    "capped": (
        lambda: sequential_plan(0.05, 0.2, longest=10),
        "10 flights cannot tell 0.05 from 0.2 with these error rates. Allow 50",
    ),
    "short series": (
        lambda: shift([1, 2], generator()),
        "2 values cannot show a shift. Fly at least 4 times",
    ),
    "p value": (lambda: holm([1.2]), "p values lie between 0 and 1. Look at how they were made"),
}


@pytest.mark.parametrize(("call", "words"), REFUSED.values(), ids=REFUSED.keys())
def test_what_is_refused(call: Callable[[], object], words: str) -> None:
    """Numbers that mean nothing are refused with what is wrong and what to do."""
    with pytest.raises(UsageError) as refused:
        call()
    assert str(refused.value) == words
