"""What an emulated radio says of itself: RADIO_STATUS, as a radio puts it into the stream on its own side.

Signal strengths are in the radio's own units, as the standard leaves them. In a shadow a radio hears its noise alone;
while the channel is in its bad state the signal is weaker by `fade`. It sends as component 68 (telemetry radio) of the
vehicle's system.
"""

from __future__ import annotations

from pymavlink.dialects.v20 import common

from asflown.link import wire
from asflown.link.lane import Lane
from asflown.link.profile import StatusProfile

_TOP = 65_535


class StatusWriter:
    """Makes the messages of both radios, which share one running number."""

    def __init__(self, profile: StatusProfile) -> None:
        self._profile = profile
        self._mavlink = common.MAVLink(None, 1, common.MAV_COMP_ID_TELEMETRY_RADIO)
        self.frames_made = 0

    def use_system_of(self, frame: bytes) -> None:
        """The radio belongs to the vehicle that sent this frame."""
        self._mavlink.srcSystem = wire.system_id(frame)

    def frame(self, hears: Lane, sends: Lane, *, dark: bool) -> bytes:
        """The report of the radio that hears one lane and sends on the other."""
        profile = self._profile
        message = common.MAVLink_radio_status_message(
            rssi=self._strength(hears, dark=dark),
            remrssi=self._strength(sends, dark=dark),
            txbuf=sends.buffer_free_per_cent,
            noise=profile.noise,
            remnoise=profile.noise,
            rxerrors=min(hears.frames_damaged, _TOP),
            fixed=0,
        )
        packed = bytes(message.pack(self._mavlink))
        self._mavlink.seq = (self._mavlink.seq + 1) % 256
        self.frames_made += 1
        return packed

    def _strength(self, lane: Lane, *, dark: bool) -> int:
        profile = self._profile
        if dark:
            return profile.noise
        return max(profile.noise, profile.rssi - (profile.fade if lane.is_bad else 0))
