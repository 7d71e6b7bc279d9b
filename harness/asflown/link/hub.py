"""The hub: owns the vehicle's endpoint and fans it out to the script, to stations and to the recorder.

Frames are recorded at the hub: what comes down behind the emulated radio, what goes up before it. Nothing is ever
repacked or renumbered, and nothing goes back to where it came from.

Who gets a frame: all the others, when it has no target or target system 0, or when its message is not known; else only
those from whom that system (and component, unless that is 0) has been heard. Up to the vehicle, frames take the order
of `priority` whenever the radio is busy.

Frames of the harness itself (`inject`) go to the vehicle alone. They are recorded at the station tap, each with an
event `injected` that tells its stamp and source, so that all that went up is in some tap.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, Literal, Protocol

from asflown.clock.base import Clock
from asflown.errors import HarnessFault
from asflown.link import wire
from asflown.link.base import Endpoint
from asflown.link.priority import Level, classify
from asflown.link.radio import Radio
from asflown.link.routes import Routes
from asflown.link.uplink import Uplink

Role = Literal["script", "station"]
Tap = Literal["vehicle", "script", "station"]
OwnSource = Literal["guard", "harness"]
FrameHook = Callable[[int, bytes], None]
"""Called with flight time in microseconds and the frame, when it is recorded and before it is passed on."""

_OWN_PARTIES: dict[OwnSource, int] = {"guard": -1, "harness": -2}
_DROP_EVENT_INTERVAL_US = 1_000_000


class FrameRecorder(Protocol):
    """What the hub needs of the flight's recorder."""

    def frame(self, tap: Tap, now_us: int, frame: bytes) -> int:
        """Records a frame seen at `tap`; returns its stamp."""

    def event(self, now_us: int, kind: str, **facts: Any) -> None:
        """Records that something happened."""


class _Party:
    """A script or station at the hub."""

    __slots__ = ("endpoint", "number", "role", "routes", "unroutable", "withheld")

    def __init__(self, endpoint: Endpoint, role: Role, number: int) -> None:
        self.endpoint, self.role, self.number = endpoint, role, number
        self.routes = Routes()
        self.withheld = 0
        """Frames heard after it was cut off: recorded and not passed on."""
        self.unroutable = 0
        """Frames for a system or component that nobody has heard of."""


