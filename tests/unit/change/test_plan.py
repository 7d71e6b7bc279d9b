"""Plans: what flights of a known spread could show, before they are flown."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from asflown.change.plan import plan
from asflown.change.sets import make_set
from asflown.errors import UsageError
from tests.unit.change.flown import several

VALUES = [0.1, 0.2, 0.3, 0.4, 0.5]


def test_power_for_a_band_of_one_standard_deviation_is_known(tmp_path: Path) -> None:
    """0.07, 0.39 and 0.86 with 5, 10 and 20 flights a side."""
    flights = make_set("it", several(tmp_path, VALUES))
    spread = float(np.std(VALUES, ddof=1))
    (found,) = plan(flights, {"cross_track_p95": spread}, 0.1)
    assert found.spread == pytest.approx(spread)
    assert found.power == pytest.approx((0.069, 0.391, 0.856), abs=2e-3)
    assert found.flights == 18


def test_more_flights_find_smaller_changes(tmp_path: Path) -> None:
    """And the band is a share of the limit where none is named."""
    (found,) = plan(make_set("it", several(tmp_path, VALUES)), {}, 0.1)
    assert found.band == pytest.approx(0.1)
    assert found.smallest[0] > found.smallest[1] > found.smallest[2] > 0


def test_one_flight_is_no_plan(tmp_path: Path) -> None:
    """Its spread is not known."""
    with pytest.raises(UsageError, match="Name at least two"):
        plan(make_set("it", several(tmp_path, [0.1])), {}, 0.1)
