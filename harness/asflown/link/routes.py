"""Which systems and components have been heard from one side of the hub."""

from __future__ import annotations

from asflown.link import wire


class Routes:
    """Learns from frames; tells whether an address belongs to this side."""

    __slots__ = ("_components", "_systems")

    def __init__(self) -> None:
        self._systems: set[int] = set()
        self._components: set[int] = set()

    def learn(self, frame: bytes) -> None:
        """Notes the sender of a frame that came from this side; only of messages whose checksum was verified."""
        key = frame[5] << 8 | frame[6] if frame[0] == wire.START_2 else frame[3] << 8 | frame[4]
        if key not in self._components and wire.is_known(frame):
            self._components.add(key)
            self._systems.add(key >> 8)

    def forget(self, system: int) -> None:
        """A system has started anew: which components it has now is to be seen."""
        self._systems.discard(system)
        self._components = {key for key in self._components if key >> 8 != system}

    def lead_to(self, target: tuple[int, int]) -> bool:
        """Whether a frame for `target` (system, component) belongs to this side; 0 stands for all."""
        system, component = target
        if not system:
            return True
        return (system << 8 | component) in self._components if component else system in self._systems
