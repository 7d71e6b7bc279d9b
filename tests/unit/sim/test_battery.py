"""The battery: voltage by charge, and the vehicle's own count."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.sim.battery import Battery, CellCurve, cell_voltage_v
from asflown.sim.seeds import generator


@given(st.floats(-0.1, 1.1), st.floats(-0.1, 1.1))
def test_more_charge_never_means_less_voltage(one: float, other: float) -> None:
    """The open-circuit curve rises with charge everywhere."""
    low, high = sorted((one, other))
    assert cell_voltage_v(low) <= cell_voltage_v(high)


@pytest.mark.parametrize(("share", "voltage"), [(-1.0, 1.0), (0.0, 3.0), (0.5, 3.83), (1.0, 4.2), (2.0, 4.2)])
def test_cell_voltage(share: float, voltage: float) -> None:
    """Points of the curve, between points, and outside."""
    assert cell_voltage_v(share) == pytest.approx(voltage)


def test_the_gauge_is_off_by_its_sensor() -> None:
    """With a gain error the believed charge moves away from the true one in proportion to what was drawn."""
    battery = Battery(4, 3.0, 1.0, gauge_error=0.05, generator=generator(3, "battery"))
    gain = battery.measured_a(1.0)
    battery.draw(10.0, 540.0)
    assert gain != pytest.approx(1.0, abs=1e-3)
    assert battery.remaining == pytest.approx(0.5)
    assert battery.gauge_remaining == pytest.approx(1.0 - 0.5 * gain)
    assert battery.open_circuit_v == pytest.approx(4 * 3.83)


def test_shares_stay_within_bounds() -> None:
    """Drawn empty and further, what is left is 0, and the voltage breaks down."""
    battery = Battery(1, 0.25, 0.2, gauge_error=0.0, generator=generator(1, "battery"))
    battery.draw(5.0, 60.0)
    assert (battery.remaining, battery.gauge_remaining) == (0.0, 0.0)
    assert battery.open_circuit_v < 3.0


@given(st.lists(st.floats(-0.1, 1.1), min_size=1, max_size=20))
def test_a_curve_gives_the_same_wherever_it_looked_before(shares: list[float]) -> None:
    """What is remembered of the last look is never seen."""
    curve = CellCurve()
    assert [curve.voltage_v(share) for share in shares] == [cell_voltage_v(share) for share in shares]
