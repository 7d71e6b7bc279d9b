"""The endpoint of a vehicle that lives in this process: frames pass by a call, unless a fault has cut the link."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from asflown.link.counted import CountedEndpoint
from asflown.scenario.model import Fault


class LinkLoss:
    """When the link is down, in microseconds since power-up."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self._windows = [
            (
                round(fault.at_s * 1e6),
                None if fault.for_s is None else round((fault.at_s + fault.for_s) * 1e6),
            )
            for fault in faults
            if fault.inject == "link-loss"
        ]

    def is_down(self, since_power_up_us: int) -> bool:
        """Whether nothing passes now, either way."""
        return any(
            begin <= since_power_up_us and (end is None or since_power_up_us < end)
            for begin, end in self._windows
        )


class InProcessEndpoint(CountedEndpoint):
    """Hands frames to the craft and from it. `take` gets what is sent while the endpoint is open."""

    def __init__(self, take: Callable[[bytes], None], is_down: Callable[[], bool]) -> None:
        super().__init__("vehicle")
        self._take = take
        self._is_down = is_down
        self._open = False

    def open(self) -> None:
        """Nothing to open; frames pass from now on."""
        self._open = True
        self._counters.connections += 1

    def send(self, frame: bytes) -> None:
        """Hands a frame to the craft, or drops it while the link is down."""
        counters = self._counters
        if not self._open or self._is_down():
            counters.frames_dropped += 1
            return
        counters.frames_out += 1
        counters.bytes_out += len(frame)
        self._take(frame)

    def emit(self, frames: list[bytes]) -> None:
        """Frames of the craft: to whoever listens, or lost while the link is down."""
        if not self._open or self._is_down():
            return
        counters = self._counters
        for frame in frames:
            counters.frames_in += 1
            counters.bytes_in += len(frame)
            self.on_frame(frame)

    def close(self) -> None:
        """No frame passes any more."""
        self._open = False
