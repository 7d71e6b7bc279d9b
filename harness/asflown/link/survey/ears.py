"""What a survey hears of the vehicle: every frame's place in time and sequence, answers, acknowledgements, state."""

from __future__ import annotations

from dataclasses import dataclass

from pymavlink.dialects.v20 import common

from asflown.clock.base import Clock
from asflown.link import wire

RADIO_COMPONENT = int(common.MAV_COMP_ID_TELEMETRY_RADIO)
_ARMED = 0x80
_AUTOPILOT_INVALID = 8
_RSSI_AT, _NOISE_AT = 4, 7


@dataclass(frozen=True, slots=True)
class Heard:
    """One frame of the vehicle's side."""

    time_us: int
    sender: int
    """System and component, as one number."""
    sequence: int
    message: int
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to a TIMESYNC of ours."""

    time_us: int
    vehicle_ns: int
    place: int
    """Where it stands in `Ears.frames`."""


@dataclass(frozen=True, slots=True)
class Status:
    """A RADIO_STATUS of the radio on our side, strengths in its own units."""

    time_us: int
    rssi: int
    noise: int


class Ears:
    """Listens to one endpoint. RADIO_STATUS is kept apart: what a radio says of itself has not come over the air."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.frames: list[Heard] = []
        self.answers: dict[int, Answer] = {}
        """By the time stamp that was asked with, nanoseconds."""
        self.statuses: list[Status] = []
        self.vehicle: tuple[int, int] | None = None
        self.armed = False
        self.heartbeat_us = 0
        self.acks: list[tuple[int, int]] = []
        """Command and result, in the order of arrival."""
        self.intervals: dict[int, int] = {}
        """Message and interval in microseconds, as MESSAGE_INTERVAL told them."""

    def take(self, frame: bytes) -> None:
        """Takes a frame from the vehicle's side."""
        now_us = self._clock.now_us()
        component, message = wire.component_id(frame), wire.message_id(frame)
        if component == RADIO_COMPONENT and message == common.MAVLINK_MSG_ID_RADIO_STATUS:
            payload = wire.payload(frame).ljust(9, b"\0")
            self.statuses.append(Status(now_us, payload[_RSSI_AT], payload[_NOISE_AT]))
            return
        sender = wire.system_id(frame) << 8 | component
        self.frames.append(Heard(now_us, sender, wire.sequence(frame), message, len(frame)))
        if message in _READERS:
            _READERS[message](self, now_us, frame, wire.payload(frame).ljust(64, b"\0"))

    def _heartbeat(self, now_us: int, frame: bytes, payload: bytes) -> None:
        if payload[5] == _AUTOPILOT_INVALID:
            return
        self.vehicle = wire.system_id(frame), wire.component_id(frame)
        self.armed = bool(payload[6] & _ARMED)
        self.heartbeat_us = now_us

    def _timesync(self, now_us: int, _frame: bytes, payload: bytes) -> None:
        vehicle_ns = int.from_bytes(payload[:8], "little", signed=True)
        asked_ns = int.from_bytes(payload[8:16], "little", signed=True)
        if vehicle_ns and asked_ns not in self.answers:
            self.answers[asked_ns] = Answer(now_us, vehicle_ns, len(self.frames) - 1)

    def _ack(self, _now_us: int, _frame: bytes, payload: bytes) -> None:
        self.acks.append((int.from_bytes(payload[:2], "little"), payload[2]))

    def _interval(self, _now_us: int, _frame: bytes, payload: bytes) -> None:
        interval_us = int.from_bytes(payload[:4], "little", signed=True)
        self.intervals[int.from_bytes(payload[4:6], "little")] = interval_us


_READERS = {
    common.MAVLINK_MSG_ID_HEARTBEAT: Ears._heartbeat,  # noqa: SLF001 - the table of this class
    common.MAVLINK_MSG_ID_TIMESYNC: Ears._timesync,  # noqa: SLF001 - as above
    common.MAVLINK_MSG_ID_COMMAND_ACK: Ears._ack,  # noqa: SLF001 - as above
    common.MAVLINK_MSG_ID_MESSAGE_INTERVAL: Ears._interval,  # noqa: SLF001 - as above
}
