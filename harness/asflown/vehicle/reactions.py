"""The three reactions that bring a vehicle to safety, how grave each is, and every way to ask a vehicle for it.

Only modes and commands of the standard, or the firmware's own mode numbers from its vehicle file. None of them disarms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from pymavlink.dialects.v20 import common, development

from asflown.scenario.model import ModeName, ModeNumber

Reaction = Literal["stop-here", "come-home", "set-down"]
GRAVITY: dict[Reaction, int] = {"stop-here": 0, "come-home": 1, "set-down": 2}
"""A graver one may follow a milder one, never the other way round."""
MODE_NAME: dict[Reaction, ModeName] = {
    "stop-here": "position-hold",
    "come-home": "safe-recovery",
    "set-down": "land",
}
STANDARD_MODE: dict[Reaction, int] = {
    "stop-here": int(development.MAV_STANDARD_MODE_POSITION_HOLD),
    "come-home": int(development.MAV_STANDARD_MODE_SAFE_RECOVERY),
    "set-down": int(development.MAV_STANDARD_MODE_LAND),
}
SET_STANDARD_MODE = int(development.MAV_CMD_DO_SET_STANDARD_MODE)
SET_MODE = int(common.MAV_CMD_DO_SET_MODE)
_COMMAND: dict[Reaction, int] = {
    "stop-here": int(common.MAV_CMD_DO_PAUSE_CONTINUE),
    "come-home": int(common.MAV_CMD_NAV_RETURN_TO_LAUNCH),
    "set-down": int(common.MAV_CMD_NAV_LAND),
}
_HERE = (0.0, 0.0, 0.0, *(float("nan"),) * 3)
"""Of a landing: where it is, with the heading it has."""
OWN_SYSTEM, OWN_COMPONENT = 254, int(common.MAV_COMP_ID_ONBOARD_COMPUTER)


@dataclass(frozen=True, slots=True)
class Way:
    """One way to ask: a command with its first parameters; the others are 0."""

    command: int
    params: tuple[float, ...]


def ways(reaction: Reaction, modes: Mapping[ModeName, ModeNumber]) -> tuple[Way, ...]:
    """All ways to ask for a reaction, the standard's mode first; `modes` are the firmware's own numbers, if known."""
    found = [Way(SET_STANDARD_MODE, (STANDARD_MODE[reaction],))]
    number = modes.get(MODE_NAME[reaction])
    if number is not None:
        main, sub = number if isinstance(number, tuple) else (number, 0)
        found.append(Way(SET_MODE, (common.MAV_MODE_FLAG_CUSTOM_MODE_ENABLED, main, sub)))
    found.append(Way(_COMMAND[reaction], _HERE if reaction == "set-down" else ()))
    return tuple(found)
