"""The hub: owns the vehicle's endpoint and fans it out to scripts, stations, pilots and the recorder.

Frames are recorded at the hub: what comes down behind the emulated radio and right after it was passed on, what goes
up before it and before it is passed on; signatures are taken off what is recorded, and SETUP_SIGNING, which holds a
key, is neither recorded nor passed on. Nothing is ever repacked, renumbered or signed on its way, and nothing goes
back to where it came from.

Who gets a frame: all the others, when it has no target or target system 0, or when its message is not known; else only
those from whom that system (and component, unless that is 0) has been heard. When a system starts anew, what was
learnt of its components is forgotten. Up to the vehicle, frames take the order of `priority` whenever the way is busy.
A frame that comes round again in a circle goes nowhere (`echoes`).

Frames of the harness itself (`inject`) go to the vehicle alone, signed where there is a key. They are recorded at the
station tap, each with an event `injected` that tells its stamp and source, so that all that went up is in some tap.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal, Protocol

from asflown.clock.base import Clock
from asflown.link import wire
from asflown.link.base import Endpoint
from asflown.link.budget import Budget
from asflown.link.echoes import Echoes
from asflown.link.party import Access, Party, PartyCounts, Role, as_counters
from asflown.link.priority import Level, classify
from asflown.link.radio import Radio
from asflown.link.roster import Roster
from asflown.link.signing import Signing, without_secrets
from asflown.link.sticks import StickWatch, are_sticks
from asflown.link.tally import Tally
from asflown.link.uplink import Uplink
from asflown.link.vehicle_side import VehicleSide

__all__ = ["Access", "Hub", "Role"]

Tap = Literal["vehicle", "script", "station"]
OwnSource = Literal["guard", "harness"]
FrameHook = Callable[[int, bytes], None]
"""Called with flight time in microseconds and the frame, right after it is recorded."""

TAP_OF_ROLE: dict[Role, Tap] = {"script": "script", "station": "station", "pilot": "station"}
_OWN_PARTIES: dict[OwnSource, int] = {"guard": -1, "harness": -2}


class FrameRecorder(Protocol):
    """What the hub needs of the flight's recorder."""

    def frame(self, tap: Tap, now_us: int, frame: bytes) -> int:
        """Records a frame seen at `tap`; returns its stamp."""

    def event(self, now_us: int, kind: str, **facts: Any) -> None:
        """Records that something happened."""


