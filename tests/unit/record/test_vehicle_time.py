"""The vehicle's clock against the harness's: offset, drift, reboots, and delays that are none of them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from asflown.record.vehicle_time import vehicle_time

EPOCH_US = 1_735_689_600_000_000


def table(arrived_us: npt.NDArray[np.int64], boot_ms: npt.NDArray[np.int64]) -> npt.NDArray[np.void]:
    """Messages stamped by the vehicle, by their arrival in flight time."""
    rows = np.zeros(len(arrived_us), dtype=[("time_us", "<i8"), ("time_boot_ms", "<u4")])
    rows["time_us"], rows["time_boot_ms"] = arrived_us + EPOCH_US, boot_ms
    return rows


def clocked(
    minutes: float, too_fast: float, delay_us: npt.NDArray[np.int64] | int = 3000, hz: int = 10
) -> tuple[npt.NDArray[np.void], npt.NDArray[np.float64]]:
    """Messages of a clock that gains `too_fast` of itself, booted 20 s before; and their true flight times."""
    true_s = np.arange(0, minutes * 60, 1 / hz)
    boot_ms = np.round((true_s + 20) * (1 + too_fast) * 1000).astype(np.int64)
    arrived_us = np.maximum.accumulate(
        np.round(true_s * 1e6).astype(np.int64) + delay_us
    )  # nothing overtakes
    return table(arrived_us, boot_ms), true_s


def worst_s(rows: npt.NDArray[np.void], true_s: npt.NDArray[np.float64]) -> float:
    """How far the placed messages are from when they were sent, their shortest delay of 3 ms apart."""
    clock = vehicle_time([rows], EPOCH_US)
    assert clock is not None
    placed_s = clock.flight_time_s(rows["time_us"], rows["time_boot_ms"])
    return float(np.abs(placed_s - true_s - 0.003).max())


@pytest.mark.parametrize("too_fast", [-200e-6, -40e-6, 40e-6, 200e-6, 2e-3])
def test_a_clock_that_gains_or_loses_is_set_right(too_fast: float) -> None:
    """After 20 minutes at 200 ppm a stamp would be 0.24 s off; set right it is good to a few milliseconds."""
    assert worst_s(*clocked(20, too_fast)) < 0.003


def test_jitter_of_the_link_is_no_drift() -> None:
    """Delays of up to 80 ms at random leave the clock as it is, to the last bit."""
    delay_us = 3000 + np.random.default_rng(1).integers(0, 80_000, 12_000)
    clock = vehicle_time([clocked(20, 0.0, delay_us)[0]], EPOCH_US)
    assert clock is not None
    assert clock.drift.tolist() == [0.0]


def test_drift_shows_through_jitter() -> None:
    """The same delays on a clock that gains 200 ppm: it is set right to within the usual delay."""
    delay_us = 3000 + np.random.default_rng(1).integers(0, 80_000, 12_000)
    rows, _ = clocked(20, 200e-6, delay_us)
    clock = vehicle_time([rows], EPOCH_US)
    assert clock is not None
    assert clock.drift[0] == pytest.approx(-200e-6, rel=0.05)


def test_a_link_that_clogs_for_a_while_is_no_drift() -> None:
    """Two minutes in which everything comes two seconds late do not bend the rest."""
    delay_us = np.full(12_000, 3000)
    delay_us[3000:4200] += 2_000_000
    assert worst_s(*clocked(20, 0.0, delay_us)) < 0.001


def test_short_flights_are_left_alone() -> None:
    """In half a minute no drift can be told, and none is."""
    clock = vehicle_time([clocked(0.5, 200e-6)[0]], EPOCH_US)
    assert clock is not None
    assert clock.drift.tolist() == [0.0]


def test_each_boot_has_its_own_clock() -> None:
    """A reboot in the middle: stamps of both lives are placed by their own offset."""
    first, _ = clocked(2, 0.0)
    second = first.copy()
    second["time_us"] += 130_000_000
    rows = np.concatenate([first, second])
    clock = vehicle_time([rows], EPOCH_US)
    assert clock is not None
    placed_s = clock.flight_time_s(rows["time_us"], rows["time_boot_ms"])
    np.testing.assert_allclose(placed_s, (rows["time_us"] - EPOCH_US) / 1e6, atol=0.001)
