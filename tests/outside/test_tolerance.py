"""Tolerance limits against published tables, section 6 of the outside checks."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from asflown.grade.statistics import flights_needed
from asflown.grade.statistics.tolerance import normal_factor

# OC-STAT-04, OC-STAT-05: ISO 16269-6 tables, content 95 %, confidence 95 %.
ONE_SIDED = {3: 7.656, 5: 4.203, 10: 2.911, 15: 2.566, 20: 2.396, 30: 2.220, 50: 2.065, 100: 1.927}
TWO_SIDED = {5: 5.077, 10: 3.393, 15: 2.965, 20: 2.760, 30: 2.555, 50: 2.382, 100: 2.234}
# Berthouex & Brown, Statistics for Environmental Engineers, ch. 21: the same to two decimals.
TWO_DECIMALS = {5: 5.08, 10: 3.39, 15: 2.96, 20: 2.76, 30: 2.55}


@pytest.mark.parametrize(("flights", "factor"), ONE_SIDED.items())
def test_one_sided_factors(flights: int, factor: float) -> None:
    """OC-STAT-04: ISO 16269-6, one-sided 95/95."""
    assert normal_factor(flights, 0.95, 0.95, two_sided=False) == pytest.approx(factor, abs=0.0006)


@pytest.mark.parametrize(("flights", "factor"), TWO_SIDED.items())
def test_two_sided_factors(flights: int, factor: float) -> None:
    """OC-STAT-05: ISO 16269-6, two-sided 95/95, exact."""
    assert normal_factor(flights, 0.95, 0.95, two_sided=True) == pytest.approx(factor, abs=0.0006)


@pytest.mark.parametrize(("flights", "factor"), TWO_DECIMALS.items())
def test_two_sided_factors_of_a_textbook(flights: int, factor: float) -> None:
    """OC-STAT-05: the two-decimal table; it cuts 2.965 and 2.555, so a hundredth is allowed."""
    assert normal_factor(flights, 0.95, 0.95, two_sided=True) == pytest.approx(factor, abs=0.0051)


def test_worked_example_of_the_handbook() -> None:
    """OC-STAT-01, OC-STAT-03: NIST/SEMATECH e-Handbook 7.2.6.3, n = 43, 90 % with 99 %; two-sided by integration."""
    assert normal_factor(43, 0.90, 0.99, two_sided=False) == pytest.approx(1.873954, abs=1e-6)
    assert normal_factor(43, 0.90, 0.99, two_sided=True) == pytest.approx(2.222825, abs=1e-5)


def test_worked_example_with_40_values() -> None:
    """OC-STAT-07: C. Zaiontz, Real Statistics, n = 40, 90 % with 99 %, by the noncentral t distribution."""
    assert normal_factor(40, 0.90, 0.99, two_sided=False) == pytest.approx(1.9017, abs=5e-5)


@pytest.mark.parametrize(
    ("coverage", "confidence", "one_sided", "two_sided"),
    [(0.95, 0.95, 59, 93), (0.90, 0.95, 29, 46), (0.95, 0.99, 90, 130), (0.99, 0.95, 299, 473)],
)
def test_flights_that_distribution_free_limits_take(
    coverage: float, confidence: float, one_sided: int, two_sided: int
) -> None:
    """OC-STAT-08, OC-STAT-09: Wilks, Ann. Math. Stat. 12, 1941."""
    assert flights_needed(coverage, confidence) == one_sided
    assert flights_needed(coverage, confidence, side="both") == two_sided


def test_flights_when_the_largest_values_are_left_out() -> None:
    """OC-STAT-10: the 1st to 5th largest value as the one-sided 95/95 limit."""
    assert [flights_needed(0.95, 0.95, left_out=k) for k in range(5)] == [59, 93, 124, 153, 181]


def howe(flights: int, coverage: float, confidence: float) -> float:
    """W. G. Howe's approximation (JASA 64, 1969) of the two-sided factor."""
    normal = stats.norm.ppf((1 + coverage) / 2)
    chi2 = stats.chi2.ppf(1 - confidence, flights - 1)
    return float(normal * math.sqrt((flights - 1) * (1 + 1 / flights) / chi2))


def test_exact_factors_where_an_approximation_is_off() -> None:
    """OC-STAT-02, OC-STAT-06: Howe's factor is near for 43 values, and visibly off for 10 and 3."""
    assert howe(43, 0.90, 0.99) == pytest.approx(2.217316, abs=1e-6)
    assert howe(10, 0.95, 0.95) == pytest.approx(3.3819, abs=5e-5)
    assert howe(3, 0.95, 0.95) == pytest.approx(9.993, abs=5e-3)
    assert normal_factor(10, 0.95, 0.95, two_sided=True) == pytest.approx(3.3934, abs=5e-5)
    assert normal_factor(3, 0.95, 0.95, two_sided=True) == pytest.approx(9.789, abs=5e-4)
