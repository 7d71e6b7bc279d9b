"""The conductor's side of a keeper: it hears what the hub there passes on, and asks for what it wants done.

Nothing here is needed to keep the vehicle safe: if this process ends, the keeper acts by itself.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

from asflown.clock.paced import PacedClock
from asflown.errors import FlightError, VehicleProblem
from asflown.flight.private_place import PrivatePlace
from asflown.link import wire
from asflown.link.udp import UdpListenEndpoint
from asflown.url import LOOPBACK, Url
from asflown.vehicle.keeper_client import KeeperClient, start_keeper
from asflown.vehicle.keeper_order import KeeperOrder

OWN_STATION = "conductor"
FrameHook = Callable[[int, bytes], None]


class KeptLink:
    """A keeper started for one flight, with a station of our own at its hub."""

    def __init__(self, clock: PacedClock, make_order: Callable[[Path], KeeperOrder], system: int) -> None:
        """`make_order` is given a place for the control socket; frames of `system` are what the vehicle says.

        Raises LinkProblem when the keeper cannot have the vehicle's port, VehicleProblem when it goes at once.
        """
        self._clock, self._system = clock, system
        self.on_vehicle_frame: list[FrameHook] = []
        self.on_script_frame: list[FrameHook] = []
        """Never called: the script's frames pass the keeper alone, which counts them."""
        self.on_safety: Callable[[str, str], None] = lambda what, cause: None
        self.problem: FlightError | None = None
        """Why it cannot go on, if so."""
        self.taken = False
        """Whether a pilot has taken over."""
        self.is_over = False
        """Whether the keeper has closed, or gone."""
        self._is_done = False
        self.counted: dict[str, int] = {}
        self._place = PrivatePlace()
        with contextlib.ExitStack() as opened:
            opened.callback(self._place.close)
            self._order = make_order(self._place.path / "control")
            self._process = start_keeper(self._order)
            self._client = KeeperClient(self._order.control)
            opened.callback(self._client.close)
            self._client.on_news, self._client.on_lost = self._news, self._lost
            self._client.watch(clock)
            self._ear = UdpListenEndpoint(Url("udp-listen", host=LOOPBACK), clock, OWN_STATION)
            self._ear.on_frame = self._heard
            opened.callback(self._ear.close)
            self._ear.open()
            self.attach(f"udp://{LOOPBACK}:{self._ear.port}", OWN_STATION, "station")
            opened.pop_all()

    def attach(self, url: str, name: str, role: Literal["script", "station"]) -> None:
        """Adds a party at the keeper's hub. Raises VehicleProblem when it refuses."""
        self._client.request("attach", url=url, name=name, role=role, access="full")

    def say(self, frame: bytes) -> None:
        """Sends a frame to the vehicle, as a station."""
        self._ear.send(frame)

    def cut_off(self, role: Literal["script"] = "script") -> None:
        """Passes nothing of the script on any more."""
        self._ask("cut-off", role=role)

    def event(self, kind: str, facts: dict[str, Any]) -> None:
        """Has an event recorded beside the captures."""
        self._ask("event", kind=kind, facts=facts)

    def script(self, phase: Literal["started", "ended", "left", "may-arm"], says: str = "") -> None:
        """Tells the guard how the script fares."""
        self._ask("script", **{"is": phase, "says": says})

    def counters(self) -> dict[str, int]:
        """Of the keeper's hub, as it closed."""
        return self.counted

    def close(self) -> None:
        """Says that the flight is done, and waits until the keeper has closed; it lands a vehicle that still flies."""
        self._is_done = True
        if not self.is_over:
            self._ask("done")
        while not self.is_over and self._client.wait(self._order.longest_end_s):
            pass
        self._ear.close()
        self._client.close()
        with contextlib.suppress(Exception):
            self._process.wait(self._order.longest_end_s)
        self._place.close()

    def _ask(self, do: Any, **facts: Any) -> None:
        """Asks, unless the keeper has gone: then that is the problem, and not this."""
        if self.is_over:
            return
        try:
            self._client.request(do, **facts)
        except VehicleProblem as problem:
            self.problem = self.problem or problem

    def _heard(self, frame: bytes) -> None:
        if wire.system_id(frame) != self._system and wire.message_id(frame) not in _OF_RADIO_OR_ANYBODY:
            return
        now_us = self._clock.now_us()
        for hook in self.on_vehicle_frame:
            hook(now_us, frame)

    def _news(self, news: dict[str, Any]) -> None:
        kind = news.get("is")
        if kind == "standing":
            self.taken = bool(news.get("taken"))
        elif kind == "safety":
            self.on_safety(str(news["what"]), str(news["cause"]))
        elif kind == "capture-failed":
            self.problem = self.problem or FlightError(
                str(news["problem"]), "The vehicle was brought down for it"
            )
        elif kind == "closed":
            self.counted, self.is_over = dict(news["counters"]), True
            if not self._is_done:
                self.problem = self.problem or _ended_from_outside(stands=bool(news.get("down")))

    def _lost(self) -> None:
        if not self.is_over:
            self.problem = self.problem or VehicleProblem(
                "the keeper of the vehicle has gone", "Look at the vehicle first; then at what was recorded"
            )
        self.is_over = True


def _ended_from_outside(*, stands: bool) -> VehicleProblem:
    how = "brought the vehicle down" if stands else "left the vehicle as it was"
    return VehicleProblem(
        f"the keeper of the vehicle was ended from outside, and {how}",
        "Look at the vehicle first; then at who ended it",
    )


_OF_RADIO_OR_ANYBODY = frozenset((0, 109))
"""HEARTBEAT, to hear who else is there, and RADIO_STATUS."""
