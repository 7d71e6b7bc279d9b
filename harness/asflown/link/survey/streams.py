"""The vehicle's message intervals during a survey: read, changed with care, and put back as they were.

Nothing is changed while the vehicle is armed, but to put back what was changed.
"""

from __future__ import annotations

from pymavlink.dialects.v20 import common

from asflown.clock.base import Clock
from asflown.link.survey.ears import Ears
from asflown.link.survey.voice import Voice

OFF_US, DEFAULT_US = -1, 0
_ACCEPTED = int(common.MAV_RESULT_ACCEPTED)
_LOOK_US, _ANSWER_WAIT_US = 20_000, 1_500_000
_GETTING = (
    (int(common.MAV_CMD_REQUEST_MESSAGE), int(common.MAVLINK_MSG_ID_MESSAGE_INTERVAL)),
    (int(common.MAV_CMD_GET_MESSAGE_INTERVAL), 0),
)
"""Two ways to ask for an interval, the newer first: the command, and its parameter before the message; 0 for none."""


class VehicleArmed(Exception):
    """The vehicle is armed: what is under way stops, and what was changed is put back. Never leaves the survey."""


class Streams:
    """Intervals of messages by their ids, in microseconds; -1 is off, 0 the vehicle's default."""

    def __init__(self, clock: Clock, voice: Voice, ears: Ears) -> None:
        self._clock, self._voice, self._ears = clock, voice, ears
        self._before: dict[int, int] = {}
        self._now: dict[int, int] = {}
        self.refused: set[int] = set()
        """Messages whose interval the vehicle does not let be set."""

    async def set(self, message: int, interval_us: int) -> bool:
        """Sets an interval, having read what it was. False when refused or not answered. Raises VehicleArmed."""
        if self._ears.armed:
            raise VehicleArmed
        if message in self.refused:
            return False
        if self._now.get(message) == interval_us:
            return True
        if message not in self._before:
            self._before[message] = await self._read(message)
        known = self._now.get(message)
        self._now[message] = interval_us  # before it is sent: it may be obeyed and the answer lost
        result = await self._voice.command(
            common.MAV_CMD_SET_MESSAGE_INTERVAL, message, interval_us, unless=lambda: self._ears.armed
        )
        if self._ears.armed:
            raise VehicleArmed
        if result == _ACCEPTED:
            return True
        if result is not None:
            self.refused.add(message)
            if known is None:
                del self._now[message]
            else:
                self._now[message] = known
        return False

    async def restore(self) -> list[int]:
        """Puts everything back; the messages for which that was not acknowledged."""
        failed = []
        for message, interval_us in self._changed():
            result = await self._voice.command(common.MAV_CMD_SET_MESSAGE_INTERVAL, message, interval_us)
            if result != _ACCEPTED:
                failed.append(message)
        self._now.clear()
        return failed

    def restore_blindly(self) -> None:
        """Puts everything back without waiting: for an end that cannot wait."""
        for message, interval_us in self._changed():
            for _ in range(2):
                self._voice.command_blindly(common.MAV_CMD_SET_MESSAGE_INTERVAL, message, interval_us)
        self._now.clear()

    def _changed(self) -> list[tuple[int, int]]:
        return [
            (message, self._before[message])
            for message, interval_us in self._now.items()
            if interval_us != self._before[message]
        ]

    async def _read(self, message: int) -> int:
        """What the interval is; the default where the vehicle does not say."""
        self._ears.intervals.pop(message, None)
        for command, parameter in _GETTING:
            params = (parameter, message) if parameter else (message,)
            if await self._voice.command(command, *params) != _ACCEPTED:
                continue
            until_us = self._clock.now_us() + _ANSWER_WAIT_US
            while self._clock.now_us() < until_us:
                if message in self._ears.intervals:
                    return self._ears.intervals[message]
                await self._clock.sleep_until(self._clock.now_us() + _LOOK_US)
        return DEFAULT_US
