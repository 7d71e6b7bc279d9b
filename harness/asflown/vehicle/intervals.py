"""Asks a real vehicle for the messages that a flight needs, within what its radio carries, and gives them back.

A message that comes often enough already is left alone. Where all that is asked for would fill more than a share of
the radio, everything comes more rarely, by one factor.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pymavlink.dialects.v20 import development

from asflown.vehicle.conversation import Conversation, message_number

NEEDED_S: Mapping[str, float] = {
    "LOCAL_POSITION_NED": 0.1,
    "ATTITUDE": 0.1,
    "EXTENDED_SYS_STATE": 0.5,
    "SYS_STATUS": 1.0,
    "CURRENT_MODE": 1.0,
    "ESTIMATOR_STATUS": 1.0,
    "GPS_RAW_INT": 0.5,
}
"""What grading and the guard take from a flight, and how often."""
SHARE_OF_RADIO = 0.6
"""Of its bytes; the rest is for what goes up, for answers, and for what the vehicle sends beside."""
FRAME_BYTES = 12
"""MAVLink 2 about a payload, unsigned."""
NEVER, DEFAULT = -1, 0


@dataclass(slots=True)
class Intervals:
    """What was changed, so that it can be put back."""

    conversation: Conversation
    before_us: dict[str, int] = field(default_factory=dict)
    asked_us: dict[str, int] = field(default_factory=dict)
    refused: list[str] = field(default_factory=list)

    async def ask(self, wanted_s: Mapping[str, float], radio_bytes_per_s: float | None) -> None:
        """Asks for messages at least as often as `wanted_s`, as far as the radio carries them."""
        for name, interval_s in within_budget(wanted_s or NEEDED_S, radio_bytes_per_s).items():
            interval_us = round(interval_s * 1e6)
            before_us = await self.conversation.interval_us(name)
            if before_us is not None and 0 < before_us <= interval_us:
                continue
            if await self.conversation.set_interval(name, interval_us):
                self.before_us[name] = DEFAULT if before_us is None else before_us
                self.asked_us[name] = interval_us
            else:
                self.refused.append(name)

    async def restore(self) -> list[str]:
        """Puts everything back as it was; the names of those where that failed. One without an answer ends it."""
        left = list(self.before_us)
        while left and await self.conversation.set_interval(left[0], self.before_us[left[0]]):
            left.pop(0)
        self.before_us.clear()
        return left


def within_budget(wanted_s: Mapping[str, float], radio_bytes_per_s: float | None) -> dict[str, float]:
    """The intervals, stretched by one factor where they would fill more than their share of the radio."""
    if radio_bytes_per_s is None:
        return dict(wanted_s)
    wanted = sum(frame_bytes(name) / interval_s for name, interval_s in wanted_s.items())
    factor = max(1.0, wanted / (SHARE_OF_RADIO * radio_bytes_per_s))
    return {name: interval_s * factor for name, interval_s in wanted_s.items()}


def frame_bytes(name: str) -> int:
    """How long a message is on the air at most."""
    kind = development.mavlink_map[message_number(name)]
    return FRAME_BYTES + int(kind.unpacker.size)
