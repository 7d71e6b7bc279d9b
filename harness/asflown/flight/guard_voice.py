"""How the guard asks: a command repeated until it is accepted, and the next way when that does not work.

A way does not work when it is refused, not answered, or accepted in vain. Stays with a reaction until it is told to be
silent; a vehicle that refused every way is asked again, more slowly.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from pymavlink.dialects.v20 import common

from asflown.link import wire
from asflown.scenario.model import ModeName, ModeNumber
from asflown.vehicle.reactions import OWN_COMPONENT, OWN_SYSTEM, Reaction, Way, ways

REPEAT_US = 1_000_000
TRIES_OF_A_WAY = 3
SLOWLY_US = 3_000_000
IN_VAIN_US = 2_500_000
"""How long a way that was accepted may show no effect before the next one is tried."""
_MAY_CHANGE = (int(common.MAV_RESULT_IN_PROGRESS), int(common.MAV_RESULT_TEMPORARILY_REJECTED))


class Voice:
    """Asks one vehicle, once it was told what for. `send` takes a frame for it."""

    _ways: tuple[Way, ...]
    _way: int
    _tries: int
    _refusals: int
    _next_us: int
    _accepted_us: int | None
    refused: bool
    """Every way was refused."""

    def __init__(self, send: Callable[[bytes], None], modes: Mapping[ModeName, ModeNumber]) -> None:
        self._send, self._modes = send, modes
        self._mavlink = common.MAVLink(None, OWN_SYSTEM, OWN_COMPONENT)
        self.be_silent()

    @property
    def accepted(self) -> bool:
        """Whether the newest way was accepted."""
        return self._accepted_us is not None

    def ask(self, reaction: Reaction) -> None:
        """From now on asks for this reaction; the next `tick` says it."""
        self._ways = ways(reaction, self._modes)
        self._way = self._tries = self._refusals = self._next_us = 0
        self._accepted_us, self.refused = None, False

    def be_silent(self) -> None:
        """Asks for nothing any more."""
        self._ways = ()

    def tick(self, now_us: int, target: tuple[int, int], *, works: bool) -> None:
        """Says it, or says it again; `works`: what was asked for shows."""
        if not self._ways or works or now_us < self._next_us:
            return
        if self._accepted_us is not None and now_us - self._accepted_us < IN_VAIN_US:
            return
        if self._accepted_us is not None or self._tries >= TRIES_OF_A_WAY:
            self._take_next_way()
        self._say(self._ways[self._way], target)
        self._tries += 1
        self._next_us = now_us + (SLOWLY_US if self.refused else REPEAT_US)

    def frame(self, now_us: int, frame: bytes) -> None:
        """Takes a frame of the vehicle: answers are what matters."""
        if not self._ways or wire.message_id(frame) != common.MAVLINK_MSG_ID_COMMAND_ACK:
            return
        payload = wire.payload(frame).ljust(10, b"\0")
        command, result, to = int.from_bytes(payload[:2], "little"), payload[2], payload[8]
        if command != self._ways[self._way].command or not self._tries or to not in (0, OWN_SYSTEM):
            return
        if result == common.MAV_RESULT_ACCEPTED:
            self._accepted_us = now_us
        elif result not in _MAY_CHANGE:
            self._refusals += 1
            self.refused = self.refused or self._refusals >= len(self._ways)
            self._take_next_way()
            self._next_us = now_us + SLOWLY_US if self.refused else now_us

    def _take_next_way(self) -> None:
        self._way, self._tries, self._accepted_us = (self._way + 1) % len(self._ways), 0, None

    def _say(self, way: Way, target: tuple[int, int]) -> None:
        params = (*way.params, *(0.0,) * (7 - len(way.params)))
        message = common.MAVLink_command_long_message(*target, way.command, self._tries, *params)
        self._send(bytes(message.pack(self._mavlink)))
        self._mavlink.seq = (self._mavlink.seq + 1) % 256
