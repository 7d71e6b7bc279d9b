"""Equivalence, sequential tests, shifts and multiple tests against worked examples and reference libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from asflown.frames import FloatArray
from asflown.grade.statistics import (
    difference_flights,
    holm,
    sequential_plan,
    shift,
    tost,
    tost_power,
    wilson,
)
from asflown.grade.statistics.change_point import pettitt_p_value
from asflown.grade.statistics.sequential import SequentialPlan, wald_lines

# OC-STAT-12: Newcombe, Statistics in Medicine 17, 1998, Table I, score method, two-sided 95 %.
SCORE = [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)]


@pytest.mark.parametrize(("passed", "flights", "low", "high"), SCORE)
def test_wilson(passed: int, flights: int, low: float, high: float) -> None:
    """OC-STAT-12: both ends of the score interval."""
    found = wilson(passed, flights, 0.95)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


def spread_about(mean: float, deviation: float, number: int) -> list[float]:
    """Values with exactly this mean and standard deviation."""
    raw = np.linspace(-1.0, 1.0, number)
    return list(mean + deviation * (raw - raw.mean()) / raw.std(ddof=1))


def test_equivalence_with_pooled_variance() -> None:
    """OC-STAT-18: D. Lakens, Soc. Psych. Pers. Sci. 8, 2017: bounds of 0.43 pooled deviations."""
    first, second = spread_about(5.22, 0.83, 89), spread_about(5.25, 0.95, 95)
    pooled = math.sqrt((94 * 0.95**2 + 88 * 0.83**2) / 182)
    found = tost(first, second, 0.43 * pooled, pooled=True)
    assert found.p_value == pytest.approx(0.0039, abs=5e-5)
    assert (found.low, found.high) == pytest.approx((-0.1880, 0.2480), abs=5e-5)
    assert found.shown


def test_equivalence_by_welch() -> None:
    """OC-STAT-19: the same example without the assumption of equal spread."""
    first, second = spread_about(5.22, 0.83, 89), spread_about(5.25, 0.95, 95)
    found = tost(first, second, 0.43 * math.sqrt((0.95**2 + 0.83**2) / 2))
    error = math.sqrt(0.95**2 / 95 + 0.83**2 / 89)
    assert found.p_value == pytest.approx(stats.t.cdf(-2.693, 181.13), abs=5e-6)
    assert found.high - found.low == pytest.approx(2 * stats.t.ppf(0.95, 181.13) * error, rel=1e-6)


def test_equivalence_of_raw_data() -> None:
    """OC-STAT-20: eight values on a side; the overall p value is the larger of the two."""
    first = [10.1, 9.8, 10.3, 10.0, 9.9, 10.2, 10.1, 9.7]
    second = [10.0, 9.9, 10.2, 10.1, 9.8, 10.3, 10.0, 9.9]
    assert tost(first, second, 0.3, pooled=True).p_value == pytest.approx(0.003969, abs=5e-7)


@pytest.mark.parametrize(("flights", "power"), [(5, 0.07), (10, 0.39), (20, 0.86)])
def test_power_of_equivalence(flights: int, power: float) -> None:
    """The design's table: a band of one standard deviation, no true difference; also by drawing flights."""
    assert tost_power(flights, 1.0, 1.0) == pytest.approx(power, abs=0.005)
    draws = np.random.default_rng(7).normal(size=(2, 20_000, flights))
    assert shown_share(draws, 1.0) == pytest.approx(tost_power(flights, 1.0, 1.0), abs=0.011)


def shown_share(draws: FloatArray, band: float) -> float:
    """How often the interval of pooled differences lies within the band; draws have shape (2, sets, flights)."""
    flights = draws.shape[2]
    difference = draws[1].mean(axis=1) - draws[0].mean(axis=1)
    pooled = np.sqrt(draws.var(axis=2, ddof=1).mean(axis=0) * 2 / flights)
    reach = stats.t.ppf(0.95, 2 * flights - 2) * pooled
    return float(np.mean(np.abs(difference) + reach < band))


def test_flights_that_show_a_difference() -> None:
    """J. Cohen, Statistical Power Analysis, 1988, table 2.4.1 (from memory): d = 0.5, 80 %, two-sided: 64 a side."""
    assert difference_flights(0.8, 0.5, 1.0) == 64


