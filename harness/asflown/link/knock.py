"""Knocks at a vehicle that waits to be spoken to: a HEARTBEAT once a second until it is heard, and no longer.

A vehicle whose ground program is gone must be able to notice; so nothing here goes on in its place.
"""

from __future__ import annotations

from pymavlink.dialects.v20 import common

from asflown.clock.base import Clock
from asflown.link.hub import Hub

INTERVAL_US = 1_000_000
OWN_SYSTEM, OWN_COMPONENT = 252, int(common.MAV_COMP_ID_UDP_BRIDGE)


class Knock:
    """One hub's knocking."""

    def __init__(self, clock: Clock, hub: Hub) -> None:
        self._clock, self._hub = clock, hub
        self._heard = False
        self._mavlink = common.MAVLink(None, OWN_SYSTEM, OWN_COMPONENT)

    def start(self) -> None:
        """From now on; the hub is open."""
        self._hub.on_vehicle_frame.append(self._note_heard)
        self._knock()

    def _note_heard(self, _now_us: int, _frame: bytes) -> None:
        self._heard = True

    def _knock(self) -> None:
        if self._heard:
            return
        beat = common.MAVLink_heartbeat_message(
            common.MAV_TYPE_GCS, common.MAV_AUTOPILOT_INVALID, 0, 0, common.MAV_STATE_ACTIVE, 3
        )
        self._hub.inject(bytes(beat.pack(self._mavlink)), "harness")
        self._mavlink.seq = (self._mavlink.seq + 1) % 256
        self._clock.call_at(self._clock.now_us() + INTERVAL_US, self._knock)