class Hub:
    """Passes frames between one vehicle and any number of parties. All calls come on the clock's thread."""

    def __init__(self, clock: Clock, recorder: FrameRecorder, vehicle: Endpoint, radio: Radio | None) -> None:
        """`vehicle` is opened by `start`; `radio` stands in front of it, None where a real one does."""
        self._clock, self._recorder, self._vehicle, self._radio = clock, recorder, vehicle, radio
        self._parties: list[_Party] = []
        self._numbers = 0
        self._vehicle_routes = Routes()
        self._vehicle_unroutable = 0
        self._cut_off: dict[Role, bool] = {"script": False, "station": False}
        self._unreported_drops: dict[str, int] = {}
        self._next_drop_event_us = 0
        self._started = self._closed = False
        self.on_vehicle_frame: list[FrameHook] = []
        self.on_script_frame: list[FrameHook] = []
        self.on_station_frame: list[FrameHook] = []
        if radio is None:
            vehicle.on_frame = self._heard_from_vehicle
            self._uplink = Uplink(clock, vehicle.send, None)
        else:
            vehicle.on_frame = radio.down.send
            radio.down.deliver, radio.up.deliver = self._heard_from_vehicle, vehicle.send
            self._uplink = Uplink(clock, radio.up.send, radio.up)

    def attach(self, endpoint: Endpoint, role: Role) -> None:
        """Adds a party, before `start` or while running. Raises LinkProblem when it cannot be opened."""
        if any(endpoint.name == name for name in self._names()):
            raise HarnessFault(f"two endpoints of one hub are named {endpoint.name!r}")
        self._numbers += 1
        party = _Party(endpoint, role, self._numbers)
        endpoint.on_frame = partial(self._heard_from_party, party)
        if self._started:
            endpoint.open()
        self._parties.append(party)

    def detach(self, endpoint: Endpoint) -> None:
        """Closes a party's endpoint and forgets it, with its counters."""
        for party in [party for party in self._parties if party.endpoint is endpoint]:
            self._parties.remove(party)
            self._uplink.purge(party.number)
            endpoint.close()

    def start(self) -> None:
        """Opens everything, the vehicle last. Raises LinkProblem, with nothing left open."""
        self._started = True
        try:
            for party in self._parties:
                party.endpoint.open()
            self._vehicle.open()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Closes everything; what is on its way is not delivered. Harmless when called twice."""
        if self._closed:
            return
        self._closed = True
        self._uplink.close()
        if self._radio is not None:
            self._radio.close()
        self._vehicle.close()
        for party in self._parties:
            party.endpoint.close()
        self._report_drops()

    def inject(self, frame: bytes, source: OwnSource) -> None:
        """Sends a frame of the harness's own to the vehicle, with the urgency of `source`."""
        now_us = self._clock.now_us()
        stamp_us = self._recorder.frame("station", now_us, frame)
        facts = {"source": source, "message": wire.message_id(frame), "stamp_us": stamp_us}
        self._recorder.event(now_us, "injected", **facts)
        self._send_up(_OWN_PARTIES[source], source, classify(frame, source), frame)

    def cut_off(self, role: Role = "script") -> None:
        """From now on, and for good, frames of this role are recorded and not passed on; what waits is dropped."""
        if self._cut_off[role]:
            return
        self._cut_off[role] = True
        purged = sum(self._uplink.purge(party.number) for party in self._parties if party.role == role)
        self._recorder.event(self._clock.now_us(), "cut-off", role=role, frames_dropped=purged)

    def counters(self) -> dict[str, int]:
        """Of every endpoint (`NAME.frames_in`), of the uplink by level (`uplink.pilot.sent`), and of the radio."""
        counted = _prefixed(self._vehicle.name, self._vehicle.counters())
        counted[f"{self._vehicle.name}.frames_unroutable"] = self._vehicle_unroutable
        for party in self._parties:
            name = party.endpoint.name
            counted |= _prefixed(name, party.endpoint.counters())
            counted[f"{name}.frames_withheld"] = party.withheld
            counted[f"{name}.frames_unroutable"] = party.unroutable
        counted |= _prefixed("uplink", self._uplink.counters())
        if self._radio is not None:
            counted |= _prefixed("radio", self._radio.counters())
        return counted

    def _names(self) -> list[str]:
        return [self._vehicle.name, *(party.endpoint.name for party in self._parties)]

    def _heard_from_vehicle(self, frame: bytes) -> None:
        now_us = self._clock.now_us()
        self._recorder.frame("vehicle", now_us, frame)
        self._vehicle_routes.learn(frame)
        for hook in self.on_vehicle_frame:
            hook(now_us, frame)
        target = wire.target_of(frame)
        if target is None or not target[0]:
            for party in self._parties:
                party.endpoint.send(frame)
        elif not self._forward(frame, target, None):
            self._vehicle_unroutable += 1

    def _heard_from_party(self, party: _Party, frame: bytes) -> None:
        now_us = self._clock.now_us()
        role = party.role
        self._recorder.frame(role, now_us, frame)
        party.routes.learn(frame)
        for hook in self.on_script_frame if role == "script" else self.on_station_frame:
            hook(now_us, frame)
        if self._cut_off[role]:
            party.withheld += 1
            return
        target = wire.target_of(frame) or (0, 0)
        goes_up = self._vehicle_routes.lead_to(target)
        if goes_up:
            self._send_up(party.number, party.endpoint.name, classify(frame, role), frame)
        if not self._forward(frame, target, party) and not goes_up:
            self._note_unroutable(party, now_us, frame, target)

    def _forward(self, frame: bytes, target: tuple[int, int], sender: _Party | None) -> bool:
        """Passes a frame to the parties it is for; whether there was one."""
        somebody = False
        for party in self._parties:
            if party is not sender and party.routes.lead_to(target):
                somebody = True
                party.endpoint.send(frame)
        return somebody

    def _note_unroutable(self, party: _Party, now_us: int, frame: bytes, target: tuple[int, int]) -> None:
        party.unroutable += 1
        if party.unroutable == 1:  # the first tells what is wrong; all are counted
            system, component = target
            facts = {"endpoint": party.endpoint.name, "message": wire.message_id(frame)}
            self._recorder.event(now_us, "unroutable", **facts, system=system, component=component)

    def _send_up(self, party: int, name: str, level: Level, frame: bytes) -> None:
        if self._closed or self._uplink.send(party, level, frame):
            return
        key = f"{name}.{level.word}"
        self._unreported_drops[key] = self._unreported_drops.get(key, 0) + 1
        if self._clock.now_us() >= self._next_drop_event_us:
            self._report_drops()

    def _report_drops(self) -> None:
        """An event for all drops since the last one; at most one a second, so that a flood cannot fill the disk."""
        if self._unreported_drops:
            now_us = self._clock.now_us()
            self._recorder.event(now_us, "uplink-dropped", frames=self._unreported_drops)
            self._unreported_drops = {}
            self._next_drop_event_us = now_us + _DROP_EVENT_INTERVAL_US


def _prefixed(prefix: str, counted: dict[str, int]) -> dict[str, int]:
    return {f"{prefix}.{key}": count for key, count in counted.items()}