def test_lines_of_the_sequential_test() -> None:
    """OC-STAT-15: A. Wald, Sequential Analysis, 1947: alpha 0.05 with beta 0.10, and both 0.05."""
    assert wald_lines(0.05, 0.10) == pytest.approx((-2.25129, 2.89037), abs=1e-5)
    assert wald_lines(0.05, 0.05) == pytest.approx((-2.94444, 2.94444), abs=1e-5)


def wald_plan(good: float, bad: float) -> SequentialPlan:
    """Wald's own plan for alpha 0.05 and beta 0.10, cut off far away."""
    return SequentialPlan(good, bad, 0.05, 0.10, *wald_lines(0.05, 0.10), longest=5000, most_failed=0)


def test_acceptance_lines_of_the_handbook() -> None:
    """OC-STAT-16: NIST/SEMATECH e-Handbook, sequential sampling: accept and reject by the number of failures."""
    plan = wald_plan(0.01, 0.10)
    each = plan.of_failure - plan.of_pass
    assert plan.accept_at / each == pytest.approx(-0.9389, abs=5e-5)
    assert plan.reject_at / each == pytest.approx(1.2054, abs=5e-5)
    assert -plan.of_pass / each == pytest.approx(0.03975, abs=5e-5)


def test_sequential_test_of_flights() -> None:
    """OC-STAT-17: 14 passes in a row accept and 3 failures in a row reject; Wald's mean lengths are about right."""
    plan = wald_plan(0.05, 0.20)
    assert (plan.of_failure, plan.of_pass) == pytest.approx((1.38629, -0.17185), abs=1e-5)
    passes, failures = plan.walk([False] * 20), plan.walk([True] * 20)
    assert (passes.decision, passes.flights) == ("accept", 14)
    assert (failures.decision, failures.flights) == ("reject", 3)
    lengths = [plan.characteristic(rate).mean_flights for rate in (0.05, 0.20)]
    assert lengths == pytest.approx([21.2, 17.0], rel=0.25)  # Wald leaves out by how much lines are overshot


def test_sequential_test_against_drawn_flights() -> None:
    """Exact error rates and length of a plan against 4,000 drawn series at the bad rate."""
    plan = sequential_plan(0.05, 0.20, 0.05, 0.10)
    draws = np.random.default_rng(3).random((4000, plan.longest)) < 0.20
    steps = [plan.walk(row.tolist()) for row in draws]
    exact = plan.characteristic(0.20)
    assert np.mean([step.decision == "accept" for step in steps]) == pytest.approx(exact.accepts, abs=0.015)
    assert np.mean([step.flights for step in steps]) == pytest.approx(exact.mean_flights, rel=0.03)


def nile() -> FloatArray:
    """The yearly discharge of the Nile at Aswan, 1871 to 1970."""
    from statsmodels.datasets import nile as data

    return np.asarray(data.load().data["volume"], np.float64)


def test_shift_of_the_nile() -> None:
    """G. W. Cobb, The problem of the Nile, Biometrika 65, 1978: the flow dropped after 1898, the 28th year."""
    found = shift(list(nile()), np.random.default_rng(1))
    assert found.position == 28
    assert found.median_after < found.median_before
    assert found.p_value == pytest.approx(1 / 10_000)
    assert pettitt_p_value(found.statistic, 100) < 1e-5


def test_shift_statistic_is_that_of_two_samples() -> None:
    """Pettitt 1979: at each split, his statistic is Mann and Whitney's, which scipy has."""
    series = np.random.default_rng(5).normal(size=30)
    splits = [float(stats.mannwhitneyu(series[:k], series[k:]).statistic) for k in range(1, 30)]
    largest = max(abs(2 * u - k * (30 - k)) for k, u in enumerate(splits, start=1))
    assert shift(list(series), np.random.default_rng(1), resamples=99).statistic == pytest.approx(largest)


def test_holm_step_by_step() -> None:
    """S. Holm, Scand. J. Statist. 6, 1979: the smallest p times 4, the next times 3, and never falling, by hand."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))


@pytest.mark.slow
def test_holm_as_statsmodels_has_it() -> None:
    """Random p values, with ties: the same adjusted values as statsmodels'."""
    from statsmodels.stats.multitest import multipletests

    random = np.random.default_rng(11)
    for number in (1, 5, 12):
        p_values = np.round(random.random(number) ** 2, 2).tolist()
        theirs = multipletests(p_values, method="holm")[1].tolist()
        assert holm(p_values) == pytest.approx(theirs, abs=1e-12)
