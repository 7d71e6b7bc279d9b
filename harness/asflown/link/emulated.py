"""A vehicle behind an emulated radio, as one endpoint: what a program on the ground would find there."""

from __future__ import annotations

from asflown.link.base import Endpoint
from asflown.link.counted import CountedEndpoint
from asflown.link.radio import Radio


class EmulatedEndpoint(CountedEndpoint):
    """Hands frames over the radio to `vehicle`, and from it."""

    def __init__(self, vehicle: Endpoint, radio: Radio) -> None:
        super().__init__(vehicle.name)
        self._vehicle, self._radio = vehicle, radio

    def open(self) -> None:
        """Opens the vehicle's endpoint."""
        self._vehicle.on_frame = self._radio.take_down
        self._radio.deliver(up=self._vehicle.send, down=self._take)
        self._vehicle.open()

    def send(self, frame: bytes) -> None:
        """Puts a frame on the air."""
        self._counters.frames_out += 1
        self._counters.bytes_out += len(frame)
        self._radio.up.send(frame)

    def close(self) -> None:
        """Nothing comes any more."""
        self._radio.close()
        self._vehicle.close()

    def _take(self, frame: bytes) -> None:
        self._counters.frames_in += 1
        self._counters.bytes_in += len(frame)
        self.on_frame(frame)
