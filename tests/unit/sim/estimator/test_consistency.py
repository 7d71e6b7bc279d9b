"""The estimator is as sure as it should be; `tests/benchmarks/estimator_consistency.py` flies many more seeds."""

from __future__ import annotations

import numpy as np
import pytest

from asflown.sim.airframe import AIRFRAMES
from tests.benchmarks.estimator_consistency import CASES, fly

pytestmark = pytest.mark.slow

SEEDS = range(101, 106)
WHITE, AS_THEY_ARE = CASES[:2]


@pytest.mark.parametrize("airframe", list(AIRFRAMES))
def test_normalised_errors_are_as_large_as_they_should_be(airframe: str) -> None:
    """White noise: fifteen looks at position, velocity and attitude average three each, within chi-square bounds.

    The bounds are those of 5 independent flights at 99.9 %: looks at one flight are not independent.
    """
    looks = [sample for seed in SEEDS for sample in fly(airframe, WHITE, seed)]
    for part in range(3):
        assert 0.70 < np.mean([sample.nees[part] for sample in looks]) < 7.54
    assert 1.73 < np.mean([sample.nis for sample in looks]) < 10.5


@pytest.mark.parametrize("airframe", list(AIRFRAMES))
def test_the_stated_accuracy_holds_the_true_place(airframe: str) -> None:
    """With sensors as they are: most looks within the stated 95 % radius, all within twice that."""
    looks = [sample for seed in SEEDS for sample in fly(airframe, AS_THEY_ARE, seed)]
    assert np.mean([sample.off_m < sample.stated_m for sample in looks]) > 0.8
    assert all(sample.off_m < 2.0 * sample.stated_m for sample in looks)
