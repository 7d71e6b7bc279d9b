"""Generated turbulence against the Dryden form of MIL-F-8785C (1980), low-altitude model, at three heights.

OC-PHY-16 to -19 by the project's list of outside checks; longer series are in `tests/benchmarks/turbulence_spectra.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, pi, sqrt

import pytest
from scipy.integrate import quad

from tests.benchmarks.turbulence_spectra import (
    AIRSPEED_M_S,
    BANDS,
    HEIGHTS_M,
    PERIOD_S,
    across_density,
    along_density,
    components,
)

SAMPLES = 2**17


@pytest.mark.parametrize("density", [along_density, across_density])
def test_the_forms_carry_unit_variance(density: Callable[[float], float]) -> None:
    """OC-PHY-19: each Dryden spectrum integrates to the variance."""
    assert quad(density, 0.0, inf)[0] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("height_m", HEIGHTS_M)
def test_spectrum_variance_and_length_scale(height_m: float) -> None:
    """OC-PHY-16, -17, -19: within the sampling error of some hundred length scales, at each height, all components."""
    for component in components(height_m, SAMPLES):
        assert component.sigma[0] == pytest.approx(component.sigma[1], rel=0.12), component.name
        assert component.length_m[0] == pytest.approx(component.length_m[1], rel=0.3), component.name
        lengths = SAMPLES * PERIOD_S * AIRSPEED_M_S / component.length_m[1]
        for (low, high), (measured, expected) in zip(BANDS, component.bands, strict=True):
            sampling_error = sqrt(2.0 * pi / ((high - low) * lengths))
            assert measured == pytest.approx(expected, rel=0.04 + 3.0 * sampling_error), component.name
