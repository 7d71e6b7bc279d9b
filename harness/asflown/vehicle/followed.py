"""The endpoint of a vehicle whose time the flight follows: tells the clock before anybody else hears a frame."""

from __future__ import annotations

from asflown.clock.followed import FollowedClock
from asflown.link import wire
from asflown.link.base import Endpoint
from asflown.link.counted import CountedEndpoint

_BOOT_MS_AT = {2: 8, 30: 0, 32: 0, 33: 0}
"""Where `time_boot_ms` lies in the payload of SYSTEM_TIME, ATTITUDE, LOCAL_POSITION_NED, GLOBAL_POSITION_INT."""


class FollowedEndpoint(CountedEndpoint):
    """Passes everything on, and the time of `system` to the clock."""

    def __init__(self, inner: Endpoint, clock: FollowedClock, system: int) -> None:
        super().__init__(inner.name)
        self._inner, self._clock, self._system = inner, clock, system

    def open(self) -> None:
        """Opens the inner endpoint. Raises LinkProblem."""
        self._inner.on_frame = self._take
        self._inner.open()

    def send(self, frame: bytes) -> None:
        """Passes a frame on."""
        self._inner.send(frame)

    def close(self) -> None:
        """Closes the inner endpoint."""
        self._inner.close()

    def counters(self) -> dict[str, int]:
        """Of the inner endpoint."""
        return self._inner.counters()

    def _take(self, frame: bytes) -> None:
        at = _BOOT_MS_AT.get(wire.message_id(frame))
        if at is not None and wire.system_id(frame) == self._system:
            payload = wire.payload(frame).ljust(at + 4, b"\0")
            self._clock.follow(int.from_bytes(payload[at : at + 4], "little") * 1000)
        self.on_frame(frame)
