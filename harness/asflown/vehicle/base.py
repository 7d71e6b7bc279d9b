"""What is flown, behind one interface: the conductor knows no kind of vehicle."""

from __future__ import annotations

from typing import Protocol

from asflown.link.base import Endpoint
from asflown.record.manifest import VehicleRecord

TRUTH_COLUMNS = (
    "time_s",
    "north_m",
    "east_m",
    "down_m",
    "velocity_north_m_s",
    "velocity_east_m_s",
    "velocity_down_m_s",
    "roll_rad",
    "pitch_rad",
    "yaw_rad",
    "roll_rate_rad_s",
    "pitch_rate_rad_s",
    "yaw_rate_rad_s",
    "battery",
    "on_ground",
    "armed",
)
"""Columns of truth.npy (float64, 100 Hz). Position about the true home; battery 0 to 1; flags 0 or 1."""


class Vehicle(Protocol):
    """A vehicle that can be flown once. `endpoint` carries its MAVLink."""

    endpoint: Endpoint
    lockstep: bool
    """Whether it can run on a virtual clock."""

    def record(self) -> VehicleRecord:
        """What the manifest says of it."""

    def start(self) -> None:
        """Powers up: from now on it acts by the clock it was given. Raises VehicleProblem."""

    def drain_truth(self) -> bytes:
        """Rows of float64 in the order of TRUTH_COLUMNS since the last call; empty where truth is not known."""

    def drain_state(self) -> bytes:
        """The unquantised plant state at each step since the last call, for the digest; empty if there is none."""

    def stop(self) -> None:
        """Powers down and frees everything; harmless when called twice."""
