"""What is flown, behind one interface: the conductor knows no kind of vehicle."""

from __future__ import annotations

from typing import Protocol

from asflown.link.base import Endpoint
from asflown.record.manifest import VehicleRecord


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
        """Rows of float64 in the order of record.truth.TRUTH_COLUMNS since the last call.

        Empty where truth is not known.
        """

    def drain_state(self) -> bytes:
        """The unquantised plant state at each step since the last call, for the digest; empty if there is none."""

    def work_ahead(self) -> None:
        """Does work that depends on nobody while the script runs; makes no difference to any result."""

    def stop(self) -> None:
        """Powers down and frees everything; harmless when called twice."""
