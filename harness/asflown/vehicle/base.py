"""What is flown, behind one interface: the conductor knows no kind of vehicle."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from asflown.errors import VehicleProblem
from asflown.link.base import Endpoint
from asflown.record.manifest import VehicleRecord
from asflown.url import parse


class Vehicle(Protocol):
    """A vehicle that can be flown once. `endpoint` carries its MAVLink."""

    endpoint: Endpoint
    lockstep: bool
    """Whether it can run on a virtual clock."""

    heartbeat_within_s: float
    """How long after power-up an autopilot's heartbeat is waited for."""

    def record(self) -> VehicleRecord:
        """What the manifest says of it."""

    def start(self) -> None:
        """Powers up: from now on it acts by the clock it was given. Raises VehicleProblem."""

    def check(self) -> bool:
        """Whether it is ready as far as it can be known without its MAVLink; asked now and then, also in flight.

        Raises VehicleProblem when it cannot fly any more.
        """

    def unheard(self) -> VehicleProblem:
        """What to say when no heartbeat came within its time."""

    def drain_truth(self) -> bytes:
        """Rows of float64 in the order of record.truth.TRUTH_COLUMNS since the last call.

        Empty where truth is not known.
        """

    def drain_state(self) -> bytes:
        """The unquantised plant state at each step since the last call, for the digest; empty if there is none."""

    def work_ahead(self, quiet_until_us: int) -> bool:
        """Does a piece of work while the script runs, which makes no difference to any result; whether there is more.

        No frame reaches the vehicle before flight time `quiet_until_us`, whatever anybody says from now on.
        """

    def stop(self) -> None:
        """Powers down and frees everything; harmless when called twice."""


def nothing_heard(within_s: float) -> VehicleProblem:
    """What there is to say of a vehicle that nothing else is known of."""
    return VehicleProblem(
        f"no heartbeat of an autopilot within {within_s:g} s",
        "Check that the vehicle is powered and that the link in its file leads to it",
    )


def fell_silent(since_us: int, *links: str | None) -> VehicleProblem:
    """What there is to say of a vehicle that was heard, and is not any more; `links` as its file has them."""
    problem = f"the vehicle was lost: no heartbeat since {since_us / 1e6:.1f} s"
    for url in (parse(link) for link in links if link is not None):
        if url.kind == "serial" and not Path(url.path).exists():
            return VehicleProblem(
                f"{problem}, and there is no serial port {url.path} any more",
                "Look at the vehicle first, then at its cable; what was recorded until then is kept",
            )
    return VehicleProblem(problem, "Look at its power and its link; what was recorded until then is kept")
