"""What a survey says to the vehicle: nothing that changes how it flies.

HEARTBEAT, as a ground program; TIMESYNC, which the vehicle answers; TUNNEL addressed to ourselves, which it takes for
somebody else's and ignores; commands that ask for messages or set how often they come.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pymavlink.dialects.v20 import common

from asflown.clock.base import Clock
from asflown.link.base import Endpoint
from asflown.link.survey.ears import Ears

SYSTEM, COMPONENT = 251, int(common.MAV_COMP_ID_USER1)
ANSWER_WAIT_US = 1_500_000
TRIES = 10
_LOOK_US = 20_000
FILLER_BYTES_MOST = 128
FILLER_OVERHEAD_BYTES = 12 + 5
"""Of a TUNNEL frame, beside what it carries: the frame, and the fields before its payload."""
_SOMEBODY_ELSES_PAYLOAD = 65_000
"""A payload type of TUNNEL that nobody has registered."""


@dataclass(frozen=True, slots=True)
class Said:
    """A frame of ours on its way: `asked_ns` identifies a probe, and is 0 for anything else."""

    time_us: int
    asked_ns: int
    size_bytes: int


class Voice:
    """Speaks at one endpoint and keeps the order of what was said."""

    def __init__(self, clock: Clock, endpoint: Endpoint, ears: Ears) -> None:
        self._clock, self._endpoint, self._ears = clock, endpoint, ears
        self._mavlink = common.MAVLink(None, SYSTEM, COMPONENT)
        self._probes = 0
        self.said: list[Said] = []

    def heartbeat(self) -> None:
        """We are here."""
        self._say(
            common.MAVLink_heartbeat_message(
                common.MAV_TYPE_GCS, common.MAV_AUTOPILOT_INVALID, 0, 0, common.MAV_STATE_ACTIVE, 3
            )
        )

    def probe(self) -> int:
        """Asks the vehicle for its time; returns the stamp that its answer will carry, nanoseconds."""
        self._probes += 1
        asked_ns = (self._clock.epoch_us + self._clock.now_us()) * 1000 + self._probes % 1000
        self._say(common.MAVLink_timesync_message(0, asked_ns), asked_ns)
        return asked_ns

    def filler(self, size_bytes: int) -> int:
        """A frame of about this size that nobody takes; returns its size."""
        carries = max(1, min(FILLER_BYTES_MOST, size_bytes - FILLER_OVERHEAD_BYTES))
        payload = bytes([0x55] * carries + [0] * (FILLER_BYTES_MOST - carries))
        return self._say(
            common.MAVLink_tunnel_message(SYSTEM, COMPONENT, _SOMEBODY_ELSES_PAYLOAD, carries, payload)
        )

    async def command(
        self, number: int, *params: float, unless: Callable[[], bool] = lambda: False
    ) -> int | None:
        """Sends a command until it is acknowledged; its result, or None when nothing comes back in several tries.

        It is not sent, or sent again, once `unless` is true.

        An acknowledgement does not say which of several equal commands it is for. So after a repeated one, those that
        are still under way are waited for.
        """
        assert self._ears.vehicle is not None
        filled = (*params, *(0.0,) * (7 - len(params)))
        for confirmation in range(TRIES):
            if unless():
                return None
            before = len(self._ears.acks)
            self._say(common.MAVLink_command_long_message(*self._ears.vehicle, number, confirmation, *filled))
            until_us = self._clock.now_us() + ANSWER_WAIT_US
            while self._clock.now_us() < until_us:
                await self._clock.sleep_until(self._clock.now_us() + _LOOK_US)
                result = self._acknowledged(number, before)
                if result is not None:
                    if confirmation:
                        await self._clock.sleep_until(self._clock.now_us() + ANSWER_WAIT_US)
                    return result
        return None

    def _acknowledged(self, number: int, since: int) -> int | None:
        for acknowledged, result in self._ears.acks[since:]:
            if acknowledged == number:
                return result
        return None

    def command_blindly(self, number: int, *params: float) -> None:
        """Sends a command once and waits for nothing."""
        assert self._ears.vehicle is not None
        filled = (*params, *(0.0,) * (7 - len(params)))
        self._say(common.MAVLink_command_long_message(*self._ears.vehicle, number, 0, *filled))

    async def round_trip_us(self) -> int | None:
        """How long a probe takes there and back; None when it is not answered in time."""
        asked_ns, asked_us = self.probe(), self._clock.now_us()
        while self._clock.now_us() < asked_us + 2 * ANSWER_WAIT_US:
            await self._clock.sleep_until(self._clock.now_us() + _LOOK_US)
            answer = self._ears.answers.get(asked_ns)
            if answer is not None:
                return answer.time_us - asked_us
        return None

    def _say(self, message: common.MAVLink_message, asked_ns: int = 0) -> int:
        frame = bytes(message.pack(self._mavlink))
        self._mavlink.seq = (self._mavlink.seq + 1) % 256
        self.said.append(Said(self._clock.now_us(), asked_ns, len(frame)))
        self._endpoint.send(frame)
        return len(frame)
