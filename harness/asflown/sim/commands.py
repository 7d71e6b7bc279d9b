"""The command protocol: COMMAND_LONG and COMMAND_INT in, one COMMAND_ACK each out, addressed to the sender.

A command repeated with a higher `confirmation` because its answer was lost is answered again and not carried out
again. No command of this vehicle runs for long, so none is IN_PROGRESS and there is nothing to cancel. What is
not known is UNSUPPORTED; what can never work as sent is DENIED; what may work later is TEMPORARILY_REJECTED.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav

from asflown.sim.answer import UNSUPPORTED, Answer
from asflown.sim.downlink import Downlink

_REMEMBERED_US = 10_000_000
_REMEMBERED_MOST = 64
_LOCAL_FRAMES = frozenset({
    mav.MAV_FRAME_LOCAL_NED, mav.MAV_FRAME_LOCAL_OFFSET_NED, mav.MAV_FRAME_BODY_FRD, mav.MAV_FRAME_LOCAL_FRD,
})  # fmt: skip
_UNSET_INT = 0x7FFF_FFFF


@dataclass(frozen=True, slots=True)
class Command:
    """A command in either form. Places are degrees or metres; a NaN was not given."""

    number: int
    params: tuple[float, float, float, float, float, float, float]
    frame: int | None
    """MAV_FRAME; None for a COMMAND_LONG, which has none."""
    sender: tuple[int, int]

    def whole(self, index: int) -> int | None:
        """Parameter `index` (from 1) as a whole number, or None when it is not one."""
        value = self.params[index - 1]
        return int(value) if math.isfinite(value) and value.is_integer() else None

    def given(self, index: int) -> float | None:
        """Parameter `index` (from 1), or None when it was not given."""
        value = self.params[index - 1]
        return value if math.isfinite(value) else None


Handler = Callable[[Command], Answer]


def from_long(message: mav.MAVLink_command_long_message) -> Command:
    """The command of a COMMAND_LONG."""
    params = (
        message.param1, message.param2, message.param3, message.param4,
        message.param5, message.param6, message.param7,
    )  # fmt: skip
    return Command(message.command, params, None, (message.get_srcSystem(), message.get_srcComponent()))


def from_int(message: mav.MAVLink_command_int_message) -> Command:
    """The command of a COMMAND_INT, its place scaled by its frame."""
    scale = 1e4 if message.frame in _LOCAL_FRAMES else 1e7
    x, y = (math.nan if value == _UNSET_INT else value / scale for value in (message.x, message.y))
    params = (message.param1, message.param2, message.param3, message.param4, x, y, message.z)
    sender = message.get_srcSystem(), message.get_srcComponent()
    return Command(message.command, params, message.frame, sender)


@dataclass(frozen=True, slots=True)
class Answered:
    """A command that was carried out: with what result, at which `confirmation`, when."""

    result: int
    confirmation: int
    at_us: int

    def is_fresh(self, now_us: int) -> bool:
        """Whether a repetition may still come."""
        return now_us - self.at_us < _REMEMBERED_US


class CommandDesk:
    """Hands commands to their handlers and answers them."""

    def __init__(self, handlers: Mapping[int, Handler], downlink: Downlink) -> None:
        self._handlers = handlers
        self._downlink = downlink
        self._answered: dict[str, Answered] = {}

    def take(self, command: Command, confirmation: int, now_us: int) -> None:
        """Carries a command out, unless it is a repetition, and answers it."""
        key = repr(command)
        earlier = self._answered.get(key)
        if earlier is not None and confirmation > earlier.confirmation and earlier.is_fresh(now_us):
            self._remember(key, Answered(earlier.result, confirmation, earlier.at_us))
            self._acknowledge(command, earlier.result)
            return
        handler = self._handlers.get(command.number)
        answer = Answer(UNSUPPORTED) if handler is None else handler(command)
        self._remember(key, Answered(answer.result, confirmation, now_us))
        if answer.text:
            self._downlink.refusal(answer.text, now_us)
        self._acknowledge(command, answer.result)
        if answer.then is not None:
            answer.then()

    def _remember(self, key: str, answered: Answered) -> None:
        self._answered.pop(key, None)
        while len(self._answered) >= _REMEMBERED_MOST:
            del self._answered[next(iter(self._answered))]
        self._answered[key] = answered

    def _acknowledge(self, command: Command, result: int) -> None:
        self._downlink.send(mav.MAVLink_command_ack_message(command.number, result, 0, 0, *command.sender))
