"""What the hub knows of the side on which the vehicle is: routes, gaps, restarts, signatures, the radio's state."""

from __future__ import annotations

from asflown.link import wire
from asflown.link.budget import Budget
from asflown.link.party import PartyCounts, is_radio_status
from asflown.link.reboots import SYSTEM_TIME, RebootWatch
from asflown.link.routes import Routes
from asflown.link.sequences import SequenceWatch
from asflown.link.signing import Signing, SigningCounts, Standing


class VehicleSide:
    """Reads along with what comes from the vehicle's endpoint."""

    SOURCE = -1
    """The vehicle's side as a source of `echoes`; parties count from 1."""

    def __init__(self, name: str, signing: Signing | None, budget: Budget | None, *, must_sign: bool) -> None:
        self.name = name
        self._signing, self._budget, self._must_sign = signing, budget, must_sign
        self.routes = Routes()
        self.counts = PartyCounts()
        self.signing_counts = SigningCounts()
        self.sequences = SequenceWatch()
        self._reboots = RebootWatch()

    def takes(self, frame: bytes) -> bool:
        """Counts and learns from a frame; whether it may go on."""
        self.counts.frames_missing += self.sequences.missing(frame)
        status = is_radio_status(frame)
        if status and self._budget is not None:
            self._budget.heard_status(frame)
        if self._signing is not None:
            standing = self._signing.check(frame)
            self.signing_counts.note(standing)
            if self._must_sign and standing is not Standing.GENUINE and not status:
                self.counts.frames_withheld += 1
                return False
        self.routes.learn(frame)
        return True

    def has_rebooted(self, frame: bytes) -> bool:
        """Whether the sender has started anew; its routes are forgotten then, but for the one it just showed."""
        if wire.message_id(frame) != SYSTEM_TIME or not self._reboots.rebooted(frame):
            return False
        self.routes.forget(wire.system_id(frame))
        self.routes.learn(frame)
        return True
