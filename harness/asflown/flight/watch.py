"""What the conductor and the guard know of the vehicle, from the frames it sends; all by its own estimate.

Of a vehicle that does not send LOCAL_POSITION_NED, GLOBAL_POSITION_INT tells the place; north-east-down is then about
the first place that it told.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from dataclasses import dataclass

from asflown.frames import TangentPlane
from asflown.link import wire

HEARTBEAT, SYS_STATUS, GPS_RAW_INT, LOCAL_POSITION_NED, GLOBAL_POSITION_INT = 0, 1, 24, 32, 33
ESTIMATOR_STATUS, EXTENDED_SYS_STATE, STATUSTEXT, CURRENT_MODE = 230, 245, 253, 436
"""Message numbers of MAVLink `common`."""
ARMED_FLAG, SIMULATED_FLAG = 0x80, 0x20
AUTOPILOT_INVALID = 8
PREARM_CHECK = 0x1000_0000
ON_GROUND, LANDED_UNDEFINED = 1, 0
IN_DISTRESS = (5, 6)
"""MAV_STATE_CRITICAL and MAV_STATE_EMERGENCY."""
_HORIZONTAL_POSITION, _CONSTANT_POSITION = 0x18, 0x80
"""ESTIMATOR_STATUS_FLAGS: position relative or absolute; and the estimator's own 'I do not know'."""
_FIX_2D = 2
_SEVERITY_CRITICAL = 2


@dataclass(slots=True)
class Seen:
    """The newest of what was seen; positions in metres north, east, down of the estimate's origin."""

    heartbeat_us: int | None = None
    system: int = 0
    component: int = 0
    armed: bool = False
    simulated: bool = False
    """HEARTBEAT says that sensors and motors are simulated (hardware in the loop)."""
    state: int = 0
    """MAV_STATE."""
    landed_state: int = LANDED_UNDEFINED
    ready: bool | None = None
    """Whether pre-arm checks pass; None while the vehicle does not say."""
    battery: float | None = None
    north_m: float = 0.0
    east_m: float = 0.0
    down_m: float = 0.0
    velocity_ned_m_s: tuple[float, float, float] | None = None
    position_us: int | None = None
    """When it last told where it is."""
    estimate_bad_since_us: int | None = None
    """Since when its estimator has had no position; None while it has one, or does not say."""
    says_estimate: bool = False
    """Whether ESTIMATOR_STATUS is sent at all."""
    no_fix_since_us: int | None = None
    had_fix: bool = False
    start_ned_m: tuple[float, float, float] | None = None
    """Where it was when it armed."""
    custom_mode: int | None = None
    intended_mode: int | None = None
    """What CURRENT_MODE says was asked for, if it says so."""
    standard_mode: int | None = None
    """MAV_STANDARD_MODE of `custom_mode`; None until CURRENT_MODE tells it."""
    says_mode: bool = False
    """Whether CURRENT_MODE is sent at all."""
    alarm_us: int | None = None
    """When it last said something critical or worse in words."""
    alarm: str = ""


class VehicleWatch:
    """Reads along, without decoding what nobody needs here."""

    def __init__(self) -> None:
        self.seen = Seen()
        self._plane: TangentPlane | None = None
        self._has_local = False
        self._takes: dict[int, Callable[[int, bytes, bytes], None]] = {
            HEARTBEAT: self._heartbeat,
            SYS_STATUS: self._sys_status,
            GPS_RAW_INT: self._receiver,
            LOCAL_POSITION_NED: self._local_position,
            GLOBAL_POSITION_INT: self._global_position,
            ESTIMATOR_STATUS: self._estimator,
            EXTENDED_SYS_STATE: self._extended_state,
            STATUSTEXT: self._text,
            CURRENT_MODE: self._current_mode,
        }

    def frame(self, now_us: int, frame: bytes) -> None:
        """Takes one frame from the vehicle."""
        take = self._takes.get(wire.message_id(frame))
        if take is not None:
            take(now_us, frame, wire.payload(frame).ljust(52, b"\0"))

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

    @property
    def speed_m_s(self) -> float | None:
        """Over the ground, in any direction; None while it does not say."""
        velocity = self.seen.velocity_ned_m_s
        return None if velocity is None else math.hypot(*velocity)

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
        seen.armed, seen.simulated, seen.state = armed, bool(base_mode & SIMULATED_FLAG), payload[7]
        custom_mode = int.from_bytes(payload[:4], "little")
        if custom_mode != seen.custom_mode:
            seen.custom_mode, seen.standard_mode, seen.intended_mode = custom_mode, None, None

    def _current_mode(self, _now_us: int, _frame: bytes, payload: bytes) -> None:
        seen = self.seen
        seen.custom_mode, intended, seen.standard_mode = struct.unpack_from("<IIB", payload)
        seen.intended_mode, seen.says_mode = intended or None, True

    def _extended_state(self, _now_us: int, _frame: bytes, payload: bytes) -> None:
        self.seen.landed_state = payload[1]

    def _sys_status(self, _now_us: int, _frame: bytes, payload: bytes) -> None:
        present, _, health = struct.unpack_from("<III", payload)
        if present & PREARM_CHECK:
            self.seen.ready = bool(health & PREARM_CHECK)
        (remaining,) = struct.unpack_from("<b", payload, 30)
        self.seen.battery = None if remaining < 0 else remaining / 100

    def _local_position(self, now_us: int, _frame: bytes, payload: bytes) -> None:
        seen, self._has_local = self.seen, True
        _, seen.north_m, seen.east_m, seen.down_m, *velocity = struct.unpack_from("<I6f", payload)
        seen.velocity_ned_m_s, seen.position_us = (velocity[0], velocity[1], velocity[2]), now_us

    def _global_position(self, now_us: int, _frame: bytes, payload: bytes) -> None:
        if self._has_local:
            return
        seen = self.seen
        _, latitude, longitude, altitude, _, *velocity = struct.unpack_from("<I4i3h", payload)
        place = latitude / 1e7, longitude / 1e7, altitude / 1e3
        if self._plane is None:
            self._plane = TangentPlane(*place)
        seen.north_m, seen.east_m, seen.down_m = self._plane.to_ned(*place)
        north, east, down = (value / 100 for value in velocity)
        seen.velocity_ned_m_s, seen.position_us = (north, east, down), now_us

    def _estimator(self, now_us: int, _frame: bytes, payload: bytes) -> None:
        (flags,) = struct.unpack_from("<H", payload, 40)
        seen, bad = self.seen, not flags & _HORIZONTAL_POSITION or bool(flags & _CONSTANT_POSITION)
        seen.says_estimate = True
        seen.estimate_bad_since_us = _since(seen.estimate_bad_since_us, now_us, bad)

    def _receiver(self, now_us: int, _frame: bytes, payload: bytes) -> None:
        seen, lost = self.seen, payload[28] < _FIX_2D
        seen.had_fix = seen.had_fix or not lost
        seen.no_fix_since_us = _since(seen.no_fix_since_us, now_us, lost)

    def _text(self, now_us: int, _frame: bytes, payload: bytes) -> None:
        if payload[0] <= _SEVERITY_CRITICAL:
            self.seen.alarm_us = now_us
            self.seen.alarm = payload[1:51].split(b"\0")[0].decode("utf-8", "replace")


def _since(since_us: int | None, now_us: int, holds: bool) -> int | None:
    if not holds:
        return None
    return now_us if since_us is None else since_us
