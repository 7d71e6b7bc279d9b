"""A vehicle that has started anew, told from its SYSTEM_TIME.

Source: the MAVLink developer guide: `time_boot_ms` going backwards means a reboot. A frame that was overtaken on the
way lies a little behind, and is none.
"""

from __future__ import annotations

from asflown.link import wire

SYSTEM_TIME = 2
_BOOT_TIME_AT = 8
_OVERTAKEN_MS = 1_000


class RebootWatch:
    """The last time since boot of each component that reports it."""

    def __init__(self) -> None:
        self._last_ms: dict[tuple[int, int], int] = {}

    def rebooted(self, frame: bytes) -> bool:
        """Whether this SYSTEM_TIME is of a component that has started anew since its last one."""
        payload = wire.payload(frame).ljust(_BOOT_TIME_AT + 4, b"\0")
        boot_ms = int.from_bytes(payload[_BOOT_TIME_AT : _BOOT_TIME_AT + 4], "little")
        sender = wire.system_id(frame), wire.component_id(frame)
        last_ms = self._last_ms.get(sender, 0)
        back = boot_ms + _OVERTAKEN_MS < last_ms
        if back or boot_ms > last_ms:
            self._last_ms[sender] = boot_ms
        return back
