"""Serves a built-in vehicle in real time, for any MAVLink client: `asflown vehicle serve`.

Nothing is recorded and nothing is graded; the vehicle flies until the program is told to end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from asflown.clock.kernel import StoppedBySignal
from asflown.clock.paced import PacedClock
from asflown.link.base import Endpoint
from asflown.link.emulated import EmulatedEndpoint
from asflown.link.endpoint import make_endpoint
from asflown.link.profile import load_profile
from asflown.link.radio import Radio
from asflown.link.tcp import TcpListenEndpoint
from asflown.link.udp import UdpListenEndpoint
from asflown.scenario.model import Conditions, Start, VehicleFile
from asflown.url import Url, parse
from asflown.vehicle.base import Vehicle
from asflown.vehicle.bench_controller import BenchController
from asflown.vehicle.registry import open_built_in

_A_WHILE_US = 1_000_000


@dataclass(frozen=True, slots=True)
class Service:
    """What is served, and where."""

    vehicle: VehicleFile
    listen: str
    """A link as `asflown.url` spells it."""
    start: Start
    conditions: Conditions
    seed: int
    radio: str | None = None
    """The profile of a radio between the vehicle and the link; None for none."""
    hil: str | None = None
    """A link for sensors and motors: the flight controller alone is served, and somebody else has the physics."""
    pace: float = 1.0
    """Seconds of flight in a second of wall time."""


def serve(service: Service, on_ready: Callable[[str], None]) -> int:
    """Serves until Ctrl-C or SIGTERM and returns the signal's number; everything is closed then.

    `on_ready` is told the link once it is open, with the port that the system chose if 0 was asked for. Raises
    LinkProblem for a port in use, UsageError for a link that is none, VehicleProblem for a vehicle that is not
    built in.
    """
    url = parse(service.listen)
    clock = PacedClock(rate=service.pace)
    try:
        clock.run(_serve(clock, service, url, on_ready))
    except StoppedBySignal as stop:
        return stop.signal_number
    return 0


async def _serve(clock: PacedClock, service: Service, url: Url, on_ready: Callable[[str], None]) -> None:
    vehicle = _vehicle(clock, service)
    inside = _behind_radio(vehicle.endpoint, clock, service)
    outside = make_endpoint(url, clock, name="client")
    outside.on_frame = inside.send
    inside.on_frame = outside.send
    try:
        outside.open()
        inside.open()
        vehicle.start()
        on_ready(str(_opened(url, outside)))
        while True:
            await clock.sleep_until(clock.now_us() + _A_WHILE_US)
            if not isinstance(vehicle, BenchController):  # nobody looks at what it keeps for a recorder
                vehicle.drain_truth()
                vehicle.drain_state()
    finally:
        vehicle.stop()
        inside.close()
        outside.close()


def _vehicle(clock: PacedClock, service: Service) -> Vehicle | BenchController:
    if service.hil is None:
        return open_built_in(clock, service.vehicle, service.start, service.conditions, service.seed)
    sensors = make_endpoint(parse(service.hil), clock, name="sensors")
    return BenchController(clock, service.vehicle, sensors, service.seed)


def _behind_radio(vehicle: Endpoint, clock: PacedClock, service: Service) -> Endpoint:
    if service.radio is None:
        return vehicle
    profile = load_profile(service.radio)
    up, down = Random(f"radio up {service.seed}"), Random(f"radio down {service.seed}")
    return EmulatedEndpoint(vehicle, Radio(profile, clock, up=up, down=down))


def _opened(url: Url, outside: Endpoint) -> Url:
    if isinstance(outside, UdpListenEndpoint | TcpListenEndpoint):
        return Url(url.kind, host=url.host, port=outside.port)
    return url
