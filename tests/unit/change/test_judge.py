"""Differences of two samples: held against the statistics of the package and of scipy, and laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from asflown.change.judge import EQUIVALENCE_LEVEL, Difference, flights_for_equivalence, paired, unpaired
from asflown.grade.statistics import tost, tost_flights, tost_power

A = [10.1, 9.8, 10.3, 10.0, 9.9, 10.2, 10.1, 9.7]
B = [10.0, 9.9, 10.2, 10.1, 9.8, 10.3, 10.0, 9.9]
NUMBERS = st.lists(st.floats(-100, 100).map(lambda x: round(x, 3)), min_size=2, max_size=12)


def test_independent_samples_are_judged_as_the_package_does() -> None:
    """Welch's test, its interval and its two one-sided tests."""
    found = unpaired(A, B)
    known = tost(A, B, 0.3)
    assert found is not None
    assert found.p_equivalent(0.3) == pytest.approx(known.p_value, rel=1e-9)
    assert found.interval() == pytest.approx((known.low, known.high), rel=1e-9)
    assert found.p_changed() == pytest.approx(float(stats.ttest_ind(B, A, equal_var=False).pvalue), rel=1e-9)


def test_twins_are_judged_by_their_differences() -> None:
    """The paired t-test, of which scipy has the two-sided form and the one-sided ones."""
    found = paired(A, B)
    assert found is not None
    assert found.p_changed() == pytest.approx(float(stats.ttest_rel(B, A).pvalue), rel=1e-9)
    apart = np.subtract(B, A)
    sides = [
        float(stats.ttest_1samp(apart, -0.2, alternative="greater").pvalue),
        float(stats.ttest_1samp(apart, 0.2, alternative="less").pvalue),
    ]
    assert found.p_equivalent(0.2) == pytest.approx(max(sides), rel=1e-9)


@pytest.mark.parametrize("flights", [5, 10, 20])
def test_power_is_that_of_the_package(flights: int) -> None:
    """For a band of one standard deviation: 0.07, 0.39 and 0.86."""
    known = Difference(0.0, (2 / flights) ** 0.5, 2 * flights - 2)
    assert known.power_of_equivalence(1.0) == pytest.approx(tost_power(flights, 1.0, 1.0), abs=2e-3)


def test_flights_needed_are_those_of_the_package() -> None:
    """The fewest with a power of 0.8; none where no number would do."""
    assert flights_for_equivalence(1.0, 1.0) == tost_flights(0.8, 1.0, 1.0)
    assert flights_for_equivalence(0.001, 1.0) is None


def test_the_smallest_change_found_is_found_four_times_in_five() -> None:
    """By the noncentral t: the power at that change is 0.8."""
    known = Difference(0.0, 0.5, 18)
    size = known.smallest_found(0.05)
    power = float(stats.nct.sf(stats.t.isf(0.025, 18), 18, size / 0.5))
    assert power == pytest.approx(0.8, abs=1e-3)


@given(NUMBERS, NUMBERS, st.floats(0.01, 50))
def test_equivalence_is_shown_when_the_interval_lies_in_the_band(
    a: list[float], b: list[float], band: float
) -> None:
    """At the same level, both say the same (Schuirmann 1987)."""
    found = unpaired(a, b)
    assert found is not None
    low, high = found.interval()
    on_the_edge = min(abs(abs(low) - band), abs(abs(high) - band)) <= 1e-6  # there, rounding decides
    if found.standard_error > 0 and not on_the_edge:
        inside = -band < low and high < band
        assert (found.p_equivalent(band) < EQUIVALENCE_LEVEL) is inside


def test_numbers_that_happen_not_to_vary_are_worth_what_so_many_are() -> None:
    """Three against three fall so by chance in 2 of 20 ways; four differences to one side in 2 of 16."""
    same, other = unpaired([2.0] * 3, [2.0] * 3), unpaired([2.0] * 3, [2.2] * 3)
    twins = paired([2.0] * 4, [2.5] * 4)
    assert same is not None
    assert other is not None
    assert twins is not None
    assert (same.mean, same.p_changed(), same.p_equivalent(0.1)) == (0.0, 1.0, 0.05)
    assert (other.p_changed(), other.p_equivalent(0.1)) == (0.1, 1.0)
    assert (twins.p_changed(), twins.p_equivalent(1.0)) == (0.125, 0.0625)


def test_one_number_tells_nothing() -> None:
    """No spread is known."""
    assert unpaired([1.0], [1.0, 2.0]) is None
    assert paired([1.0], [2.0]) is None
