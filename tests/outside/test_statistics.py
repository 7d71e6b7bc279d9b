"""Statistics against published tables, section 6 of the outside checks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from asflown.grade.leg_measures import percentile_95
from asflown.grade.statistics import further_flights, share_at_least, share_at_most

# OC-STAT-11: Newcombe, Statistics in Medicine 17, 1998, Table I, exact method: two-sided 95 %, so 97.5 % each side.
NEWCOMBE = {
    "81 of 263": (81, 263, 0.2527, 0.3676),
    "15 of 148": (15, 148, 0.0578, 0.1617),
    "0 of 20": (0, 20, 0.0, 0.1684),
    "1 of 29": (1, 29, 0.0009, 0.1776),
}


@pytest.mark.parametrize(("passed", "flights", "low", "high"), NEWCOMBE.values(), ids=NEWCOMBE.keys())
def test_clopper_pearson(passed: int, flights: int, low: float, high: float) -> None:
    """OC-STAT-11: both ends of the interval, also by scipy's own."""
    ours = share_at_least(passed, flights, 0.975), share_at_most(passed, flights, 0.975)
    assert ours == pytest.approx((low, high), abs=5e-5)
    theirs = stats.binomtest(passed, flights).proportion_ci(0.95, method="exact")
    assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@pytest.mark.parametrize(("flights", "bound"), [(20, 0.8609), (59, 0.9505)])
def test_all_flights_passed(flights: int, bound: float) -> None:
    """OC-STAT-13: 0.05^(1/n) is the one-sided 95 % bound when all passed."""
    assert share_at_least(flights, flights, 0.95) == pytest.approx(bound, abs=5e-5)
    assert share_at_least(flights, flights, 0.95) == pytest.approx(0.05 ** (1 / flights), rel=1e-12)


def test_fewest_passes_that_show_95_percent() -> None:
    """OC-STAT-13: 59 passes are the fewest that show 95 % with confidence 95 %."""
    assert further_flights(0, 0, 0.95, 0.95)[0] == 59
    assert further_flights(20, 20, 0.95, 0.95)[0] == 39


def test_rule_of_three() -> None:
    """OC-STAT-14: without a failure in n flights, the exact 95 % bound of the failure rate beside 3/n."""
    exact = [1 - share_at_least(n, n, 0.95) for n in (10, 30, 100, 300)]
    assert exact == pytest.approx([0.2589, 0.0950, 0.0295, 0.00994], abs=5e-5)


def test_percentile_rule() -> None:
    """OC-STAT-22: the 95th percentile of 1 to 20 by linear interpolation (Hyndman & Fan type 7) is 19.05."""
    assert percentile_95(np.arange(1.0, 21.0)) == pytest.approx(19.05, abs=1e-12)
