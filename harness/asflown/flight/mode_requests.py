"""Who asked for which mode: read from the frames that go up, and compared with the modes that the vehicle then has."""

from __future__ import annotations

import struct
from collections import deque
from dataclasses import dataclass, field

from pymavlink.dialects.v20 import common, development

from asflown.link import wire
from asflown.link.priority import STICKS
from asflown.scenario.model import ModeName
from asflown.sim.identity import STANDARD_MODES
from asflown.vehicle.reactions import SET_MODE, SET_STANDARD_MODE

WINDOW_US = 6_000_000
"""How long after a request a change may be its doing: a slow radio, and a heartbeat once a second."""
_KEPT = 32
_COMMAND_LONG, _COMMAND_INT = int(common.MAVLINK_MSG_ID_COMMAND_LONG), int(common.MAVLINK_MSG_ID_COMMAND_INT)
_SET_MODE_MESSAGE = int(common.MAVLINK_MSG_ID_SET_MODE)
STANDARD_NAMES: dict[int, ModeName] = {number: mode.value for mode, number in STANDARD_MODES.items()}
_NAMES_OF_COMMAND: dict[int, tuple[ModeName, ...]] = {
    int(common.MAV_CMD_NAV_TAKEOFF): ("take-off",),
    int(common.MAV_CMD_NAV_LAND): ("land",),
    int(common.MAV_CMD_NAV_RETURN_TO_LAUNCH): ("safe-recovery", "land"),
    int(common.MAV_CMD_DO_ORBIT): ("orbit",),
    int(common.MAV_CMD_MISSION_START): ("mission",),
    int(common.MAV_CMD_DO_REPOSITION): ("position-hold", "set-points"),
    int(common.MAV_CMD_DO_PAUSE_CONTINUE): ("position-hold", "mission", "orbit"),
}


_TURNING = frozenset(
    {
        int(common.MAV_CMD_NAV_TAKEOFF),
        int(common.MAV_CMD_NAV_VTOL_TAKEOFF),
        int(common.MAV_CMD_MISSION_START),
        int(common.MAV_CMD_DO_MOTOR_TEST),
        int(common.MAV_CMD_DO_SET_ACTUATOR),
        int(common.MAV_CMD_DO_SET_SERVO),
    }
)


@dataclass(frozen=True, slots=True)
class ModeRequest:
    """What somebody asked for: modes by name, or numbers as HEARTBEAT has them."""

    at_us: int
    command: int = 0
    names: tuple[ModeName, ...] = ()
    numbers: tuple[int, ...] = ()

    def explains(self, at_us: int, name: ModeName | None, number: int) -> bool:
        """Whether a change to this mode may be its doing."""
        if not 0 <= at_us - self.at_us <= WINDOW_US:
            return False
        if self.numbers:
            return number in self.numbers
        return name in self.names if name is not None else True


@dataclass(slots=True)
class Requests:
    """The newest requests of one party."""

    kept: deque[ModeRequest] = field(default_factory=lambda: deque(maxlen=_KEPT))

    def note(self, request: ModeRequest) -> None:
        """Keeps one."""
        self.kept.append(request)

    def explains(self, at_us: int, name: ModeName | None, number: int) -> bool:
        """Whether one of them may have brought a change about; those that did explain nothing else."""
        found = [request for request in self.kept if request.explains(at_us, name, number)]
        for request in found:
            self.kept.remove(request)
        return bool(found)


def mode_request(now_us: int, frame: bytes, system: int) -> ModeRequest | None:
    """What a frame asks the vehicle `system` for; None when it asks for no mode, or somebody else."""
    message, payload = wire.message_id(frame), wire.payload(frame).ljust(35, b"\0")
    if message == _SET_MODE_MESSAGE:
        number, target = struct.unpack_from("<IB", payload)
        return ModeRequest(now_us, 0, numbers=(number,)) if target in (0, system) else None
    if message not in (_COMMAND_LONG, _COMMAND_INT):
        return None
    command, target = struct.unpack_from("<HB", payload, 28)
    if target not in (0, system):
        return None
    if command == SET_STANDARD_MODE:
        name = STANDARD_NAMES.get(_whole(payload, 0))
        return ModeRequest(now_us, command, names=() if name is None else (name,))
    if command == SET_MODE:
        main, sub = _whole(payload, 1), _whole(payload, 2)
        return ModeRequest(now_us, command, numbers=(main, main << 16 | sub << 24))
    names = _NAMES_OF_COMMAND.get(command)
    return None if names is None else ModeRequest(now_us, command, names=names)


def may_turn_motors(frame: bytes) -> bool:
    """Whether a frame may set motors turning: it arms, takes off, starts a mission, or moves sticks."""
    message, payload = wire.message_id(frame), wire.payload(frame).ljust(35, b"\0")
    if message in STICKS:
        return True
    if message == _SET_MODE_MESSAGE:
        return bool(payload[5] & common.MAV_MODE_FLAG_SAFETY_ARMED)
    if message not in (_COMMAND_LONG, _COMMAND_INT):
        return False
    (command,) = struct.unpack_from("<H", payload, 28)
    if command == SET_MODE:
        return bool(_whole(payload, 0) & common.MAV_MODE_FLAG_SAFETY_ARMED)
    if command == common.MAV_CMD_COMPONENT_ARM_DISARM:
        return bool(payload[:4].strip(b"\0"))
    return command in _TURNING


def words_of(request: ModeRequest) -> str:
    """What was asked for, for people."""
    if not request.command:
        return "SET_MODE"
    return str(development.enums["MAV_CMD"][request.command].name)


def _whole(payload: bytes, index: int) -> int:
    (value,) = struct.unpack_from("<f", payload, 4 * index)
    return int(value) if value == value and 0 <= value < 2**32 else 0  # noqa: PLR0124 - NaN is no number
