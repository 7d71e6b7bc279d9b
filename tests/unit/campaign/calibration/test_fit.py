"""Tests of fitting thrust and drag to captures whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.campaign.calibration.fit import fit
from asflown.campaign.calibration.predict import prediction_error
from asflown.errors import FolderProblem
from tests.unit.campaign.calibration.made_up import capture, consistent, flight


@settings(max_examples=8, deadline=None)
@given(
    thrust=st.floats(0.8, 1.3),
    drag=st.floats(0.4, 2.5),
    north=st.floats(-1.5, 1.5),
    east=st.floats(-1.5, 1.5),
)
def test_what_the_model_made_is_found_again(thrust: float, drag: float, north: float, east: float) -> None:
    """Without noise, thrust, drag and wind come out as they went in, up to how finely motion is sampled."""
    found = fit([flight(consistent(capture(), thrust, drag, (north, east)))])
    assert found.thrust.value == pytest.approx(thrust, rel=0.01)
    assert found.drag.value == pytest.approx(drag, rel=0.03, abs=0.01)
    assert found.nuisance[0][:2] == pytest.approx((north, east), abs=0.15)


def test_noise_widens_the_interval() -> None:
    """The same flight with unexplained forces has a wider interval, which still holds the truth."""
    clean, noisy = (fit([flight(consistent(capture(), 0.9, 1.5, noise_m_s2=noise))]) for noise in (0.0, 1.0))
    assert noisy.drag.half > 1.3 * clean.drag.half
    assert noisy.drag.low <= 1.5 <= noisy.drag.high
    assert noisy.thrust.low <= 0.9 <= noisy.thrust.high


def test_more_flights_narrow_the_interval() -> None:
    """Four flights say more than one of them."""
    flights = [flight(consistent(capture(seed), 0.9, 1.5, noise_m_s2=1.0)) for seed in range(4)]
    assert fit(flights).drag.half < fit(flights[:1]).drag.half


def test_a_short_flight_is_refused_with_what_would_do() -> None:
    """Too few blocks have no interval."""
    with pytest.raises(FolderProblem, match="too short") as problem:
        fit([flight(consistent(capture(seconds=45), 1.0, 1.0))])
    assert "60 s" in problem.value.remedy


def test_a_held_out_flight_is_predicted_best_by_its_own_numbers() -> None:
    """The error of prediction is smallest for the truth, and grows to both sides."""
    held = flight(consistent(capture(3), 0.9, 1.5))
    truth, nominal, beyond = (
        prediction_error(held, *shares) for shares in ((0.9, 1.5), (1.0, 1.0), (0.8, 2.0))
    )
    assert truth.level_m_s < 0.3 * min(nominal.level_m_s, beyond.level_m_s)
    assert truth.upright_m_s < 0.3 * min(nominal.upright_m_s, beyond.upright_m_s)
    assert np.isfinite(truth.level_m_s)
