"""Brings a vehicle down by standard mode commands, when nobody else is left to do it.

First home, then down where it is: the next is asked for when the one before is refused, not answered, or has not
brought the vehicle down in its time. A firmware that does not know standard modes is asked for the custom mode that its
vehicle file names. Never disarms, and stands back while a pilot flies.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from pymavlink.dialects.v20 import common, development

from asflown.clock.base import Clock
from asflown.link.hub import Hub
from asflown.scenario.model import ModeName, ModeNumber
from asflown.vehicle.pilot import PilotWatch
from asflown.vehicle.standing import VehicleStanding

Reaction = Literal["stop-here", "come-home", "set-down"]
STANDARD_MODE: dict[Reaction, int] = {
    "stop-here": int(development.MAV_STANDARD_MODE_POSITION_HOLD),
    "come-home": int(development.MAV_STANDARD_MODE_SAFE_RECOVERY),
    "set-down": int(development.MAV_STANDARD_MODE_LAND),
}
MODE_NAME: dict[Reaction, ModeName] = {
    "stop-here": "position-hold",
    "come-home": "safe-recovery",
    "set-down": "land",
}
STANDARD, CUSTOM = int(development.MAV_CMD_DO_SET_STANDARD_MODE), int(common.MAV_CMD_DO_SET_MODE)
OWN_SYSTEM, OWN_COMPONENT = 254, int(common.MAV_COMP_ID_ONBOARD_COMPUTER)
TRIES, ANSWER_WAIT_US, LOOK_US = 4, 1_000_000, 100_000
_MAY_CHANGE = frozenset({common.MAV_RESULT_IN_PROGRESS, common.MAV_RESULT_TEMPORARILY_REJECTED})


@dataclass(frozen=True, slots=True)
class Step:
    """What to ask for, and how long it may take to bring the vehicle down, microseconds."""

    reaction: Reaction
    patience_us: int


class BringDown:
    """Asks, watches, asks for more. `note` is told of every step."""

    def __init__(
        self,
        clock: Clock,
        hub: Hub,
        standing: VehicleStanding,
        pilot: PilotWatch,
        note: Callable[[str, str], None],
        modes: Mapping[ModeName, ModeNumber],
    ) -> None:
        """`note` takes what is done and why; `modes` are the firmware's own numbers, where its file names them."""
        self._clock, self._hub, self._standing, self._pilot = clock, hub, standing, pilot
        self._note, self._modes = note, modes
        self._mavlink = common.MAVLink(None, OWN_SYSTEM, OWN_COMPONENT)

    async def run(self, steps: tuple[Step, ...], cause: str) -> bool:
        """Goes through the steps until the vehicle is down; whether it is."""
        for step in steps:
            until_us = self._clock.now_us() + step.patience_us
            if self._standing.is_down:
                return True
            if self._pilot.flies(self._clock.now_us()):
                self._note("waits for the pilot to land", cause)
            else:
                self._note(step.reaction, cause)
                if not await self._ask(step.reaction, until_us):
                    continue
            if await self._is_down_by(until_us):
                return True
        return self._standing.is_down

    async def _ask(self, reaction: Reaction, until_us: int) -> bool:
        """Whether the vehicle accepted the standard mode, or else the firmware's own."""
        if await self._command(until_us, STANDARD, STANDARD_MODE[reaction]):
            return True
        number = self._modes.get(MODE_NAME[reaction])
        if number is None:
            return False
        main, sub = number if isinstance(number, tuple) else (number, 0)
        flag = common.MAV_MODE_FLAG_CUSTOM_MODE_ENABLED
        return await self._command(until_us, CUSTOM, flag, main, sub)

    async def _command(self, until_us: int, number: int, *params: float) -> bool:
        """Repeats a command until it is accepted, refused, or its time is over; whether it was accepted."""
        for confirmation in range(TRIES):
            self._send(number, confirmation, *params)
            asked_us = self._clock.now_us()
            while self._clock.now_us() < min(asked_us + ANSWER_WAIT_US, until_us):
                await self._clock.sleep_until(self._clock.now_us() + LOOK_US)
                result = self._standing.result_of(number)
                if result == common.MAV_RESULT_ACCEPTED:
                    return True
                if result is not None and result not in _MAY_CHANGE:
                    return False
        return False

    def _send(self, number: int, confirmation: int, *params: float) -> None:
        self._standing.acks = []
        target = self._standing.system, self._standing.component
        filled = (*params, *(0.0,) * (7 - len(params)))
        message = common.MAVLink_command_long_message(*target, number, confirmation, *filled)
        self._hub.inject(bytes(message.pack(self._mavlink)), "guard")
        self._mavlink.seq = (self._mavlink.seq + 1) % 256

    async def _is_down_by(self, until_us: int) -> bool:
        while self._clock.now_us() < until_us:
            if self._standing.is_down:
                return True
            await self._clock.sleep_until(self._clock.now_us() + LOOK_US)
        return self._standing.is_down
