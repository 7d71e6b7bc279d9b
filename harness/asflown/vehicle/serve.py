"""Serves a built-in vehicle in real time, for any MAVLink client: `asflown vehicle serve`.

Nothing is recorded and nothing is graded; the vehicle flies until the program is told to end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from asflown.clock.kernel import StoppedBySignal
from asflown.clock.paced import PacedClock
from asflown.link.base import Endpoint
from asflown.link.endpoint import make_endpoint
from asflown.link.tcp import TcpListenEndpoint
from asflown.link.udp import UdpListenEndpoint
from asflown.scenario.model import Conditions, Start, VehicleFile
from asflown.url import Url, parse
from asflown.vehicle.registry import open_built_in

_A_WHILE_US = 3_600_000_000


@dataclass(frozen=True, slots=True)
class Service:
    """What is served, and where."""

    vehicle: VehicleFile
    listen: str
    """A link as `asflown.url` spells it."""
    start: Start
    conditions: Conditions
    seed: int


def serve(service: Service, on_ready: Callable[[str], None]) -> int:
    """Serves until Ctrl-C or SIGTERM and returns the signal's number; everything is closed then.

    `on_ready` is told the link once it is open, with the port that the system chose if 0 was asked for. Raises
    LinkProblem for a port in use, UsageError for a link that is none, VehicleProblem for a vehicle that is not
    built in.
    """
    url = parse(service.listen)
    clock = PacedClock()
    try:
        clock.run(_serve(clock, service, url, on_ready))
    except StoppedBySignal as stop:
        return stop.signal_number
    return 0


async def _serve(clock: PacedClock, service: Service, url: Url, on_ready: Callable[[str], None]) -> None:
    vehicle = open_built_in(clock, service.vehicle, service.start, service.conditions, service.seed)
    outside = make_endpoint(url, clock, name="client")
    outside.on_frame = vehicle.endpoint.send
    vehicle.endpoint.on_frame = outside.send
    try:
        outside.open()
        vehicle.endpoint.open()
        vehicle.start()
        on_ready(str(_opened(url, outside)))
        while True:
            await clock.sleep_until(clock.now_us() + _A_WHILE_US)
    finally:
        vehicle.stop()
        outside.close()


def _opened(url: Url, outside: Endpoint) -> Url:
    if isinstance(outside, UdpListenEndpoint | TcpListenEndpoint):
        return Url(url.kind, host=url.host, port=outside.port)
    return url
