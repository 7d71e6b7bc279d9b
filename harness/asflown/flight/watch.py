"""What the conductor and the guard know of the vehicle, from the frames it sends; all by its own estimate."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

from asflown.link import wire

HEARTBEAT, SYS_STATUS, LOCAL_POSITION_NED, EXTENDED_SYS_STATE = 0, 1, 32, 245
"""Message numbers of MAVLink `common`."""
ARMED_FLAG = 0x80
AUTOPILOT_INVALID = 8
PREARM_CHECK = 0x1000_0000
ON_GROUND, LANDED_UNDEFINED = 1, 0
WATCHED = frozenset((HEARTBEAT, SYS_STATUS, LOCAL_POSITION_NED, EXTENDED_SYS_STATE))


@dataclass(slots=True)
class Seen:
    """The newest of what was seen; positions in metres north, east, down of the estimate's origin."""

    heartbeat_us: int | None = None
    system: int = 0
    component: int = 0
    armed: bool = False
    landed_state: int = LANDED_UNDEFINED
    ready: bool | None = None
    """Whether pre-arm checks pass; None while the vehicle does not say."""
    battery: float | None = None
    north_m: float = 0.0
    east_m: float = 0.0
    down_m: float = 0.0
    start_ned_m: tuple[float, float, float] | None = None
    """Where it was when it armed."""


class VehicleWatch:
    """Reads along, without decoding what nobody needs here."""

    def __init__(self) -> None:
        self.seen = Seen()

    def frame(self, now_us: int, frame: bytes) -> None:
        """Takes one frame from the vehicle."""
        message = wire.message_id(frame)
        if message not in WATCHED:
            return
        payload = wire.payload(frame)
        if message == LOCAL_POSITION_NED:
            seen = self.seen
            _, seen.north_m, seen.east_m, seen.down_m = struct.unpack_from("<Ifff", payload.ljust(28, b"\0"))
        elif message == HEARTBEAT:
            self._heartbeat(now_us, frame, payload.ljust(9, b"\0"))
        elif message == EXTENDED_SYS_STATE:
            self.seen.landed_state = payload.ljust(2, b"\0")[1]
        else:
            self._sys_status(payload.ljust(31, b"\0"))

    @property
    def on_ground(self) -> bool:
        """Whether it stands on the ground with its motors off; a vehicle that does not report landing: disarmed."""
        seen = self.seen
        return not seen.armed and seen.landed_state in (ON_GROUND, LANDED_UNDEFINED)

    @property
    def height_m(self) -> float:
        """Above the point where it armed."""
        start = self.seen.start_ned_m
        return 0.0 if start is None else start[2] - self.seen.down_m

    @property
    def distance_m(self) -> float:
        """Horizontal distance from the point where it armed."""
        start = self.seen.start_ned_m
        return 0.0 if start is None else math.hypot(self.seen.north_m - start[0], self.seen.east_m - start[1])

    def _heartbeat(self, now_us: int, frame: bytes, payload: bytes) -> None:
        autopilot, base_mode = payload[5], payload[6]
        if autopilot == AUTOPILOT_INVALID:
            return
        seen = self.seen
        seen.heartbeat_us = now_us
        seen.system, seen.component = wire.system_id(frame), wire.component_id(frame)
        armed = bool(base_mode & ARMED_FLAG)
        if armed and not seen.armed and seen.start_ned_m is None:
            seen.start_ned_m = (seen.north_m, seen.east_m, seen.down_m)
        seen.armed = armed

    def _sys_status(self, payload: bytes) -> None:
        present, _, health = struct.unpack_from("<III", payload)
        if present & PREARM_CHECK:
            self.seen.ready = bool(health & PREARM_CHECK)
        (remaining,) = struct.unpack_from("<b", payload, 30)
        self.seen.battery = None if remaining < 0 else remaining / 100
