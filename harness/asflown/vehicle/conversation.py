"""What the harness itself asks of a vehicle over MAVLink, and hears: one question at a time, repeated when unanswered.

It only asks and reads. The one thing it sets is how often messages are sent; it writes no parameter, arms nothing and
changes no mode.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

from pymavlink.dialects.v20 import common, development

from asflown.clock.base import Clock
from asflown.link import wire

OWN_SYSTEM, OWN_COMPONENT = 253, int(common.MAV_COMP_ID_ONBOARD_COMPUTER)
ANSWER_WITHIN_S, TRIES = 1.0, 3
LOOK_US = 10_000
REQUEST_MESSAGE, GET_INTERVAL, SET_INTERVAL = (
    int(common.MAV_CMD_REQUEST_MESSAGE),
    int(common.MAV_CMD_GET_MESSAGE_INTERVAL),
    int(common.MAV_CMD_SET_MESSAGE_INTERVAL),
)
_BYTEWISE = 16
_WHOLE: dict[int, str] = {
    int(common.MAV_PARAM_TYPE_UINT8): "<B",
    int(common.MAV_PARAM_TYPE_INT8): "<b",
    int(common.MAV_PARAM_TYPE_UINT16): "<H",
    int(common.MAV_PARAM_TYPE_INT16): "<h",
    int(common.MAV_PARAM_TYPE_UINT32): "<I",
    int(common.MAV_PARAM_TYPE_INT32): "<i",
}


class Conversation:
    """With one autopilot, addressed by system and component. `frame` is a hook for what the vehicle's side says."""

    def __init__(self, clock: Clock, send: Callable[[bytes], None], system: int, component: int) -> None:
        """`send` takes a frame to the vehicle."""
        self._clock, self._send = clock, send
        self.system, self.component = system, component
        self.heartbeats: dict[tuple[int, int], Any] = {}
        """The newest of everybody who is an autopilot, by system and component."""
        self.latest: dict[str, Any] = {}
        """The newest message of each name from the autopilot that is talked to."""
        self.at_us: dict[str, int] = {}
        self.counted: dict[str, int] = {}
        self.parameters: dict[str, float] = {}
        """Values as they were heard."""
        self.bytewise = False
        """How whole numbers travel in PARAM_VALUE: as AUTOPILOT_VERSION announces."""
        self.round_trips_s: list[float] = []
        self._mavlink = development.MAVLink(None, OWN_SYSTEM, OWN_COMPONENT)
        self._reader = development.MAVLink(None)

    def frame(self, now_us: int, frame: bytes) -> None:
        """Takes one frame of the vehicle's side."""
        if wire.message_id(frame) not in development.mavlink_map:
            return
        try:
            message = self._reader.decode(bytearray(frame))
        except (development.MAVError, struct.error):
            return
        name, sender = message.get_type(), (wire.system_id(frame), wire.component_id(frame))
        if name == "HEARTBEAT" and message.autopilot != common.MAV_AUTOPILOT_INVALID:
            self.heartbeats[sender] = message
        if name == "RADIO_STATUS" or sender == (self.system, self.component):
            self._take(now_us, name, message)

    def _take(self, now_us: int, name: str, message: Any) -> None:
        self.latest[name], self.at_us[name] = message, now_us
        self.counted[name] = self.counted.get(name, 0) + 1
        if name == "AUTOPILOT_VERSION":
            self.bytewise = bool(message.capabilities & _BYTEWISE)
        elif name == "PARAM_VALUE":
            self.parameters[str(message.param_id)] = self._value(message)
        elif name == "TIMESYNC" and message.tc1:
            self.round_trips_s.append((now_us * 1000 - message.ts1) / 1e9)

    def _value(self, message: Any) -> float:
        layout = _WHOLE.get(message.param_type)
        if layout is None or not self.bytewise:
            return float(message.param_value)
        return float(struct.unpack_from(layout, struct.pack("<f", message.param_value))[0])

    # Waiting

    async def until(self, holds: Callable[[], bool], within_s: float) -> bool:
        """Waits until something holds; whether it came to that."""
        clock = self._clock
        until_us = clock.now_us() + round(within_s * 1e6)
        while not holds():
            if clock.now_us() >= until_us:
                return False
            await clock.sleep_until(clock.now_us() + LOOK_US)
        return True

    async def heard(self, name: str, within_s: float) -> Any:
        """The newest message of this name; None when none comes in time."""
        await self.until(lambda: name in self.latest, within_s)
        return self.latest.get(name)

    async def pause(self, seconds: float) -> None:
        """Listens for a while."""
        await self._clock.sleep_until(self._clock.now_us() + round(seconds * 1e6))

    # Asking

    async def command(self, number: int, *params: float) -> int | None:
        """MAV_RESULT of a command, the last where it takes its time; None when it is not answered."""
        for confirmation in range(TRIES):
            self.latest.pop("COMMAND_ACK", None)
            filled = (*params, *(0.0,) * (7 - len(params)))
            self.say(
                common.MAVLink_command_long_message(
                    self.system, self.component, number, confirmation, *filled
                )
            )
            if await self.until(lambda: self._result_of(number) is not None, ANSWER_WITHIN_S):
                return self._result_of(number)
        return None

    def _result_of(self, number: int) -> int | None:
        ack = self.latest.get("COMMAND_ACK")
        if ack is None or ack.command != number or ack.result == common.MAV_RESULT_IN_PROGRESS:
            return None
        return int(ack.result)

    async def request(self, name: str) -> Any:
        """A message that is sent when it is asked for; None when it does not come."""
        number = message_number(name)
        self.latest.pop(name, None)
        for _ in range(TRIES):
            result = await self.command(REQUEST_MESSAGE, number)
            found = await self.heard(name, ANSWER_WITHIN_S if result == common.MAV_RESULT_ACCEPTED else 0.0)
            if found is not None or (result is not None and result != common.MAV_RESULT_ACCEPTED):
                return found
        return None

    async def parameter(self, name: str) -> float | None:
        """A parameter's value, read by name; None when the vehicle does not know it."""
        self.parameters.pop(name, None)
        for _ in range(TRIES):
            ask = common.MAVLink_param_request_read_message(self.system, self.component, name.encode(), -1)
            self.say(ask)
            if await self.until(lambda: name in self.parameters, ANSWER_WITHIN_S):
                return self.parameters[name]
        return None

    async def interval_us(self, name: str) -> int | None:
        """How often a message is sent: -1 not at all, 0 unknown to the vehicle; None when it does not say."""
        number = message_number(name)
        for _ in range(TRIES):
            self.latest.pop("MESSAGE_INTERVAL", None)
            result = await self.command(GET_INTERVAL, number)
            if result is not None and result != common.MAV_RESULT_ACCEPTED:
                return None
            said = await self.heard("MESSAGE_INTERVAL", ANSWER_WITHIN_S)
            if said is not None and said.message_id == number:
                return int(said.interval_us)
        return None

    async def set_interval(self, name: str, interval_us: int) -> bool:
        """Asks for a message as often as that; -1 for never, 0 for the vehicle's default. Whether it was accepted."""
        result = await self.command(SET_INTERVAL, message_number(name), interval_us)
        return bool(result == common.MAV_RESULT_ACCEPTED)

    async def plan_items(self, kind: int) -> int | None:
        """How many items a stored plan (MAV_MISSION_TYPE) has; None when the vehicle does not say."""
        for _ in range(TRIES):
            self.latest.pop("MISSION_COUNT", None)
            self.say(common.MAVLink_mission_request_list_message(self.system, self.component, kind))
            said = await self.heard("MISSION_COUNT", ANSWER_WITHIN_S)
            if said is not None and said.mission_type == kind:
                accepted = common.MAV_MISSION_ACCEPTED
                self.say(common.MAVLink_mission_ack_message(self.system, self.component, accepted, kind))
                return int(said.count)
        return None

    async def round_trip_s(self) -> float | None:
        """The median of a few round trips by TIMESYNC; None when it is not answered."""
        self.round_trips_s.clear()
        for number in range(5):
            self.say(common.MAVLink_timesync_message(0, self._clock.now_us() * 1000))
            await self._until_more_than(number)
        found = sorted(self.round_trips_s)
        return found[len(found) // 2] if found else None

    async def _until_more_than(self, number: int) -> None:
        await self.until(lambda: len(self.round_trips_s) > number, ANSWER_WITHIN_S)

    def say(self, message: Any) -> None:
        """Sends a message as the harness."""
        self._send(bytes(message.pack(self._mavlink)))
        self._mavlink.seq = (self._mavlink.seq + 1) % 256


def message_number(name: str) -> int:
    """The number of a message by its name. Raises KeyError for one that the dialect does not have."""
    return int(getattr(development, f"MAVLINK_MSG_ID_{name}", None) or _NUMBERS[name])


_NUMBERS: dict[str, int] = {kind.msgname: number for number, kind in development.mavlink_map.items()}