class Hub:
    """Passes frames between one vehicle and any number of parties. All calls come on the clock's thread."""

    def __init__(
        self,
        clock: Clock,
        recorder: FrameRecorder,
        vehicle: Endpoint,
        radio: Radio | None,
        *,
        budget: Budget | None = None,
        signing: Signing | None = None,
        vehicle_must_sign: bool = False,
    ) -> None:
        """`vehicle` is opened by `start`; `radio` stands in front of it, None where a real one does.

        `budget` paces what goes up to a real one. With `signing`, signatures are checked and counted; what a vehicle
        that must sign says without a genuine one is recorded and goes nowhere.
        """
        self._clock, self._recorder, self._vehicle, self._radio = clock, recorder, vehicle, radio
        self._signing = signing
        self._side = VehicleSide(vehicle.name, signing, budget, must_sign=vehicle_must_sign)
        self._roster = Roster(vehicle.name, self._heard_from_party, self._forget)
        self._echoes = Echoes()
        self._sticks = StickWatch(self._note_sticks)
        self._cut_off: dict[Role, bool] = {"script": False, "station": False, "pilot": False}
        self._no_room = Tally(clock, recorder, "uplink-dropped")
        self._too_late = Tally(clock, recorder, "uplink-expired")
        self._closed = False
        self.on_vehicle_frame: list[FrameHook] = []
        self.on_script_frame: list[FrameHook] = []
        self.on_station_frame: list[FrameHook] = []
        """Of stations and pilots."""
        self._uplink = self._wire_up(vehicle, radio, budget)

    def _wire_up(self, vehicle: Endpoint, radio: Radio | None, budget: Budget | None) -> Uplink:
        if radio is not None:
            vehicle.on_frame = radio.take_down
            radio.deliver(up=self._arrive_at_vehicle, down=self._heard_from_vehicle)
            return Uplink(self._clock, radio.up.send, radio.up, self._note_expired)
        vehicle.on_frame = self._heard_from_vehicle
        if budget is None:
            return Uplink(self._clock, self._arrive_at_vehicle, None, self._note_expired)
        budget.deliver = self._arrive_at_vehicle
        return Uplink(self._clock, budget.send, budget, self._note_expired)

    def attach(self, endpoint: Endpoint, role: Role, access: Access = "full") -> None:
        """Adds a port, before `start` or while running. Raises LinkProblem when it cannot be opened."""
        self._roster.attach(endpoint, role, access)

    def detach(self, endpoint: Endpoint) -> None:
        """Closes a port's endpoint and forgets it, with its counters."""
        self._roster.detach(endpoint)

    def start(self) -> None:
        """Opens everything, the vehicle last. Raises LinkProblem, with nothing left open."""
        try:
            self._roster.open()
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
        self._roster.close()
        self._no_room.tell()
        self._too_late.tell()

    def inject(self, frame: bytes, source: OwnSource) -> None:
        """Sends a frame of the harness's own to the vehicle, with the urgency of `source`."""
        now_us = self._clock.now_us()
        stamp_us = self._recorder.frame("station", now_us, frame)
        facts = {"source": source, "message": wire.message_id(frame), "stamp_us": stamp_us}
        self._recorder.event(now_us, "injected", **facts)
        if self._signing is not None:
            frame = self._signing.sign(frame)
        self._echoes.remember_own(now_us, frame)
        self._send_up(_OWN_PARTIES[source], source, classify(frame, source), frame)

    def cut_off(self, role: Role = "script") -> None:
        """From now on, and for good, frames of this role are recorded and not passed on; what waits is dropped."""
        if self._cut_off[role]:
            return
        self._cut_off[role] = True
        there = [party for party in self._roster.parties if party.port.role == role]
        purged = sum(len(self._uplink.purge(party.number)) for party in there)
        self._recorder.event(self._clock.now_us(), "cut-off", role=role, frames_dropped=purged)

    def counters(self) -> dict[str, int]:
        """Of every port (`NAME.frames_in`), of the uplink by level (`uplink.pilot.sent`), and of the radio."""
        signed = self._signing is not None
        name = self._vehicle.name
        counted = _prefixed(name, self._vehicle.counters() | as_counters(self._side.counts))
        if signed:
            counted |= _prefixed(f"{name}.signing", as_counters(self._side.signing_counts))
        for port in self._roster.ports:
            counted |= _prefixed(port.endpoint.name, port.counters(with_signing=signed))
        counted |= _prefixed("uplink", self._uplink.counters())
        if self._radio is not None:
            counted |= _prefixed("radio", self._radio.counters())
        return counted

    def quiet_up_until_us(self) -> int:
        """Before this flight time nothing reaches the vehicle, whatever anybody says from now on."""
        return self._clock.now_us() if self._radio is None else self._radio.quiet_up_until_us()

    def parties(self) -> list[tuple[str, str, dict[str, int]]]:
        """Everybody who is there now: the port's name, the party's own, and its traffic."""
        return [
            (party.port.endpoint.name, party.endpoint.name, party.endpoint.counters())
            for party in self._roster.parties
        ]

    # Down

    def _heard_from_vehicle(self, frame: bytes) -> None:
        """Passes on first and keeps books then, since others wait for the frame."""
        now_us = self._clock.now_us()
        side = self._side
        if not self._echoes.is_new(now_us, frame, side.SOURCE, side.sequences):
            self._note_circle(now_us, frame, side.counts)
            return
        recorded = without_secrets(frame)
        if recorded is None:
            side.counts.frames_secret += 1
            return
        takes = side.may_say(frame)
        if takes:
            self._pass_down(frame)
        self._recorder.frame("vehicle", now_us, recorded)
        if not takes:
            return
        if side.learn(frame):
            self._recorder.event(now_us, "vehicle-rebooted", system=wire.system_id(frame))
        for hook in self.on_vehicle_frame:
            hook(now_us, recorded)

    def _pass_down(self, frame: bytes) -> None:
        target = wire.target_of(frame)
        if target is None or not target[0]:
            for party in self._roster.listeners:
                party.endpoint.send(frame)
        elif not self._forward(frame, target, None):
            self._side.counts.frames_unroutable += 1

    # Up and across

    def _heard_from_party(self, party: Party, frame: bytes) -> None:
        now_us = self._clock.now_us()
        port = party.port
        role, counts = port.role, port.counts
        if not self._echoes.is_new(now_us, frame, party.number, party.sequences):
            self._note_circle(now_us, frame, counts)
            if port.access == "full":  # it may be somebody with the same ids, who wants answers all the same
                party.routes.learn(frame)
            return
        counts.frames_missing += party.sequences.missing(frame)
        recorded = without_secrets(frame)
        if recorded is None:
            counts.frames_secret += 1
            return
        self._recorder.frame(TAP_OF_ROLE[role], now_us, recorded)
        heard_before = party.hears
        if not party.may_say(frame, self._signing):
            counts.frames_withheld += 1
            return
        if party.hears is not heard_before:
            self._roster.note_hearing()
        party.routes.learn(frame)
        for hook in self.on_script_frame if role == "script" else self.on_station_frame:
            hook(now_us, recorded)
        if self._cut_off[role]:
            counts.frames_withheld += 1
            return
        self._pass_on(now_us, party, frame)

    def _pass_on(self, now_us: int, party: Party, frame: bytes) -> None:
        target = wire.target_of(frame) or (0, 0)
        goes_up = self._side.routes.lead_to(target)
        if goes_up:
            level = classify(frame, party.port.role)
            if level is Level.PILOT:
                self._sticks.said(now_us, frame)
            self._send_up(party.number, party.port.endpoint.name, level, frame)
        if not self._forward(frame, target, party) and not goes_up:
            self._note_unroutable(party, now_us, frame, target)

    def _forward(self, frame: bytes, target: tuple[int, int], sender: Party | None) -> bool:
        """Passes a frame to the parties it is for; whether there was one."""
        receivers = [
            party
            for party in self._roster.parties
            if party is not sender and party.hears and party.routes.lead_to(target)
        ]
        for party in receivers:
            party.endpoint.send(frame)
        return bool(receivers)

    def _send_up(self, party: int, name: str, level: Level, frame: bytes) -> None:
        if not self._closed and not self._uplink.send(party, level, frame):
            self._no_room.note(f"{name}.{level.word}")

    def _forget(self, party: Party) -> None:
        """A party is gone; what it still wanted to say is not said any more."""
        for level in self._uplink.purge(party.number):
            self._no_room.note(f"{party.port.endpoint.name}.{level.word}")

    def _arrive_at_vehicle(self, frame: bytes) -> None:
        """Behind the emulated radio, or before the real one."""
        if self._sticks.waiting and are_sticks(frame):
            self._sticks.arrived(self._clock.now_us(), frame)
        self._vehicle.send(frame)

    # What happened

    def _note_sticks(self, now_us: int, age_us: int, gap_us: int) -> None:
        self._recorder.event(now_us, "sticks", age_us=age_us, gap_us=gap_us)

    def _note_circle(self, now_us: int, frame: bytes, counts: PartyCounts) -> None:
        """A copy went nowhere: said once for each port, and always counted."""
        counts.frames_returned += 1
        if counts.frames_returned == 1:
            self._recorder.event(
                now_us, "circle", system=wire.system_id(frame), message=wire.message_id(frame)
            )

    def _note_unroutable(self, party: Party, now_us: int, frame: bytes, target: tuple[int, int]) -> None:
        counts = party.port.counts
        counts.frames_unroutable += 1
        if counts.frames_unroutable == 1:  # the first tells what is wrong; all are counted
            system, component = target
            facts = {"endpoint": party.port.endpoint.name, "message": wire.message_id(frame)}
            self._recorder.event(now_us, "unroutable", **facts, system=system, component=component)

    def _note_expired(self, party: int, level: Level) -> None:
        names = {one.number: one.port.endpoint.name for one in self._roster.parties}
        names |= {number: source for source, number in _OWN_PARTIES.items()}
        self._too_late.note(f"{names[party]}.{level.word}")


def _prefixed(prefix: str, counted: dict[str, int]) -> dict[str, int]:
    return {f"{prefix}.{key}": count for key, count in counted.items()}
